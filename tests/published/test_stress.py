"""Power in parts, filter curves and reflections against textbooks and examples worked by hand."""

import numpy as np
import pytest
from reference_csv import rows

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, driver_voltage
from rig.circuit.driver import Driver
from rig.circuit.notation import parse_element
from rig.circuit.stress import noise_lines_v, of_noise, of_sweep, stresses
from rig.design.jig import JigSpec, Reflection, gate_before, reflections


def resistor_driver(ohm: float) -> Driver:
    """A driver that is a resistance: its cone hardly moves, and its coil has no inductance."""
    return Driver("load", ohm, 50.0, 1e-9, 1e9, 0.01, 0.01)


def behind(*network: str, ohm: float = 8.0) -> Channel:
    return Channel("one", (Branch(resistor_driver(ohm), tuple(map(parse_element, network))),), Box("none"))


# source: worked by hand with Ohm's law. 8 ohm behind an L-pad of 6 dB (3.990 ohm, 8.038 ohm; circuit theory, see
# passive_networks.csv) at 8 V: 1 A flows in (8 ohm at its input), 3.99 W stay in the series resistor; 4.01 V lie across
# the 8.038 ohm and the driver, which take 4.01^2 / 8.038 = 2.000 W and 4.01^2 / 8 = 2.010 W: 8 W together.
def test_power_in_an_l_pad_worked_by_hand() -> None:
    found = {s.name: of_sweep(s) for s in stresses(behind("series R1 3.990 ohm", "shunt R2 8.038 ohm"), [1000.0], 8.0)}
    assert found["R1"].watts == pytest.approx(3.990, rel=2e-3)
    assert found["R2"].watts == pytest.approx(2.000, rel=2e-3)
    assert found["load"].watts == pytest.approx(2.010, rel=2e-3)
    assert found["R1"].amperes == pytest.approx(1.0, rel=1e-3)
    assert found["load"].volts == pytest.approx(4.010, rel=1e-3)


# source: worked by hand. 10 V on 10 mH (wire of 1 ohm) and 101.3 uF in series with 8 ohm, at their resonance 158.1 Hz:
# what is left is 9 ohm, so 1.1111 A; the coil's reactance is 9.935 ohm: 11.04 V and 1.2346 W in its wire; the capacitor
# has the same 11.04 V and no heat; the load 9.8765 W.
def test_power_and_volts_at_the_resonance_of_a_series_circuit() -> None:
    channel = behind("series L1 10 mH (1 ohm)", "series C1 101.3212 uF")
    found = {s.name: of_sweep(s) for s in stresses(channel, [158.1139], 10.0)}
    assert found["L1"].amperes == pytest.approx(10 / 9, rel=1e-4)
    assert found["L1"].watts == pytest.approx(100 / 81, rel=1e-4)
    assert found["L1"].volts == pytest.approx(np.hypot(9.9346, 1) * 10 / 9, rel=1e-4)
    assert found["C1"].volts == pytest.approx(9.9346 * 10 / 9, rel=1e-4)
    assert found["C1"].watts == pytest.approx(0.0, abs=1e-6)
    assert found["load"].watts == pytest.approx(8 * 100 / 81, rel=1e-4)


# source: conservation of energy: all that goes in at the leads is heat in parts and drivers.
def test_what_goes_in_is_what_all_parts_take() -> None:
    channel = behind(
        "series L1 1 mH (0.3 ohm) | R1 5.6 ohm + (C9 3 uF | R9 100 ohm)",
        "shunt C1 6.8 uF",
        "shunt R2 6.8 ohm + C2 12 uF",
    )
    hz = np.geomspace(20, 20000, 61)
    every = stresses(channel, hz, 5.0)
    assert [s.name for s in every] == ["L1", "R1", "C9", "R9", "C1", "R2", "C2", "load"]
    into = every[0].amperes + every[1].amperes
    np.testing.assert_allclose(sum(s.watts for s in every), (5.0 * np.conj(into)).real, rtol=1e-9)


# source: S. Butterworth, "On the Theory of Filter Amplifiers" (1930), in the components of crossover_components.csv:
# a second-order Butterworth low-pass, |H|^2 = 1 / (1 + (f / f0)^4), with L = R sqrt(2) / w0 and C = 1 / (R sqrt(2) w0).
@pytest.mark.parametrize("at", [0.25, 0.5, 1.0, 2.0, 4.0])
def test_second_order_butterworth_filter_curve(at: float) -> None:
    w0 = 2 * np.pi * 1000.0
    low = behind(f"series L1 {8 * np.sqrt(2) / w0 * 1e3} mH", f"shunt C1 {1e6 / (8 * np.sqrt(2) * w0)} uF")
    curve = np.abs(driver_voltage(low, [1000.0 * at])[0, 0])
    assert curve == pytest.approx(1 / np.sqrt(1 + at**4), rel=1e-6)
    high = behind(f"series C1 {1e6 / (8 * np.sqrt(2) * w0)} uF", f"shunt L1 {8 * np.sqrt(2) / w0 * 1e3} mH")
    assert np.abs(driver_voltage(high, [1000.0 * at])[0, 0]) == pytest.approx(at**2 / np.sqrt(1 + at**4), rel=1e-6)


# source: the definition of the RMS value of uncorrelated lines; pink noise has equal power in equal parts of an octave.
def test_noise_shares_its_power_among_its_lines() -> None:
    lines = noise_lines_v(3.0, np.ones(100))
    hz = np.geomspace(20, 20000, 100)
    load = of_noise(stresses(behind(), hz, lines)[0])
    assert load.volts == pytest.approx(3.0)
    assert load.watts == pytest.approx(9 / 8, rel=1e-6)


# source: image-source geometry; see the table.
@pytest.mark.parametrize("row", rows("reflection_gate"), ids=lambda row: row["gate_ms"])
def test_first_reflection_of_a_jig(row: dict[str, str]) -> None:
    jig = JigSpec(floor_m=float(row["surface_distance_m"]), ceiling_m=9.0)
    first, last = reflections(jig, float(row["spacing_m"]), float(row["c_m_per_s"]))
    assert first.later_ms == pytest.approx(float(row["gate_ms"]), rel=1e-5)
    assert (first.words, last.words) == ("the floor", "the ceiling")


def test_a_gate_ends_before_the_reflection() -> None:
    assert gate_before(Reflection("the floor", 4.5526)) == 4.3
