"""The strangers as a family: their kits load, their faults show, seeds repeat, and they share no code with the rig."""

import ast
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from checks.impedance import load_impedance
from rig.calibration.known_load import calibrate_known_load
from rig.values.requests import Sweep
from strangers import population
from strangers.bench import StrangerBench
from strangers.designs import DESIGNS
from strangers.faults import E6, Fault, all_faults, next_value, parse, put_in
from strangers.kits import write_kit
from strangers.population import card_gain, unit

HERE = Path(__file__).parent
#: Each is allowed these of the rig, and nothing else.
MEETS_THE_RIG = {"kits.py": {"rig.design.kit"}, "bench.py": {"rig.simulated.bench", "rig.design.kit"}}
AXIS_M = (0.0, 0.0, 0.5)


@pytest.mark.parametrize(
    "path",
    [path for path in sorted(HERE.glob("*.py")) if not path.name.startswith("test_")],
    ids=lambda path: path.name,
)
def test_strangers_share_no_code_with_the_rig(path: Path) -> None:
    imported = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            imported.add(node.module or "")
        if isinstance(node, ast.Import):
            imported |= {alias.name for alias in node.names}
    met = {name for name in imported if name.split(".")[0] in ("rig", "checks")}
    assert met <= MEETS_THE_RIG.get(path.name, set())


def test_there_is_one_of_each_kind() -> None:
    assert len(DESIGNS) >= 12
    kinds = Counter(design.kind for design in DESIGNS.values())
    assert set(kinds) == {"closed", "vented", "passive", "open"}
    assert sum(design.stepped for design in DESIGNS.values()) >= 2
    assert {len(design.drivers) for design in DESIGNS.values()} == {1, 2, 3}
    assert any(design.lowpass_hz for design in DESIGNS.values())


@pytest.mark.parametrize("name", DESIGNS)
def test_a_kit_loads_and_holds_the_sheet_and_not_the_unit(name: str, tmp_path: Path) -> None:
    design = DESIGNS[name]
    kit = write_kit(design, tmp_path)
    drivers = kit.channel("box").drivers
    assert [driver.fs_hz for driver in drivers] == [fitted.sheet.fs_hz for fitted in design.drivers]
    made = unit(design, 1, "ST-0001")
    resonances = [coil.resonance_rad_s / 2 / np.pi for coil in made.coils]
    assert all(abs(of_unit / driver.fs_hz - 1) > 1e-4 for of_unit, driver in zip(resonances, drivers, strict=True))


def test_seeds_and_serials_repeat_and_differ() -> None:
    design, at_hz = DESIGNS["vented-two"], np.array([30.0, 900.0, 9000.0])

    def heard(seed: int, serial: str) -> np.ndarray:
        made = unit(design, seed, serial)
        return np.concatenate([made.impedance_ohm("box", at_hz), made.pressure_pa("box", AXIS_M, at_hz)])

    np.testing.assert_array_equal(heard(1, "ST-0001"), heard(1, "ST-0001"))
    assert np.all(np.abs(heard(1, "ST-0002") / heard(1, "ST-0001") - 1) > 1e-4)
    assert np.all(np.abs(heard(2, "ST-0001") / heard(1, "ST-0001") - 1) > 1e-4)
    assert card_gain(design, 1) != card_gain(design, 2)


def test_sheets_are_off_by_as_much_as_is_said_and_units_of_a_batch_by_less() -> None:
    design = DESIGNS["closed-two"]
    fs_hz = np.array(
        [[unit(design, seed, f"ST-{n}").coils[0].resonance_rad_s for n in range(8)] for seed in range(40)]
    ) / (2 * np.pi)
    off = np.mean(fs_hz, axis=1) / design.drivers[0].sheet.fs_hz - 1
    assert 0.035 < np.std(off) < 0.075
    assert np.max(np.abs(off)) < 0.2
    assert 0.015 < np.mean(np.std(fs_hz, axis=1) / np.mean(fs_hz, axis=1)) < 0.035


@pytest.mark.parametrize("name", DESIGNS)
def test_every_fault_changes_what_can_be_measured(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By more than a microphone or a sense resistor is off: half a percent of impedance or of pressure somewhere."""
    monkeypatch.setattr(population, "GRID_HZ", np.geomspace(10.0, 22000.0, 90))
    monkeypatch.setattr(population.stepping, "solve", None)
    design = DESIGNS[name]
    good = _solved_over_frequency(unit(design, 1, "ST-0001"))
    for fault in all_faults(design):
        bad = _solved_over_frequency(put_in(unit(design, 1, "ST-0001"), fault))
        assert np.max(np.abs(bad / good - 1)) > 0.005, str(fault)


def _solved_over_frequency(made: population.Unit) -> np.ndarray:
    over_frequency = population.replace(made, design=population.replace(made.design, stepped=False))
    at_hz = population.GRID_HZ[10:-3]
    sound = over_frequency.pressure_pa("box", AXIS_M, at_hz)
    return np.concatenate([over_frequency.impedance_ohm("box", at_hz), sound])


def test_faults_are_written_and_read() -> None:
    for fault in [*all_faults(DESIGNS["three-way"]), Fault("value", ("C1",), 1.47)]:
        assert parse(str(fault)) == fault
    assert str(Fault("value", ("C1",), 1.47)) == "value:C1=1.47"
    with pytest.raises(KeyError):
        put_in(unit(DESIGNS["full-range"], 1, "ST-0001"), Fault("open", ("C9",)))


def test_the_next_value_is_the_next_of_the_series() -> None:
    assert [next_value(value, True) for value in E6[:-1]] == pytest.approx(list(E6[1:]))
    assert next_value(6.8e-6, True) == pytest.approx(10e-6)
    assert next_value(1e-3, False) == pytest.approx(0.68e-3)
    assert (next_value(0.82e-3, True), next_value(0.82e-3, False)) == pytest.approx((1e-3, 0.68e-3))


def test_a_fault_lies_in_the_element_that_it_names() -> None:
    design = DESIGNS["closed-two"]
    good = unit(design, 1, "ST-0001")
    tenfold = put_in(good, Fault("tenfold", ("C1",)))
    changed = [a.name for a, b in zip(good.parts, tenfold.parts, strict=True) if a != b]
    assert changed == ["C1"]
    assert put_in(good, Fault("reversed", ("tweeter",))).coils[1].sign == -good.coils[1].sign
    at_hz = np.array([100.0, 1000.0])
    quiet = put_in(good, Fault("quiet"))
    ratio = quiet.pressure_pa("box", AXIS_M, at_hz) / good.pressure_pa("box", AXIS_M, at_hz)
    assert 20 * np.log10(np.abs(ratio)) == pytest.approx(-2.0)


@pytest.mark.parametrize("name", ["skew-two", "passive-two"])
def test_the_bench_captures_what_the_stranger_is(name: str, tmp_path: Path) -> None:
    """Impedance from a sweep comes back as the unit's own, the leads of 0.03 ohm in it and in the known load."""
    design = DESIGNS[name]
    kit = write_kit(design, tmp_path)
    bench = StrangerBench(kit, design, 4, "ST-0001")
    bench.known_load = calibrate_known_load(bench.known_load_capture(8.2), 8.2, "2026-01-01T12:00:00+00:00")
    at_hz = np.geomspace(20.0, 18000.0, 60)
    with bench.stage("leads") as player:
        (capture,) = player.play([kit.sweep("leads", "box")])
    measured = load_impedance(capture, at_hz).ohm
    np.testing.assert_allclose(measured, (bench.stranger.impedance_ohm("box", at_hz) + 0.03) * 8.2 / 8.23, rtol=0.003)


def test_a_stranger_sounds_in_its_own_room_on_a_card_that_is_off(tmp_path: Path) -> None:
    design = DESIGNS["bass-box"]
    kit = write_kit(design, tmp_path)
    bench = StrangerBench(kit, design, 4, "ST-0001")
    request: Sweep = kit.sweep("playing", "box", position="on axis", quiet=True)
    with bench.stage("playing") as player:
        (capture,) = player.play([request])
    assert capture.inputs == ("microphone", "loopback")
    volts = np.fft.rfft(capture.samples, axis=1) * np.array([[0.05], [2.0]])
    at_hz = np.fft.rfftfreq(capture.samples.shape[1], 1 / capture.sample_rate_hz)
    inside = (at_hz > 45) & (at_hz < 110)
    heard = np.mean(np.abs(volts[0, inside]) ** 2) / np.mean(np.abs(volts[1, inside]) ** 2)
    truth = bench.stranger.pressure_pa("box", AXIS_M, at_hz[inside]) * kit.amplifier.gain * 0.01
    played = np.abs(volts[1, inside]) ** 2
    expected = np.sum(np.abs(truth) ** 2 * played) / np.sum(played) * card_gain(design, 4) ** 2
    assert 10 * np.log10(heard / expected) == pytest.approx(0.0, abs=0.3)
