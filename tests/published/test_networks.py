"""Passive networks and electronic filters against published components and levels."""

import re

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_csv import rows

from rig.circuit.channel import Branch, Channel, ElectronicFilter, filter_response, impedance_ohm
from rig.circuit.driver import Driver
from rig.circuit.ladder import ladder
from rig.circuit.notation import parse_element

NETWORKS = rows("passive_networks")


def into_resistor(
    elements: list[str], frequency_hz: NDArray[np.float64], load_ohm: float
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Input impedance and level in dB at a resistor behind a network."""
    load = np.full(frequency_hz.shape, load_ohm + 0j)
    impedance, transfer = ladder([parse_element(text) for text in elements], frequency_hz, load)
    return impedance, 20 * np.log10(np.abs(transfer))


def values_of(network: str, inputs: str) -> dict[str, float]:
    chosen = [row for row in NETWORKS if row["network"] == network and row["inputs"] == inputs]
    return {row["quantity"]: float(row["value"]) for row in chosen}


def inputs_of(network: str) -> list[str]:
    return sorted({row["inputs"] for row in NETWORKS if row["network"] == network})


# source: circuit theory; see the table.
@pytest.mark.parametrize("inputs", inputs_of("l_pad"))
def test_l_pad_keeps_the_load_and_attenuates_as_designed(inputs: str) -> None:
    load_ohm, attenuation_db = map(float, re.findall(r"[\d.]+", inputs))
    pad = values_of("l_pad", inputs)
    elements = [f"series R1 {pad['r_series_ohm']} ohm", f"shunt R2 {pad['r_shunt_ohm']} ohm"]
    impedance, level_db = into_resistor(elements, np.array([1000.0]), load_ohm)
    assert np.abs(impedance[0]) == pytest.approx(load_ohm, rel=1e-4)
    assert level_db[0] == pytest.approx(-attenuation_db, abs=1e-3)


# source: circuit theory; exact for a pure inductance; see the table.
@pytest.mark.parametrize("inputs", inputs_of("zobel_exact"))
def test_exact_zobel_network_makes_a_coil_driver_a_resistor(inputs: str) -> None:
    re_ohm, le_mh = map(float, re.findall(r"[\d.]+", inputs))
    zobel = values_of("zobel_exact", inputs)
    frequency = np.geomspace(20, 20000, 31)
    driver = re_ohm + 2j * np.pi * frequency * le_mh * 1e-3
    network = parse_element(f"shunt R1 {zobel['r_ohm']} ohm + C1 {zobel['c_uF']} uF")
    impedance, _ = ladder([network], frequency, driver)
    np.testing.assert_allclose(impedance, np.full(31, re_ohm + 0j), rtol=1e-5)


# source: a rule of thumb found in a forum archive, Rc = 1.25 Re; see the table.
def test_zobel_rule_of_thumb_leads_a_coil_driver_from_re_to_a_quarter_more() -> None:
    zobel = values_of("zobel_rule_of_thumb", "Re=6 ohm Le=0.5 mH; Rc=1.25*Re, C=Le/Rc^2 (found in a forum archive)")
    zobel |= values_of("zobel_rule_of_thumb", "Re=6 ohm Le=0.5 mH")
    frequency = np.array([20.0, 200e3])
    network = parse_element(f"shunt R1 {zobel['r_ohm']} ohm + C1 {zobel['c_uF']} uF")
    impedance, _ = ladder([network], frequency, 6.0 + 2j * np.pi * frequency * 0.5e-3)
    np.testing.assert_allclose(np.abs(impedance), [6.0, 1.25 * 6.0], rtol=1e-3)
    assert zobel["r_ohm"] == 6.0 * 1.25
    assert 0.5e-3 / zobel["r_ohm"] ** 2 * 1e6 == pytest.approx(zobel["c_uF"], rel=1e-6)


# source: circuit theory; see the table.
@pytest.mark.parametrize("inputs", inputs_of("rl_contour"))
def test_contour_network_steps_down_through_its_centre(inputs: str) -> None:
    contour = values_of("rl_contour", inputs)
    load_ohm = float(re.findall(r"[\d.]+", inputs)[0])
    gains = {key: value for key, value in contour.items() if key.startswith("gain_db_at_")}
    frequency = np.array([float(re.sub(r"\D", "", key)) for key in gains])
    element = f"series L1 {contour['l_mH']} mH | R1 {contour['r_ohm']} ohm"
    _, level_db = into_resistor([element], frequency, load_ohm)
    assert len(gains) == 3
    np.testing.assert_allclose(level_db, list(gains.values()), atol=1e-3)


# source: handbook constants found on two public calculator pages, and ladder synthesis; see the table.
COMPONENTS = rows("crossover_components")


@pytest.mark.parametrize(("column", "hz"), [("value_8ohm_1kHz", 1000.0), ("value_8ohm_2500Hz", 2500.0)])
@pytest.mark.parametrize(
    ("alignment", "order", "branch"),
    sorted({(row["alignment"], int(row["order"]), row["branch"]) for row in COMPONENTS}),
)
def test_published_components_make_the_published_filter(
    alignment: str, order: int, branch: str, column: str, hz: float
) -> None:
    elements = [
        f"{row['position']} {row['component']} {row[column]} {row['unit']}"
        for row in COMPONENTS
        if (row["alignment"], int(row["order"]), row["branch"]) == (alignment, order, branch)
    ]
    x = np.geomspace(0.1, 10, 21)
    _, level_db = into_resistor(elements, hz * x, 8.0)
    if branch == "highpass":
        x = 1 / x
    # Butterworth (1930); Linkwitz-Riley of order two is the Butterworth of order one twice.
    published = -10 * np.log10(1 + x ** (2 * order)) if alignment == "Butterworth" else -20 * np.log10(1 + x**2)
    assert len(elements) == order
    np.testing.assert_allclose(level_db, published, atol=0.002)


# source: Linkwitz (JAES 1976), Garde (JAES 1980); see the table.
@pytest.mark.parametrize(
    "row", rows("crossover_response_points"), ids=lambda row: f"{row['alignment']}{row['order']} {row['f_over_fc']}"
)
def test_electronic_crossover_levels(row: dict[str, str]) -> None:
    order, x = int(row["order"]), float(row["f_over_fc"])
    alignment = "butterworth" if row["alignment"] == "Butterworth" else "linkwitz-riley"
    low, high = (
        filter_response(ElectronicFilter(kind, 1000.0, order, alignment), [1000.0 * x])[0]
        for kind in ("lowpass", "highpass")
    )
    for column, response in (
        ("lowpass_db", low),
        ("highpass_db", high),
        ("sum_db", low + high),
        ("difference_db", low - high),
    ):
        published = float(row[column])
        if np.isinf(published):
            assert np.abs(response) < 1e-9, column
        else:
            assert 20 * np.log10(np.abs(response)) == pytest.approx(published, abs=1e-3), column


def test_a_coil_with_a_resistor_across_it_begins_to_tilt_the_response_from_about_900_hz() -> None:
    """Common practice, no source: 0.2 mH with 5.6 ohm across it, ahead of an 8 ohm driver taken as a resistor."""
    frequency = np.array([100.0, 900.0, 3000.0, 20000.0])
    _, level_db = into_resistor(["series L1 0.2 mH | R1 5.6 ohm"], frequency, 8.0)
    assert np.all(np.diff(level_db) < 0)
    assert -0.5 < level_db[1] < -0.1
    assert level_db[0] > -0.02
    assert level_db[3] < -4.0


def test_an_amplifier_gives_half_its_2_ohm_power_into_4_ohm() -> None:
    """Common practice, no source: a voltage source. Two equal 4 ohm drivers in parallel are the 2 ohm load."""
    driver = Driver("one", 3.4, 60.0, 4.0, 0.5, 0.01, 0.009, 0.3e-3, 0.7, nominal_ohm=4.0)
    other = Driver("two", 3.4, 60.0, 4.0, 0.5, 0.01, 0.009, 0.3e-3, 0.7, nominal_ohm=4.0)
    frequency = np.geomspace(100, 5000, 20)
    into_4, into_2 = (
        10.0**2 * (1 / impedance_ohm(Channel("c", branches), frequency)).real
        for branches in ((Branch(driver),), (Branch(driver), Branch(other)))
    )
    np.testing.assert_allclose(into_4 / into_2, np.full(20, 0.5), rtol=1e-9)
