"""Nodal analysis of a simulated box against the closed formulas of the lumped model: each is a test of the other."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_of_many import one_unit
from scipy.special import j1

from rig.circuit.box import Box
from rig.circuit.channel import (
    Branch,
    Channel,
    ElectronicFilter,
    Tone,
    driver_voltage,
    filter_response,
    impedance_ohm,
    tone_response,
    with_driver,
    with_part,
)
from rig.circuit.driver import Driver
from rig.circuit.notation import parse_element
from rig.circuit.radiation import pressure_pa
from rig.circuit.tolerance import draw
from rig.design.fault_kinds import AROUND_FAULTS, BENCH_FAULTS, UNIT_FAULTS
from rig.design.kit import load_kit
from rig.findings.dictionary import hypotheses_of
from rig.simulated import physics
from rig.simulated.changes import BENCH_CHANGES, UNIT_CHANGES
from rig.simulated.elements import LEAD, designed, drawn, speaker_of
from rig.simulated.nodal import GROUND, Net

ROOT = Path(__file__).parents[2]
F = np.geomspace(5.0, 24000.0, 300)
ASIDE_M = (0.25, 0.1, 0.43)
MODELS = [
    load_kit(ROOT, kit).model(channel)
    for kit, channel in (("booth-two", "left"), ("rehearsal-three", "left"), ("rehearsal-three", "bass"))
]
EACH = pytest.mark.parametrize("model", MODELS, ids=lambda model: f"{model.name} of {len(model.drivers)}")
WOOFER = Driver("woofer", 6.0, 45.0, 4.0, 0.45, 0.012, 0.01, 0.6e-3, 0.7, position_m=(0.0, 0.1))
PAIR = Channel(
    "pair",
    tuple(
        Branch(replace(WOOFER, name=name), (parse_element(f"series L{n} 0.5 mH (0.2 ohm) | R{n} 22 ohm"),))
        for n, name in enumerate(("upper", "lower"), 1)
    ),
    Box("vented", 0.03, 40.0, 8.0),
    0.2,
)


def assert_alike(model: Channel) -> None:
    """Impedance, and sound aside of the axis, over the whole band."""
    speaker = speaker_of(model, designed)
    own_ohm, own_pa = physics.driven(speaker, F).lead_ohm, physics.pressure_pa(speaker, ASIDE_M, F, 343.0)
    assert own_ohm == pytest.approx(np.ravel(impedance_ohm(model, F)), rel=1e-6)
    model_pa = np.ravel(pressure_pa(replace(model, filter=None), F, 1.0, ASIDE_M))
    # Relative to the curve about it: where two drivers cancel each other nothing is known to a part in a million.
    assert np.max(np.abs(own_pa - model_pa) / np.maximum(np.abs(model_pa), 1e-4 * np.max(np.abs(model_pa)))) < 1e-6


@EACH
def test_the_design(model: Channel) -> None:
    assert_alike(model)


@EACH
def test_the_voltage_of_each_coil(model: Channel) -> None:
    speaker = speaker_of(model, designed)
    solved = physics.driven(speaker, F)
    for coil, volts in zip(speaker.coils, driver_voltage(model, F), strict=True):
        wire = 1 / physics._coil_admittance(coil, 2 * np.pi * F)
        own = solved.coil_a[coil.name] * wire + coil.force_factor * solved.velocity[coil.name]
        assert own == pytest.approx(np.ravel(volts), rel=1e-6)


@EACH
def test_a_unit_drawn_from_the_same_chance(model: Channel) -> None:
    unit = one_unit(draw(model, np.random.default_rng(7), 1), 0)
    own = physics.driven(speaker_of(model, drawn(np.random.default_rng(7))), F).lead_ohm
    assert own == pytest.approx(np.ravel(impedance_ohm(unit, F)), rel=1e-6)


def test_two_equal_drivers_on_one_air() -> None:
    assert_alike(PAIR)


def test_no_box_no_baffle() -> None:
    assert_alike(Channel("open", (Branch(WOOFER),)))


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_any_design(seed: int) -> None:
    chance = np.random.default_rng(seed)
    design = MODELS[0]
    for name in ("L1", "C1", "C2", "C3", "L2"):
        design = with_part(design, name, value=10 ** chance.uniform(-6, -2.5), series_ohm=chance.uniform(0.01, 1))
    design = with_driver(design, "woofer", qms=chance.uniform(1, 8), qes=chance.uniform(0.2, 2), le_exponent=1.0)
    assert_alike(design)


@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
@pytest.mark.parametrize(("alignment", "order"), [("butterworth", 2), ("butterworth", 4), ("linkwitz-riley", 4)])
def test_the_electronic_filter(kind: str, alignment: str, order: int) -> None:
    electronic = ElectronicFilter(kind, 120.0, order, alignment)  # type: ignore[arg-type]
    assert physics.filter_gain(electronic, F) == pytest.approx(filter_response(electronic, F), rel=1e-9)


@pytest.mark.parametrize(
    "tone", [Tone("low-shelf", 120.0, 6.0), Tone("high-shelf", 3000.0, -4.0), Tone("peak", 900.0, 5.0, 2.0)]
)
def test_a_tone_control(tone: Tone) -> None:
    found = tone_response(tone, F)
    assert physics.tone_gain(tone, F) == pytest.approx(found, rel=1e-9)
    # Half of the decibels at its frequency, all of them at the peak; none on the other side.
    at = 20 * np.log10(np.abs(tone_response(tone, [tone.hz])))
    assert at == pytest.approx(tone.gain_db / (1 if tone.kind == "peak" else 2), abs=1e-6)
    far = 20 * np.log10(np.abs(tone_response(tone, [0.5, 2e5])))
    assert np.sort(np.abs(far)) == pytest.approx([0.0, 0.0 if tone.kind == "peak" else abs(tone.gain_db)], abs=0.02)


def test_the_strips_of_a_disc_add_up_to_its_directivity() -> None:
    lag = np.geomspace(1e-3, 60.0, 500)
    assert physics._strips(lag) == pytest.approx(2 * j1(lag) / lag, abs=1e-9)


def test_a_net_against_a_solver_of_dense_matrices() -> None:
    chance, size = np.random.default_rng(1), 9
    nodes = [f"n{n}" for n in range(size)]
    net, dense = Net(), np.zeros((size, size), dtype=np.complex128)
    for a in range(size):
        for b in [*range(a), None]:
            if b is None or chance.random() < 0.4:
                admittance = chance.uniform(0.1, 2) + 1j * chance.normal()
                net.join(nodes[a], GROUND if b is None else nodes[b], np.array([admittance]))
                dense[a, a] += admittance
                if b is not None:
                    dense[b, b] += admittance
                    dense[[a, b], [b, a]] -= admittance
    flow, potentials = net.solve("n0")
    expected = np.linalg.solve(dense[1:, 1:], -dense[1:, 0])
    assert [potentials[node][0] for node in nodes[1:]] == pytest.approx(expected, rel=1e-12)
    assert flow[0] == pytest.approx(dense[0, 0] + dense[0, 1:] @ expected, rel=1e-12)


def test_where_all_is_open_only_dirt_is_left() -> None:
    broken = speaker_of(MODELS[0], designed)
    for name in broken.parts:
        broken = broken.with_part(name, state="open")
    solved = physics.driven(broken, F)
    assert np.all(np.abs(solved.lead_ohm) > 1e8)
    assert all(np.all(np.isfinite(velocity)) for velocity in solved.velocity.values())
    assert broken.coils[0].node != LEAD


def test_every_fault_of_the_table_can_be_built_in_and_those_that_curves_show_are_looked_for() -> None:
    assert UNIT_CHANGES.keys() == UNIT_FAULTS.keys() | AROUND_FAULTS.keys()
    assert BENCH_CHANGES.keys() == BENCH_FAULTS.keys()
    sought = {h.cause.kind for model in MODELS for h in hypotheses_of(model, ["right"])}
    named = {finding for kind in UNIT_FAULTS.values() for finding in kind.places.values()}
    assert sought <= named
    assert named - sought == {"humming", "hissing", "rub or rattle", "particle", "blowing", "bent"}
