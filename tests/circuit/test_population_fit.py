"""What good builds share: on units of the lumped model the truth comes back, on strangers what it leaves out too."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated_runs import ROOT
from strangers.designs import DESIGNS
from strangers.faults import faulty, parse
from strangers.kits import write_kit
from strangers.population import unit

from rig.circuit.builds_model import Build, Sight, shared_parameters
from rig.circuit.channel import Channel, channel_parts, find_driver, impedance_ohm, with_driver
from rig.circuit.nearest import largest_pull, nearest_good_unit, pulls_of_parts
from rig.circuit.population import Parameter, Population
from rig.circuit.population_fit import Learnt, learn_population
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.spread import SUSPENSION, drawn_good, moved, parameters
from rig.design.kit import load_kit
from rig.design.learnt_design import learnt_channel, learnt_model

SHEET = load_kit(ROOT, "booth-two").model("left")
Z_HZ = np.geomspace(10, 20000, 133)
AXIS = Sight("on axis", microphone_at(0.5), np.geomspace(250, 19000, 76), 1.8)


def measured(channel: Channel) -> Build:
    """A build without noise."""
    level = 20 * np.log10(np.abs(pressure_pa(channel, AXIS.frequency_hz, AXIS.lead_v, AXIS.microphone_m)) / 20e-6)
    levels = ((level.reshape(-1), np.zeros(AXIS.frequency_hz.size)),)
    return Build(impedance_ohm(channel, Z_HZ).reshape(-1), np.zeros(Z_HZ.size), levels)


def units(mean: Channel, seed: int, count: int) -> list[Build]:
    among = parameters(mean)
    random = np.random.default_rng(seed)
    return [measured(moved(mean, among, random.standard_normal((1, len(among))))) for _ in range(count)]


@pytest.fixture(scope="module")
def learnt() -> tuple[Learnt, Channel]:
    """Three builds of drivers that are off their sheet."""
    among = shared_parameters(SHEET)
    off = np.random.default_rng(5).standard_normal((1, len(among)))
    truth = moved(SHEET, among, off)
    return learn_population(SHEET, Z_HZ, [AXIS], units(truth, 6, 3)), truth


def test_what_is_learnt_holds_the_truth_within_its_uncertainty(learnt: tuple[Learnt, Channel]) -> None:
    found, truth = learnt
    logs, covariance = found.logs
    off = [
        (log - np.log(number_of(truth, p) / number_of(SHEET, p))) / u
        for p, log, u in zip(found.shared, logs, np.sqrt(np.diag(covariance)), strict=True)
        if p.owner == "driver"
    ]
    assert np.sqrt(np.mean(np.square(off))) < 1.6
    assert np.max(np.abs(off)) < 3.5


def number_of(channel: Channel, of: Parameter) -> float:
    return float(np.ravel(getattr(find_driver(channel, of.name), of.field))[0])


def test_builds_tell_more_than_the_sheet_where_the_impedance_shows_it(learnt: tuple[Learnt, Channel]) -> None:
    found, _ = learnt
    known = {(p.name, p.field): u for p, u in zip(found.shared, np.sqrt(np.diag(found.covariance)), strict=True)}
    assert known["woofer", "qes"] < 0.4
    # Hidden behind its network, no impedance at the leads tells it.
    assert known["tweeter", "qms"] > 0.8


def test_one_build_is_enough_to_begin() -> None:
    truth = with_driver(SHEET, "woofer", fs_hz=0.9 * find_driver(SHEET, "woofer").fs_hz)
    found = learn_population(SHEET, Z_HZ, [AXIS], [measured(truth)])
    channel = learnt_channel(["left"], SHEET, found, ["on axis"])
    model = learnt_model(SHEET, channel, "on axis")
    for curve in (impedance_ohm, lambda c, f: pressure_pa(c, f, 1.0, AXIS.microphone_m)):
        off = np.log(curve(model, AXIS.frequency_hz) / curve(truth, AXIS.frequency_hz)).real
        assert np.sqrt(np.mean(off**2)) < 0.01


def test_without_sound_impedance_alone_teaches() -> None:
    builds = [replace(one, levels=()) for one in units(SHEET, 8, 2)]
    found = learn_population(SHEET, Z_HZ, [], builds)
    assert found.pressure_factors == ()


@pytest.mark.parametrize("name", ["full-range", "closed-two"])
def test_good_strangers_leave_next_to_nothing_over_once_builds_have_taught(name: str, tmp_path: Path) -> None:
    design = DESIGNS[name]
    sheet = write_kit(design, tmp_path).model("box")
    hertz = Z_HZ[Z_HZ > 20]

    def ohm(serial: str) -> np.ndarray:
        return unit(design, 77, serial).impedance_ohm("box", hertz)

    def left_over(model: Channel, serial: str) -> float:
        return float(100 * np.sqrt(np.mean(np.abs(nearest_good_unit(model, hertz, ohm(serial)).left_over) ** 2)))

    builds = [Build(ohm(f"ST-900{n}"), np.full(hertz.size, 1e-3), ()) for n in range(3)]
    channel = learnt_channel(["box"], sheet, learn_population(sheet, hertz, [], builds), [])
    model = learnt_model(sheet, channel, "on axis")
    new = [f"ST-000{n}" for n in range(4)]
    assert channel.misfit_percent < 1.4
    assert all(left_over(model, serial) < channel.misfit_percent for serial in new)
    assert min(left_over(sheet, serial) for serial in new) > 2 * channel.misfit_percent


def test_one_wrong_part_stands_out_where_all_others_together_make_up_for_it(tmp_path: Path) -> None:
    """A tenth of the resistor that levels the tweeter's peak: the nearest good unit leaves as little over as of it."""
    design, hertz = DESIGNS["level-two"], Z_HZ[Z_HZ > 20]
    sheet = write_kit(design, tmp_path).model("box")
    ohm = [unit(design, 78, f"ST-900{n}").impedance_ohm("box", hertz) for n in range(3)]
    builds = [Build(of_build, np.full(hertz.size, 1e-3), ()) for of_build in ohm]
    channel = learnt_channel(["box"], sheet, learn_population(sheet, hertz, [], builds), [])
    model = learnt_model(sheet, channel, "on axis")

    def pulls(serial: str, *faults: str) -> dict[str, float]:
        bad = faulty(design, 78, serial, [parse(fault) for fault in faults]).impedance_ohm("box", hertz)
        nearest = nearest_good_unit(model, hertz, bad)
        assert 100 * np.sqrt(np.mean(np.abs(nearest.left_over) ** 2)) < channel.misfit_percent
        return pulls_of_parts(nearest, model, hertz, np.full(hertz.size, 1e-3))

    most = largest_pull(len(sheet.branches[0].elements), 3)
    for serial in ("ST-0001", "ST-0002"):
        assert max(map(abs, pulls(serial).values())) < most
        found = pulls(serial, "tenth:R3")
        assert max(found, key=lambda name: abs(found[name])) == "R3"
        assert found["R3"] < -most


def test_what_all_builds_have_in_common_is_no_spread() -> None:
    """A ripple that no model has, the same in every build, as a baffle's edges make it."""
    ripple = 0.8 * np.sin(2 * np.pi * 3 * np.log2(AXIS.frequency_hz))

    def rippled(build: Build) -> Build:
        (level, noise), *_ = build.levels
        return replace(build, levels=((level + ripple, noise),))

    found = learn_population(SHEET, Z_HZ, [AXIS], [rippled(build) for build in units(SHEET, 9, 4)])
    assert found.point_db > 0.35
    assert found.apart_db < 0.1


def test_a_softer_suspension_resonates_lower_and_is_as_loud_above() -> None:
    softer = moved(SHEET, (Parameter("driver", "woofer", SUSPENSION, 1.0),), np.array([[0.0], [0.2]]))
    level = 20 * np.log10(np.abs(pressure_pa(softer, np.array([600.0]), 1.0, AXIS.microphone_m)))
    resonance = np.reshape(find_driver(softer, "woofer").fs_hz, -1)
    assert resonance[1] / resonance[0] == pytest.approx(np.exp(-0.1))
    assert np.ptp(level) < 0.02


def test_drawn_units_lie_as_far_apart_as_builds_have_taught() -> None:
    """That no unit lies beyond where a tolerance ends must not bring the others nearer together."""
    part = next(iter(channel_parts(SHEET)))
    spread = (Parameter("part", part.name, "value", 0.03), Parameter("driver", "woofer", "qms", 0.1))
    learnt = Population(spread, (), np.zeros((0, 0)), 0.1, 0.001, 0.1, 0.001, 0.1, misfit_percent=1.0, units=3)
    drawn = drawn_good(replace(SHEET, population=learnt), np.random.default_rng(1), 20000)
    values = next(iter(channel_parts(drawn))).value, find_driver(drawn, "woofer").qms
    apart = [float(np.std(np.log(value))) * (1 + 1 / 3) ** 0.5 for value in values]
    assert apart == pytest.approx([0.03, 0.1], rel=0.02)
