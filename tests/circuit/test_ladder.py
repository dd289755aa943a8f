import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rig.circuit.impedances import element_impedance, part_impedance
from rig.circuit.ladder import ladder
from rig.circuit.notation import parse_element
from rig.circuit.parts import Element, Part

FREQUENCY_HZ = np.geomspace(10, 30000, 31)
MAGNITUDES = {"R": st.floats(0.01, 1e3), "L": st.floats(1e-6, 0.1), "C": st.floats(1e-9, 1e-2)}
STATES = st.sampled_from(["ok", "ok", "ok", "open", "short"])


@st.composite
def parts(draw: st.DrawFn, states: st.SearchStrategy[str] = STATES) -> Part:
    kind = draw(st.sampled_from("RLC"))
    return Part(f"{kind}1", kind, draw(MAGNITUDES[kind]), draw(st.floats(0, 2)), state=draw(states))


def ladders(states: st.SearchStrategy[str] = STATES) -> st.SearchStrategy[list[Element]]:
    chain = st.lists(parts(states), min_size=1, max_size=2).map(tuple)
    group = st.lists(chain, min_size=1, max_size=2).map(tuple)
    return st.lists(st.builds(Element, st.sampled_from(["series", "shunt"]), group), max_size=5)


@given(ladders(), st.floats(0.1, 100))
@settings(max_examples=60, deadline=None)
def test_a_ladder_is_passive_and_finite_whatever_is_open_or_short(elements: list[Element], load: float) -> None:
    impedance, transfer = ladder(elements, FREQUENCY_HZ, np.full(FREQUENCY_HZ.shape, load + 0j))
    assert np.all(np.isfinite(impedance))
    assert np.all(np.isfinite(transfer))
    assert np.all(impedance.real >= 0)
    # What the load takes is no more than what goes in.
    taken, given_power = np.abs(transfer) ** 2 / load, (1 / impedance).real
    assert np.all(taken <= given_power * (1 + 1e-6) + 1e-12)


@given(ladders(st.just("ok")), st.floats(0.1, 100), st.floats(0.1, 100))
@settings(max_examples=60, deadline=None)
def test_a_ladder_is_reciprocal(elements: list[Element], source: float, load: float) -> None:
    def current(chain: list[Element], source_ohm: float, load_ohm: float) -> np.ndarray:
        inner = Element("series", ((Part("R9", "R", source_ohm),),))
        _, transfer = ladder([inner, *chain], FREQUENCY_HZ, np.full(FREQUENCY_HZ.shape, load_ohm + 0j))
        return transfer / load_ohm

    there, back = current(elements, source, load), current(elements[::-1], load, source)
    np.testing.assert_allclose(back, there, rtol=1e-6, atol=1e-14)


@given(ladders(st.just("ok")), st.floats(0.1, 100))
@settings(max_examples=60, deadline=None)
def test_a_ladder_is_the_product_of_chain_matrices(elements: list[Element], load: float) -> None:
    matrix = np.broadcast_to(np.eye(2, dtype=complex), (FREQUENCY_HZ.size, 2, 2))
    for element in elements:
        own = element_impedance(element, FREQUENCY_HZ)
        one, zero = np.ones_like(own), np.zeros_like(own)
        rows = [[one, own], [zero, one]] if element.place == "series" else [[one, zero], [1 / own, one]]
        matrix = matrix @ np.moveaxis(np.array(rows), 2, 0)
    a, b, c, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 0], matrix[:, 1, 1]
    # Where the two terms all but cancel, the matrix product has lost its digits and proves nothing.
    assume(np.all(np.abs(a * load + b) > 1e-6 * (np.abs(a * load) + np.abs(b))))
    impedance, transfer = ladder(elements, FREQUENCY_HZ, np.full(FREQUENCY_HZ.shape, load + 0j))
    np.testing.assert_allclose(impedance, (a * load + b) / (c * load + d), rtol=1e-5)
    np.testing.assert_allclose(transfer, load / (a * load + b), rtol=1e-5)


def test_second_order_low_pass_has_its_closed_formula() -> None:
    s, inductance, capacitance, load = 2j * np.pi * FREQUENCY_HZ, 0.82e-3, 20e-6, 6.0
    _, transfer = ladder(
        [parse_element("series L1 0.82 mH"), parse_element("shunt C1 20 uF")],
        FREQUENCY_HZ,
        np.full(FREQUENCY_HZ.shape, load + 0j),
    )
    formula = 1 / (1 + s * inductance / load + s**2 * inductance * capacitance)
    np.testing.assert_allclose(transfer, formula, rtol=1e-8)


@pytest.mark.parametrize("kind", ["R", "L", "C"])
@pytest.mark.parametrize("value", [0.0, 1e-300, 1e300, np.inf])
@pytest.mark.parametrize("state", ["ok", "open", "short"])
def test_extreme_parts_stay_finite_from_zero_hertz(kind: str, value: float, state: str) -> None:
    frequency = np.array([0.0, 1.0, 1e3, 1e5])
    for place in ("series", "shunt"):
        element = Element(place, ((Part(f"{kind}1", kind, value, state=state),),))
        impedance, transfer = ladder([element], frequency, np.full(4, 8.0 + 0j))
        assert np.all(np.isfinite(impedance))
        assert np.all(np.isfinite(transfer))


def test_a_part_of_no_value_acts_as_a_wire_or_a_gap() -> None:
    ohm = {kind: np.abs(part_impedance(Part(f"{kind}1", kind, 0.0), FREQUENCY_HZ)) for kind in "RLC"}
    assert np.all(ohm["R"] < 1e-6)
    assert np.all(ohm["L"] < 1e-6)
    assert np.all(ohm["C"] > 1e9)


def test_a_lossless_series_resonance_across_the_leads_is_a_short() -> None:
    resonance = 1 / (2 * np.pi * np.sqrt(1e-3 * 1e-6))
    element = Element("shunt", ((Part("L1", "L", 1e-3), Part("C1", "C", 1e-6)),))
    impedance, _ = ladder([element], [resonance], np.array([8.0 + 0j]))
    assert np.abs(impedance[0]) < 1e-6


@pytest.mark.parametrize("frequency", [[-1.0], [np.nan], [np.inf]])
def test_impossible_frequencies_are_refused(frequency: list[float]) -> None:
    with pytest.raises(ValueError, match="frequency_hz"):
        part_impedance(Part("R1", "R", 1.0), frequency)


@pytest.mark.parametrize("group", [(), ((),)])
def test_an_element_needs_a_part(group: tuple[tuple[Part, ...], ...]) -> None:
    with pytest.raises(ValueError, match="at least one"):
        Element("series", group)


def test_a_coil_has_its_wire_and_a_capacitor_its_series_resistance() -> None:
    s = 2j * np.pi * FREQUENCY_HZ
    np.testing.assert_allclose(part_impedance(Part("L1", "L", 1e-3, 0.4), FREQUENCY_HZ), s * 1e-3 + 0.4, rtol=1e-8)
    np.testing.assert_allclose(
        part_impedance(Part("C1", "C", 1e-5, 0.2), FREQUENCY_HZ), 1 / (s * 1e-5) + 0.2, rtol=1e-6
    )
