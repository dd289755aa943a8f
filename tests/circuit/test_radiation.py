from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver, mechanics
from rig.circuit.radiation import (
    baffle_step,
    driver_pressure_pa,
    microphone_at,
    piston_directivity,
    pressure_pa,
)

FREQUENCY_HZ = np.geomspace(20, 20000, 91)


def single(woofer: Driver, **changes: object) -> Channel:
    return Channel("c", (Branch(replace(woofer, **changes)),), Box("closed", 0.014))


@given(st.floats(1, 20), st.floats(0, 60))
@settings(max_examples=40, deadline=None)
def test_level_falls_6_db_a_doubling_in_the_far_field(distance: float, angle: float) -> None:
    channel = single(Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013))
    near = pressure_pa(channel, FREQUENCY_HZ, 1.0, microphone_at(distance, angle))
    far = pressure_pa(channel, FREQUENCY_HZ, 1.0, microphone_at(2 * distance, angle))
    np.testing.assert_allclose(20 * np.log10(np.abs(near / far)), 6.0206, atol=0.02)


def test_pass_band_pressure_is_that_of_the_acceleration_of_the_moving_mass(woofer: Driver) -> None:
    channel = single(woofer, le_h=0.0, rolloff_hz=np.inf, offset_m=0.0)
    moving = mechanics(woofer)
    expected = 1.2 * woofer.sd_m2 * moving.bl_t_m / (woofer.re_ohm * moving.mms_kg) / (2 * np.pi * 4.0)
    assert np.abs(pressure_pa(channel, [5000.0], 1.0, microphone_at(4.0))[0]) == pytest.approx(expected, rel=1e-3)


def test_a_positive_voltage_first_pushes_the_pressure_up(woofer: Driver) -> None:
    # Far above resonance, without roll-off and delay, pressure is in phase with voltage.
    channel = single(woofer, le_h=0.0, rolloff_hz=np.inf, offset_m=0.0)
    frequency = np.array([5000.0])
    pressure = pressure_pa(channel, frequency, 1.0, microphone_at(1.0))
    ahead = pressure * np.exp(2j * np.pi * frequency * 1.0 / 343.0)
    assert np.angle(ahead[0], deg=True) == pytest.approx(0.0, abs=3.0)


@given(st.floats(0.3, 3), st.floats(-80, 80), st.floats(-0.2, 0.2), st.floats(0, 0.1))
@settings(max_examples=40, deadline=None)
def test_each_driver_is_late_by_its_own_path(distance: float, angle: float, up: float, offset: float) -> None:
    driver = Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013)
    moved = replace(driver, position_m=(0.03, up), offset_m=offset)
    microphone = microphone_at(distance, angle)
    there = [pressure_pa(single(d), [1000.0], 1.0, microphone, 340.0)[0] for d in (driver, moved)]
    x, y, z = microphone
    paths = np.sqrt(x**2 + y**2 + z**2), np.sqrt((x - 0.03) ** 2 + (y - up) ** 2 + (z + offset) ** 2)
    turn = np.exp(2j * np.pi * 1000.0 * (paths[1] - paths[0]) / 340.0) * there[1] / there[0]
    assert np.angle(turn) == pytest.approx(0.0, abs=1e-6)


def test_the_sum_of_the_drivers_is_the_channel(two_way: Channel) -> None:
    microphone = microphone_at(1.0, 15.0, 0.1)
    each = driver_pressure_pa(two_way, FREQUENCY_HZ, 2.0, microphone)
    assert each.shape == (2, 91)
    np.testing.assert_allclose(each.sum(axis=0), pressure_pa(two_way, FREQUENCY_HZ, 2.0, microphone))
    np.testing.assert_allclose(driver_pressure_pa(two_way, FREQUENCY_HZ, 4.0, microphone), 2 * each)


@given(st.floats(-50, 50))
def test_piston_directivity_is_even_and_never_above_the_axis(x: float) -> None:
    assert abs(piston_directivity(x)) <= 1
    assert piston_directivity(x) == piston_directivity(-x)


def test_piston_directivity_is_nil_at_the_first_zero_of_the_bessel_function() -> None:
    assert piston_directivity(3.8317059702) == pytest.approx(0.0, abs=1e-9)
    assert piston_directivity(0.0) == 1.0
    assert piston_directivity(1e-3) == pytest.approx(1 - 1e-6 / 8, abs=1e-12)


def test_baffle_step_goes_from_half_to_whole_and_is_absent_without_a_width() -> None:
    step = np.abs(baffle_step(0.2, [0.0, 1e6]))
    np.testing.assert_allclose(step, [0.5, 1.0], rtol=1e-5)
    np.testing.assert_array_equal(baffle_step(None, FREQUENCY_HZ), np.ones(91))


def test_a_spectrum_may_begin_at_zero_hertz(two_way: Channel) -> None:
    pressure = pressure_pa(two_way, np.fft.rfftfreq(64, 1 / 48000), 1.0, microphone_at(1.0))
    assert np.all(np.isfinite(pressure))
    assert np.abs(pressure[0]) < 1e-12


def test_microphone_at_an_angle() -> None:
    np.testing.assert_allclose(microphone_at(2.0, 30.0, 0.1), (1.0, 0.1, np.sqrt(3)), rtol=1e-12)


@pytest.mark.parametrize(("distance", "angle"), [(0.0, 0.0), (-1.0, 0.0), (1.0, 91.0), (float("nan"), 0.0)])
def test_a_microphone_stands_in_front(distance: float, angle: float) -> None:
    with pytest.raises(ValueError, match="microphone"):
        microphone_at(distance, angle)


def test_impossible_surroundings_are_refused(two_way: Channel) -> None:
    with pytest.raises(ValueError, match="in front of the baffle"):
        pressure_pa(two_way, FREQUENCY_HZ, 1.0, (0.0, 0.0, -1.0))
    with pytest.raises(ValueError, match="speed_of_sound"):
        pressure_pa(two_way, FREQUENCY_HZ, 1.0, (0.0, 0.0, 1.0), 0.0)


def test_a_cone_rolls_off_as_a_second_order_butterworth_filter(woofer: Driver) -> None:
    microphone = microphone_at(1.0)
    limited, piston = (
        np.abs(pressure_pa(single(woofer, rolloff_hz=hz), FREQUENCY_HZ, 1.0, microphone)) for hz in (4500.0, np.inf)
    )
    np.testing.assert_allclose(limited / piston, 1 / np.sqrt(1 + (FREQUENCY_HZ / 4500.0) ** 4), rtol=1e-9)
