from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from rig.circuit.box import Box, box_admittance, driver_impedance, volume_velocity
from rig.circuit.driver import Driver, blocked_impedance, mechanics, qts

FREQUENCY_HZ = np.geomspace(5, 20000, 61)
Q = st.floats(0.2, 20)


@st.composite
def drivers(draw: st.DrawFn) -> Driver:
    return Driver(
        "d",
        draw(st.floats(1, 20)),
        draw(st.floats(20, 2000)),
        draw(Q),
        draw(Q),
        draw(st.floats(1e-5, 0.3)),
        draw(st.floats(1e-4, 0.1)),
        draw(st.floats(0, 2e-3)),
        draw(st.floats(0.3, 1)),
    )


@st.composite
def boxes(draw: st.DrawFn) -> Box:
    losses = st.one_of(st.just(np.inf), st.floats(0.3, 100))
    kind = draw(st.sampled_from(["closed", "vented", "none"]))
    tuning, volume = draw(st.floats(15, 200)), draw(st.floats(1e-4, 0.3))
    return Box(kind, volume, tuning, draw(losses), draw(losses), draw(losses))


@given(drivers(), boxes())
@settings(max_examples=80, deadline=None)
def test_a_driver_in_any_box_is_passive(driver: Driver, box: Box) -> None:
    impedance = driver_impedance(driver, box, FREQUENCY_HZ)
    assert np.all(impedance.real >= driver.re_ohm * (1 - 1e-9))


@given(drivers(), st.floats(1e-4, 0.3))
@settings(max_examples=60, deadline=None)
def test_a_closed_box_moves_resonance_and_q_by_the_same_factor(driver: Driver, volume: float) -> None:
    stiffer = np.sqrt(1 + driver.vas_m3 / volume)
    same = replace(
        driver,
        fs_hz=driver.fs_hz * stiffer,
        qms=driver.qms * stiffer,
        qes=driver.qes * stiffer,
        vas_m3=driver.vas_m3 / stiffer**2,
    )
    np.testing.assert_allclose(
        driver_impedance(driver, Box("closed", volume), FREQUENCY_HZ),
        driver_impedance(same, Box("none"), FREQUENCY_HZ),
        rtol=1e-8,
    )


def test_second_order_high_pass_of_a_closed_box() -> None:
    driver = Driver("d", 6.0, 50.0, 5.0, 0.5, 0.012, 0.009)
    box = Box("closed", 0.006)
    stiffer = np.sqrt(1 + 0.012 / 0.006)
    x = 1j * FREQUENCY_HZ / (50.0 * stiffer)
    shape = x**2 / (1 + x / (stiffer * 5.0 * 0.5 / 5.5) + x**2)
    cone, system = volume_velocity(driver, box, FREQUENCY_HZ)
    # Far above resonance the acceleration is Bl / (Re Mms) for one volt.
    moving = mechanics(driver)
    far = driver.sd_m2 * moving.bl_t_m / (driver.re_ohm * moving.mms_kg)
    np.testing.assert_allclose(2j * np.pi * FREQUENCY_HZ * system, far * shape, rtol=1e-8)
    np.testing.assert_allclose(cone, system, rtol=1e-12)


@given(st.floats(0.2, 1.0), st.floats(0.3, 4), st.floats(0.5, 2), st.floats(2, 50))
@settings(max_examples=60, deadline=None)
def test_fourth_order_high_pass_of_a_vented_box(total_q: float, alpha: float, h: float, ql: float) -> None:
    """Small, JAES 21 (1973): the response function of a vented box with leakage losses."""
    qms = 20.0
    driver = Driver("d", 6.0, 40.0, qms, 1 / (1 / total_q - 1 / qms), 0.03, 0.013)
    box = Box("vented", 0.03 / alpha, 40.0 * h, ql)
    assert qts(driver) == pytest.approx(total_q)
    x = 1j * FREQUENCY_HZ / (40.0 * np.sqrt(h))
    a1 = (ql + h * total_q) / (np.sqrt(h) * ql * total_q)
    a2 = (h + (alpha + 1 + h**2) * ql * total_q) / (h * ql * total_q)
    a3 = (h * ql + total_q) / (np.sqrt(h) * ql * total_q)
    shape = x**4 / (x**4 + a1 * x**3 + a2 * x**2 + a3 * x + 1)
    moving = mechanics(driver)
    far = driver.sd_m2 * moving.bl_t_m / (driver.re_ohm * moving.mms_kg)
    _, system = volume_velocity(driver, box, FREQUENCY_HZ)
    np.testing.assert_allclose(2j * np.pi * FREQUENCY_HZ * system, far * shape, rtol=1e-7)


def test_at_the_tuning_a_lossless_vent_holds_the_cone_still_and_the_impedance_at_re() -> None:
    driver = Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013)
    box = Box("vented", 0.014, 50.0)
    cone, system = volume_velocity(driver, box, [50.0])
    assert driver_impedance(driver, box, [50.0])[0] == pytest.approx(6.0, rel=1e-9)
    assert np.abs(cone[0]) < 1e-9 * np.abs(system[0])


def test_a_blocked_vent_leaves_one_peak_and_a_leak_lowers_both() -> None:
    driver = Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013)
    frequency = np.geomspace(10, 300, 2000)
    vented = Box("vented", 0.014, 50.0, 20.0)

    def peaks(box: Box) -> np.ndarray:
        ohm = np.abs(driver_impedance(driver, box, frequency))
        return ohm[1:-1][(ohm[1:-1] > ohm[:-2]) & (ohm[1:-1] > ohm[2:])]

    healthy, leaking = peaks(vented), peaks(replace(vented, leakage_q=2.0))
    assert healthy.size == leaking.size == 2
    assert np.all(leaking < healthy)
    assert peaks(replace(vented, kind="closed")).size == 1


def test_semi_inductance_is_the_stated_inductance_at_1_khz_and_rises_with_its_exponent() -> None:
    driver = Driver("d", 6.0, 20.0, 5.0, 0.5, 0.02, 0.013, le_h=1e-3, le_exponent=0.6)
    coil = blocked_impedance(driver, [1000.0, 16000.0]) - 6.0
    assert np.abs(coil[0]) == pytest.approx(2 * np.pi)
    assert np.log(np.abs(coil[1] / coil[0])) / np.log(16) == pytest.approx(0.6)
    assert np.angle(coil[1], deg=True) == pytest.approx(54.0)


@pytest.mark.parametrize("state", ["open", "short"])
def test_a_dead_driver_shows_its_state_and_does_not_move(state: str) -> None:
    driver = Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013, state=state)
    ohm = np.abs(driver_impedance(driver, Box("none"), FREQUENCY_HZ))
    assert np.all(ohm > 1e9) if state == "open" else np.all(ohm < 1e-6)
    assert not np.any(volume_velocity(driver, Box("none"), FREQUENCY_HZ))


def test_a_driver_wired_backwards_only_turns_its_motion() -> None:
    driver = Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013)
    turned = replace(driver, polarity=-1)
    np.testing.assert_array_equal(
        driver_impedance(turned, Box("none"), FREQUENCY_HZ), driver_impedance(driver, Box("none"), FREQUENCY_HZ)
    )
    np.testing.assert_array_equal(
        volume_velocity(turned, Box("none"), FREQUENCY_HZ)[0],
        -volume_velocity(driver, Box("none"), FREQUENCY_HZ)[0],
    )


def test_the_impedance_peak_stands_at_fs() -> None:
    driver = Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013)
    peak = minimize_scalar(
        lambda hz: -np.abs(driver_impedance(driver, Box("none"), [hz])[0]), bounds=(20, 90), method="bounded"
    )
    assert peak.x == pytest.approx(45.0, rel=1e-5)
    assert -peak.fun == pytest.approx(6.0 * (1 + 5.0 / 0.5), rel=1e-9)


@pytest.mark.parametrize(
    "changes",
    [{"re_ohm": 0.0}, {"qms": np.nan}, {"le_h": -1e-3}, {"le_exponent": 1.2}, {"polarity": 0}],
)
def test_a_driver_refuses_what_no_driver_is(changes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=f"driver d: {next(iter(changes))}"):
        replace(Driver("d", 6.0, 45.0, 5.0, 0.5, 0.02, 0.013), **changes)


@pytest.mark.parametrize("changes", [{"volume_m3": np.inf}, {"tuning_hz": 0.0}, {"leakage_q": -7.0}])
def test_a_box_refuses_what_no_box_is(changes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=f"box: {next(iter(changes))}"):
        replace(Box("closed", 0.01), **changes)


@given(st.floats(30, 300), st.floats(30, 300), st.floats(30, 300))
@settings(max_examples=30, deadline=None)
def test_at_the_tuning_the_losses_of_leak_damping_and_vent_add_alike(leak: float, damping: float, vent: float) -> None:
    """Small (1973): 1 / QB = 1 / QL + 1 / QA + 1 / QP, for small losses."""
    one, all_of_it = Box("vented", 0.02, 50.0, 1.0), Box("vented", 0.02, 50.0, leak, damping, vent)
    conductance = box_admittance(all_of_it, [50.0])[0].real / box_admittance(one, [50.0])[0].real
    assert conductance[0] == pytest.approx(1 / leak + 1 / damping + 1 / vent, rel=2e-3)
