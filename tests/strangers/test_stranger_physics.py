"""The strangers' physics against closed forms: it must be right before the rig is measured on them."""

from dataclasses import replace

import numpy as np
import pytest

from strangers import nodal, stepping
from strangers.air import Baffle, Place, piston_directivity, transfer
from strangers.designs import DESIGNS, WOOFER_13
from strangers.driver import DENSITY_KG_M3, SOUND_M_S, Hidden, driver_elements, moving_coil, surfaces
from strangers.enclosure import BOX, STIFFNESS_PA, Enclosure, box_elements
from strangers.network import parts_of
from strangers.nodal import GROUND, Line, Motor, OnePort, Piston, Series, damper, mass, spring
from strangers.population import GRID_HZ, LEAD, unit

F_HZ = np.geomspace(10.0, 20000.0, 60)
S = 2j * np.pi * F_HZ
BARE = Hidden(creep=0.0, surround=(0.0, 0.0, 1.0, 1.0), rim=(0.0, 0.0, 1.0))


def test_a_lossless_resonant_circuit() -> None:
    net = [Series("lead", "middle", inductance=1e-3), Series("middle", capacitance=10e-6)]
    current, potentials = nodal.solve(net, "lead", F_HZ)
    np.testing.assert_allclose(1 / current, S * 1e-3 + 1 / (S * 10e-6), rtol=1e-7)
    np.testing.assert_allclose(potentials["middle"], 1 / (1 + S**2 * 1e-8), rtol=1e-8)


def test_a_net_gives_the_same_both_ways() -> None:
    """Reciprocity: a volt here drives the current there that a volt there drives here."""

    def pipe(s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.full_like(s, 8.0), s / 343.0 + 0.1

    net = [
        Series("a", "m", resistance=3.0),
        Series("m", capacitance=20e-6),
        Line("m", "b", 0.4, pipe),
        OnePort("m", "b", lambda s: 1 / (2.0 * np.sqrt(s))),
    ]
    meter = 1e-6
    there = nodal.solve([*net, Series("b", resistance=meter)], "a", F_HZ)[1]["b"] / meter
    here = nodal.solve([*net, Series("a", resistance=meter)], "b", F_HZ)[1]["a"] / meter
    np.testing.assert_allclose(there, here, rtol=1e-5)


def test_above_its_resonance_a_mass_moves_as_its_force_lets_it() -> None:
    bl, ohm, kg = 6.0, 5.0, 0.01
    net = [Series("lead", "coil", resistance=ohm), Motor("coil", GROUND, "cone", bl), mass("cone", kg)]
    current, potentials = nodal.solve(net, "lead", F_HZ)
    np.testing.assert_allclose(potentials["cone"], bl * current / (S * kg), rtol=1e-9)
    np.testing.assert_allclose(1 / current, ohm + bl**2 / (S * kg), rtol=1e-9)


def test_power_that_enters_a_driver_is_power_that_is_lost_in_it() -> None:
    bl, ohm, loss = 6.0, 5.0, 0.8
    net = [
        Series("lead", "coil", resistance=ohm, inductance=3e-4),
        Motor("coil", GROUND, "cone", bl),
        mass("cone", 0.01),
        spring("cone", GROUND, 1e-3),
        damper("cone", GROUND, loss),
        Piston("cone", "air", 0.01),
        Series("air", capacitance=1e-7),
        Series("air", resistance=3e5),
    ]
    current, potentials = nodal.solve(net, "lead", F_HZ)
    lost = ohm * np.abs(current) ** 2 + loss * np.abs(potentials["cone"]) ** 2 + np.abs(potentials["air"]) ** 2 / 3e5
    np.testing.assert_allclose(current.real, lost, rtol=1e-6)


def test_a_bare_driver_in_a_tight_box_is_the_textbook_s() -> None:
    """R. H. Small, "Closed-Box Loudspeaker Systems", JAES 20 (1972): alpha, fc, Qtc, high-pass of second order."""
    sheet = replace(WOOFER_13, le_mh=1e-6)
    coil, litres = moving_coil("woofer", sheet, BARE), 9.0
    net = [
        *driver_elements(coil, "lead", BOX, stepped=False),
        Series(BOX, capacitance=litres * 1e-3 / STIFFNESS_PA),
    ]
    current, potentials = nodal.solve(net, "lead", F_HZ)
    alpha = sheet.vas_l / litres
    omega = 2 * np.pi * sheet.fs_hz * np.sqrt(1 + alpha)
    by = np.sqrt(1 + alpha)
    q_total = by * sheet.qms * sheet.qes / (sheet.qms + sheet.qes)
    x = S / omega
    moves = x**2 / (x**2 + x / q_total + 1) * coil.force_factor / (coil.re_ohm * coil.mass_kg)
    np.testing.assert_allclose(S * potentials["woofer cone"], moves, rtol=1e-4)
    at_leads = sheet.re_ohm * (1 + x / (by * sheet.qes) / (x**2 + x / (by * sheet.qms) + 1))
    np.testing.assert_allclose(1 / current, at_leads, rtol=1e-4)


def test_a_pipe_resonates_as_a_pipe() -> None:
    """Without losses and open at its far end it is Z0 j tan(k l): nothing enters at a quarter of a wave."""
    length, impedance = 0.2, 5000.0
    net = [
        Line("mouth", "end", length, lambda s: (np.full_like(s, impedance), s / SOUND_M_S)),
        Series("end", resistance=1e-6),
    ]
    current, _ = nodal.solve(net, "mouth", F_HZ)
    np.testing.assert_allclose(1 / current, 1j * impedance * np.tan(2 * np.pi * F_HZ * length / SOUND_M_S), rtol=1e-4)


def test_a_port_tunes_its_box() -> None:
    """Driven from within, the box lets least pressure build where port and air resonate, and the port's whole resonates
    near half a wave as a pipe does."""
    box = Enclosure("vented", 0.02, 45.0, leak_q=1e4, damping_q=1e4, port_radius_m=0.03)
    net = [*box_elements(box, stepped=False), Series("in", BOX, resistance=1e7)]
    fine_hz = np.geomspace(20.0, 3000.0, 4000)
    pressure = np.abs(nodal.solve(net, "in", fine_hz)[1][BOX])
    low = fine_hz < 150
    assert fine_hz[low][np.argmax(pressure[low])] == pytest.approx(45.0, rel=0.03)
    whole = box.port_length_m + 1.46 * box.port_radius_m
    assert np.gradient(np.sign(np.gradient(pressure)))[np.abs(fine_hz / (SOUND_M_S / 2 / whole) - 1) < 0.15].any()


@pytest.mark.parametrize("name", [name for name, design in DESIGNS.items() if design.stepped])
def test_stepped_through_time_a_net_does_what_it_does_over_frequency(name: str) -> None:
    made = unit(DESIGNS[name], 5, "ST-0001")
    net = list(made.elements())
    moving = [node for coil in made.coils for node in surfaces(coil)]
    at_hz, current, potentials = stepping.solve(net, LEAD, moving)
    some = np.unique(np.searchsorted(at_hz, np.geomspace(20.0, 20000.0, 80)))
    expected, moves = nodal.solve(net, LEAD, at_hz[some])
    np.testing.assert_allclose(current[some], expected, rtol=0.005)
    for node in moving:
        loudest = np.max(np.abs(moves[node]))
        np.testing.assert_allclose(potentials[node][some], moves[node], rtol=0.005, atol=1e-4 * loudest)


def test_a_vented_box_can_be_stepped_too() -> None:
    made = unit(replace(DESIGNS["full-range"], stepped=True), 5, "ST-0001")
    at_hz, current, _ = stepping.solve(list(made.elements()), LEAD, [])
    some = np.unique(np.searchsorted(at_hz, np.geomspace(20.0, 20000.0, 80)))
    np.testing.assert_allclose(current[some], nodal.solve(list(made.elements()), LEAD, at_hz[some])[0], rtol=0.005)


def test_what_is_known_over_frequency_only_cannot_be_stepped() -> None:
    with pytest.raises(TypeError, match="constants"):
        stepping.solve([OnePort("lead", GROUND, lambda s: np.sqrt(s))], "lead", [])


@pytest.mark.parametrize("name", DESIGNS)
def test_no_unit_gives_back_more_than_it_gets(name: str) -> None:
    for seed in (1, 2):
        made = unit(DESIGNS[name], seed, "ST-0001")
        assert np.min(made.impedance_ohm("box", GRID_HZ).real) > 0


def test_between_the_points_of_the_grid_a_unit_is_what_its_net_is() -> None:
    made = unit(DESIGNS["three-way"], 3, "ST-0001")
    between_hz = np.sqrt(GRID_HZ[:-1] * GRID_HZ[1:])[300:2700:37]
    current, _ = nodal.solve(list(made.elements()), LEAD, between_hz)
    np.testing.assert_allclose(made.impedance_ohm("box", between_hz), 1 / current, rtol=1e-4)


def test_a_small_piston_on_a_huge_baffle_fills_half_space() -> None:
    """p = rho q / (2 pi r); the edges are so far that what they send arrives 40 dB lower."""
    frequency_hz = np.geomspace(100.0, 2000.0, 30)
    huge = Baffle(400.0, 400.0, 400.0)
    heard = transfer(Place(0.0, 0.0, 1e-4), huge, (0.3, 0.0, 1.0), None, SOUND_M_S, frequency_hz)
    path = np.hypot(0.3, 1.0)
    expected = DENSITY_KG_M3 / (2 * np.pi * path) * np.exp(-2j * np.pi * frequency_hz * path / SOUND_M_S)
    np.testing.assert_allclose(heard, expected, rtol=0.01)


def test_a_box_radiates_all_round_at_low_frequencies_and_an_open_baffle_nothing() -> None:
    low_hz = np.array([1.0])
    place, closed = Place(0.0, 0.0, 1e-3), Baffle(0.1, 0.1, 0.1)
    half_space = DENSITY_KG_M3 / (2 * np.pi * 3.0)
    heard = transfer(place, closed, (0.0, 0.0, 3.0), None, SOUND_M_S, low_hz)
    assert np.abs(heard[0]) == pytest.approx(half_space / 2, rel=0.01)
    open_back = transfer(place, replace(closed, open_depth_m=0.05), (0.0, 0.0, 3.0), None, SOUND_M_S, low_hz)
    assert np.abs(open_back[0]) < 0.01 * half_space


def test_a_piston_is_silent_where_the_textbook_has_its_first_zero() -> None:
    """J1 is zero at 3.8317; 2 J1(x) / x = 1 - x**2 / 8 for small x."""
    assert piston_directivity(np.array([3.8317]))[0] == pytest.approx(0.0, abs=1e-5)
    assert piston_directivity(np.array([0.1, 0.0])) == pytest.approx([1 - 0.01 / 8, 1.0], abs=1e-6)


def test_a_microphone_behind_the_baffle_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        transfer(Place(0.0, 0.0, 1e-3), Baffle(0.1, 0.1, 0.1), (0.0, 0.0, -1.0), None, SOUND_M_S, F_HZ)


def test_a_line_of_the_kit_becomes_its_parts() -> None:
    parts, end = parts_of("w", ["series L1 0.82 mH (0.3 ohm) | R1 5.6 ohm", "shunt R2 6.8 ohm + C2 12 uF"], "lead")
    told = [(part.name, part.value, part.a, part.b) for part in parts]
    assert told == [
        ("L1", pytest.approx(0.82e-3), "lead", "w 1"),
        ("R1", 5.6, "lead", "w 1"),
        ("R2", 6.8, "w 1", "w 2.1.1"),
        ("C2", pytest.approx(12e-6), "w 2.1.1", GROUND),
    ]
    assert (end, parts[0].series_ohm) == ("w 1", 0.3)
    with pytest.raises(ValueError, match="is no part"):
        parts_of("w", ["series X1 3 uF"], "lead")
