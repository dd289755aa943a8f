"""Driver parameters and radiation against published relations."""

import numpy as np
import pytest
from reference_csv import rows
from scipy.optimize import minimize_scalar

from rig.circuit.box import Box, driver_impedance
from rig.circuit.channel import Branch, Channel, impedance_ohm
from rig.circuit.driver import Driver, mechanics, qts
from rig.circuit.fit import fit_impedance
from rig.circuit.radiation import microphone_at, piston_directivity, pressure_pa

# source: definitions of Thiele (1971) and Small (1972); see the table.
CHAIN = {row["quantity"]: float(row["value"]) for row in rows("driver_parameter_chain")}
DRIVER = Driver(
    "small driver",
    CHAIN["re"],
    CHAIN["fs"],
    CHAIN["qms"],
    CHAIN["qes"],
    CHAIN["vas"] * 1e-3,
    CHAIN["sd"] * 1e-4,
)


def impedance_peak_hz(box: Box) -> float:
    found = minimize_scalar(
        lambda hz: -np.abs(driver_impedance(DRIVER, box, [hz])[0]),
        bounds=(20, 200),
        method="bounded",
        options={"xatol": 1e-6},
    )
    return float(found.x)


def test_mechanical_quantities_behind_the_small_signal_parameters() -> None:
    moving = mechanics(DRIVER)
    assert moving.mms_kg == pytest.approx(CHAIN["mms"] * 1e-3, rel=1e-5)
    assert moving.cms_m_n == pytest.approx(CHAIN["cms"], rel=1e-5)
    assert moving.rms_n_s_m == pytest.approx(CHAIN["rms"], rel=1e-5)
    assert moving.bl_t_m == pytest.approx(CHAIN["bl"], rel=1e-5)
    assert qts(DRIVER) == pytest.approx(CHAIN["qts"], rel=1e-5)


def test_impedance_peak_in_free_air_and_in_a_closed_box() -> None:
    assert impedance_peak_hz(Box("none")) == pytest.approx(CHAIN["fs"], rel=1e-5)
    assert np.abs(driver_impedance(DRIVER, Box("none"), [CHAIN["fs"]])[0]) == pytest.approx(CHAIN["zmax"], rel=1e-5)
    assert impedance_peak_hz(Box("closed", 5e-3)) == pytest.approx(CHAIN["fc_in_closed_box_5L"], rel=1e-5)


def test_q_in_a_closed_box_from_its_impedance_curve() -> None:
    channel = Channel("c", (Branch(DRIVER),), Box("closed", 5e-3))
    frequency = np.geomspace(20, 500, 60)
    fit = fit_impedance(channel, frequency, impedance_ohm(channel, frequency), DRIVER.name)
    assert fit.values["qtc"] == pytest.approx(CHAIN["qtc_in_closed_box_5L"], rel=1e-5)
    assert fit.values["fc_hz"] == pytest.approx(CHAIN["fc_in_closed_box_5L"], rel=1e-5)


def test_resonance_with_added_mass() -> None:
    moving = mechanics(DRIVER)
    heavy = 1 / (2 * np.pi * np.sqrt((moving.mms_kg + 8e-3) * moving.cms_m_n))
    assert heavy == pytest.approx(CHAIN["fs_with_added_mass_8g"], rel=1e-5)


def test_reference_efficiency_from_pressure_in_a_half_space() -> None:
    """Radiated power over V^2 / Re, well above resonance; half a sphere of p^2 / (rho c)."""
    distance = 100.0
    pressure = pressure_pa(
        Channel("c", (Branch(DRIVER),)), [100 * CHAIN["fs"]], 1.0, microphone_at(distance), CHAIN["c0"]
    )
    watt = np.abs(pressure[0]) ** 2 / (CHAIN["rho0"] * CHAIN["c0"]) * 2 * np.pi * distance**2
    assert 100 * watt * CHAIN["re"] == pytest.approx(CHAIN["eta0"], rel=1e-3)


def test_half_power_angle_of_a_piston() -> None:
    """Source: from memory, the -3 dB point of 2 J1(x)/x at x = 1.616 (Morse and Ingard, Theoretical Acoustics)."""
    assert 20 * np.log10(piston_directivity(1.616)) == pytest.approx(-3.01, abs=0.01)


def test_a_small_full_range_driver_falls_off_axis_from_about_3_khz() -> None:
    """Common practice, no source: at 15 degrees a little, at 30 more, from about 3 kHz; driver of about 3 inches."""
    driver = Driver("full range", 6.5, 110.0, 4.0, 0.7, 1.3e-3, np.pi * 0.030**2, 0.1e-3, 0.7, nominal_ohm=8.0)
    channel = Channel("c", (Branch(driver),), Box("closed", 2e-3), 0.12)
    frequency = np.array([500.0, 1500.0, 3000.0, 6000.0, 10000.0])
    on_axis = np.abs(pressure_pa(channel, frequency, 1.0, microphone_at(1.0)))
    at_15, at_30 = (
        20 * np.log10(np.abs(pressure_pa(channel, frequency, 1.0, microphone_at(1.0, angle))) / on_axis)
        for angle in (15.0, 30.0)
    )
    assert np.all(np.abs(at_30[:2]) < 0.5)
    assert -1.5 < at_30[2] < -0.5
    assert np.all(np.diff(at_15) < 0)
    assert np.all(np.diff(at_30) < 0)
    assert np.all(at_30[2:] < at_15[2:])
    assert at_15[4] < -1.5
    assert at_30[4] < -6.0
