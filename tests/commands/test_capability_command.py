"""A study on the simulated bench of which the truth was built in, through the command; and records as trials."""

import json
import math
import shutil
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated_runs import ROOT

from rig import cli
from rig.calibration.known_load import calibrate_known_load
from rig.design.kit import load_kit
from rig.files.errors import RecordError
from rig.run.verify import job, verify
from rig.simulated.bench import SimulatedBench
from rig.statistics.gauge import analysis_of_variance
from rig.store.recorded import read_curve
from rig.store.run_json import Record, Rework
from rig.store.trials import trials
from rig.study.batch_readings import rig_spread
from rig.values.run import Run

UNITS, PEOPLE, TIMES = ("BT-0101", "BT-0102", "BT-0103"), ("Ann", "Bob"), 2
#: Bob stands the microphone so much behind the stop of half a metre.
FURTHER_MM = 60.0
PLAN = '[plans]\nshort = ["leads", "ping", "response"]\n'


def knobs_db() -> np.ndarray:
    """How far the microphone's gain is off in each run, shape (units, people, times)."""
    return 0.2 * np.random.default_rng(7).standard_normal((len(UNITS), len(PEOPLE), TIMES))


@pytest.fixture(scope="module")
def studied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with a whole study: each run has a gain and a noise of its own."""
    workspace = tmp_path_factory.mktemp("study")
    shutil.copytree(ROOT / "limits", workspace / "limits")
    kit_file = workspace / "limits" / "booth-two" / "kit.toml"
    text = kit_file.read_text(encoding="utf-8").replace("[plans]\n", PLAN, 1)
    # Short sweeps: what is built in is as large in them.
    text = text.replace("stop_hz = 20000.0, seconds = 2.0", "stop_hz = 20000.0, seconds = 0.5")
    text = text.replace("stop_hz = 20000.0, seconds = 1.5", "stop_hz = 20000.0, seconds = 0.5")
    kit_file.write_text(text, encoding="utf-8")
    work = job(workspace, "booth-two", "short")
    clean = SimulatedBench(work.kit, UNITS[0]).known_load_capture(8.2)
    known_load = calibrate_known_load(clean, 8.2, "2026-01-01T12:00:00+00:00")
    knobs = knobs_db()
    for place in np.ndindex(knobs.shape):
        faults = [f"turned-knob={knobs[place]:.6f}", *([f"far-microphone={FURTHER_MM}"] if place[1] else [])]
        bench = SimulatedBench(work.kit, UNITS[place[0]], faults)
        bench.known_load = known_load
        by = PEOPLE[place[1]]
        verify(workspace, work, UNITS[place[0]], bench, lambda words: True, lambda event: None, by=by)
    return workspace


def kitproof(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["kitproof", *words])
    with pytest.raises(SystemExit) as left:
        cli.main()
    return int(left.value.code)  # type: ignore[arg-type]


def assert_the_study_finds_what_was_built_in(
    studied: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    status = kitproof(monkeypatch, "capability", "booth-two", "--workspace", str(studied), "--json")
    told = json.loads(capsys.readouterr().out)
    found = {(row["quantity"], row["subject"]): row for row in told["limits"] if row["at_hz"] is None}
    # Half a metre and 60 mm more: 20 lg (0.56 / 0.5) dB quieter; the woofer, 125 mm below, 5 % less than that.
    built_in = knobs_db()
    built_in[:, 1] -= 20 * np.log10((500 + FURTHER_MM) / 500)
    truth = analysis_of_variance(built_in)
    limit = load_kit(studied, "booth-two").limits["response"]["sensitivity"]
    for row in (found["sensitivity", "left"], found["sensitivity", "right"]):
        assert (row["units"], row["by"], row["times"]) == (3, 2, 2)
        assert row["repeatability"][0] == pytest.approx(truth.repeatability.value, rel=0.05)
        assert row["appraiser"][0] == pytest.approx(truth.appraiser.value, rel=0.1)
        assert row["percent_of_tolerance"][0] == pytest.approx(
            100 * 6 * truth.gauge.value / (limit.upper - limit.lower), rel=0.1
        )
        assert row["grade"] == "too tight"
    # Both boxes in the same run: gain and distance fall out of their difference.
    assert found["mean match", "left against right"]["percent_of_tolerance"][0] < 1
    assert found["mean match", "left against right"]["grade"] == "good"
    assert told["by"] == ["Ann", "Bob"]
    assert status == 1
    page = Path(told["page"])
    assert page.parent == studied / "results" / ".capability"
    text = page.read_text(encoding="utf-8")
    assert found["sensitivity", "left"]["words"].split(":")[0] in text
    assert text.count("<svg") > 5
    # Its numbers stand beside it, for batches.
    rig = rig_spread(studied, "booth-two")
    assert rig.path == page.with_suffix(".json")
    variance = row["gauge"][0] ** 2
    shown = rig.share(("response", "sensitivity", "right"), math.nan, np.array([80.0, 81.0, 82.0]))
    assert shown == pytest.approx(variance)


def assert_it_is_printed_for_people(
    studied: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "capability", "booth-two", "--workspace", str(studied)) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "12 runs of 3 units; measured by: Ann, Bob" in out
    assert "a small study" in out
    assert "the rig alone spreads over" in out


def assert_runs_can_be_picked(
    studied: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    here = ("capability", "booth-two", "--workspace", str(studied), "--json")
    kitproof(monkeypatch, *here, "--by", "Ann", "--serial", UNITS[0], "--serial", UNITS[2])
    told = json.loads(capsys.readouterr().out)
    assert told["found"] == "4 runs of 2 units; measured by: Ann"
    assert any("repeatability only" in line for line in told["remarks"])
    assert kitproof(monkeypatch, *here, "--since", "2999-01-01") == 2
    told = json.loads(capsys.readouterr().out)
    assert (told["runs"], told["page"], told["is_study"]) == ([], None, False)
    assert kitproof(monkeypatch, *here, "--plan", "heat") == 2
    assert "too few runs" in capsys.readouterr().out


@pytest.mark.slow
def test_a_study(studied: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """One test, so that the study is measured once, on whichever worker."""
    assert_the_study_finds_what_was_built_in(studied, monkeypatch, capsys)
    assert_it_is_printed_for_people(studied, monkeypatch, capsys)
    assert_runs_can_be_picked(studied, monkeypatch, capsys)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--since", "1.2.2026"), "--since: found '1.2.2026'; allowed: a day, such as 2026-03-01"),
        (("--serial", "nonsense"), "serial 'nonsense' is not one of kit 'booth-two'"),
        (("--plan", "nonsense"), "no plan 'nonsense'"),
    ],
)
def test_wrong_usage(
    workspace: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, str],
    told: str,
) -> None:
    assert kitproof(monkeypatch, "capability", "booth-two", "--workspace", str(workspace), *words) == 3
    assert told in capsys.readouterr().err


def test_without_runs_the_needs_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(ROOT / "limits", tmp_path / "limits")
    assert kitproof(monkeypatch, "capability", "booth-two", "--workspace", str(tmp_path)) == 2
    assert "A study needs at least 2 units" in " ".join(capsys.readouterr().out.split())


def test_a_record_as_a_trial(good_run: tuple[Run, Record]) -> None:
    run, record = good_run
    found, told = trials([record], lambda document: True, lambda key: True)
    assert told == []
    results = {result.name: result.read for result in run.results}
    readings = [(name, reading) for name, read in results.items() for reading in read.readings]
    assert len(found[0].readings) == len(readings)
    for name, reading in readings:
        other = found[0].readings[name, reading.quantity, reading.subject]
        np.testing.assert_equal(vars(other), vars(reading))
    for name, read in results.items():
        for one in read.curves:
            other = found[0].curves[name, one.quantity, one.subject]
            np.testing.assert_array_equal(other.frequency_hz, one.frequency_hz)
            np.testing.assert_array_equal(other.value, one.value)
            np.testing.assert_array_equal(other.valid, one.valid)
            assert (other.design is None) == (one.design is None)


def test_a_reworked_unit_is_another_one(good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    later = replace(record, rework=(Rework("", "coil L1 replaced", "", ""),))
    found, _ = trials([record, record, later, record], lambda document: True, lambda key: False)
    assert [one.unit for one in found] == ["BT-0001", "BT-0001", "BT-0001 after rework 1", "BT-0001 after rework 1"]


def test_a_changed_curve_is_left_out_and_told(good_run: tuple[Run, Record], tmp_path: Path) -> None:
    _, record = good_run
    copy = replace(record, folder=tmp_path / "run")
    shutil.copytree(record.folder, copy.folder)
    entry = next(curve for result in record.results for curve in result.curves)
    path = copy.folder / entry.file
    path.write_text(path.read_text(encoding="utf-8").replace("1", "2", 1), encoding="utf-8")
    found, told = trials([copy], lambda document: True, lambda key: True)
    assert found == []
    assert "changed after the run" in told[0]
    with pytest.raises(RecordError, match="changed after the run"):
        read_curve(copy, entry)


def test_who_measured_stands_in_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(ROOT / "limits", tmp_path / "limits")
    kit_file = tmp_path / "limits" / "booth-two" / "kit.toml"
    plans = '[plans]\nshort = ["leads"]\n'
    kit_file.write_text(kit_file.read_text(encoding="utf-8").replace("[plans]\n", plans, 1), encoding="utf-8")
    words = ("verify", "booth-two", "BT-0001", "--workspace", str(tmp_path), "--json")
    assert kitproof(monkeypatch, *words, "--by", "  Ann   at jig 2 ") == 0
    assert json.loads(capsys.readouterr().out)["by"] == "Ann at jig 2"
    assert kitproof(monkeypatch, *words) == 0
    assert json.loads(capsys.readouterr().out)["by"] == ""
