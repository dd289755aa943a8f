"""Baffle step, near and far field and the speed of sound against published rules."""

from dataclasses import replace

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver
from rig.circuit.radiation import baffle_step, microphone_at, pressure_pa
from rig.circuit.units import SPEED_OF_SOUND_M_S, speed_of_sound_m_s


# source: rule of thumb f3 = 115 / width found on a public calculator page; see the table.
@pytest.mark.parametrize("row", rows("baffle_step"), ids=lambda row: row["width_m"])
def test_the_baffle_step_is_3_db_down_at_its_published_frequency(row: dict[str, str]) -> None:
    width_m, table_hz, exact_hz = numbers(row, "width_m", "f3_table_hz", "f3_calc_hz")
    found = 20 * np.log10(np.abs(baffle_step(width_m, [exact_hz, table_hz])))
    assert found[0] == pytest.approx(10 * np.log10(0.5), abs=1e-4)
    assert found[1] == pytest.approx(-3.01, abs=0.01)


def of_piston(radius_m: float, width_m: float | None) -> Channel:
    driver = Driver("piston", 6.0, 50.0, 4.0, 0.5, 0.01, np.pi * radius_m**2)
    return Channel("c", (Branch(driver),), Box("closed", 0.01), width_m)


# source: Keele (JAES 1974): a / (2 r) in half space, a / (4 r) in whole space; see the table.
@pytest.mark.parametrize("row", rows("nearfield_farfield"), ids=lambda row: row["piston_radius_m"])
def test_far_field_over_near_field(row: dict[str, str]) -> None:
    radius_m, distance_m, half_db, whole_db, ka1_hz = numbers(
        row, "piston_radius_m", "distance_m", "far_minus_near_2pi_db", "far_minus_near_4pi_db", "f_ka1_hz"
    )
    frequency = np.array([20.0, 0.25 * ka1_hz, 0.5 * ka1_hz])
    infinite = of_piston(radius_m, None)
    near = np.abs(pressure_pa(infinite, frequency, 1.0, (0.0, 0.0, 0.0)))
    far = np.abs(pressure_pa(infinite, frequency, 1.0, microphone_at(distance_m)))
    np.testing.assert_allclose(20 * np.log10(far / near), half_db, atol=0.1)
    # A baffle of 5 cm is still whole space at these frequencies; the near field does not see the edges.
    lone = np.abs(pressure_pa(replace(infinite, baffle_width_m=0.05), frequency[:1], 1.0, microphone_at(distance_m)))
    assert 20 * np.log10(lone[0] / near[0]) == pytest.approx(whole_db, abs=0.1)
    assert ka1_hz == pytest.approx(SPEED_OF_SOUND_M_S / (2 * np.pi * radius_m), rel=1e-4)


# source: ISO 9613-1:1993, from memory and found in an open acoustics library; see the table.
@pytest.mark.parametrize("row", rows("speed_of_sound"), ids=lambda row: row["t_degc"])
def test_speed_of_sound(row: dict[str, str]) -> None:
    celsius, published = numbers(row, "t_degc", "c_iso9613_m_s")
    assert speed_of_sound_m_s(celsius) == pytest.approx(published, abs=1e-4)


def test_absolute_zero_is_refused() -> None:
    with pytest.raises(ValueError, match=r"above -273\.15"):
        speed_of_sound_m_s(-300.0)


def test_a_driver_in_a_narrow_box_loses_level_below_about_1_khz_against_a_large_flat_baffle() -> None:
    """Common practice, no source: a box 12 cm wide; nothing above, 6 dB far below."""
    frequency = np.array([50.0, 300.0, 1000.0, 3000.0, 10000.0])
    boxed, flat = (
        20 * np.log10(np.abs(pressure_pa(of_piston(0.03, width), frequency, 1.0, microphone_at(1.0))))
        for width in (0.12, None)
    )
    loss_db = flat - boxed
    assert np.all(np.diff(loss_db) < 0)
    assert 5.5 < loss_db[0] < 6.03
    assert loss_db[1] > 4.0
    assert 1.5 < loss_db[2] < 4.0
    assert loss_db[3] < 1.0
    assert loss_db[4] < 0.1
