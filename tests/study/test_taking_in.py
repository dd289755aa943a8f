"""Updates with units that passed: which are taken in, that they are told and asked for, and that the former is kept."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stored_runs import ROOT, stored_runs
from typer.testing import CliRunner

from rig import cli
from rig.commands import learn
from rig.design.kit import load_kit
from rig.files.errors import Disagree, RecordError, TableError
from rig.store import records
from rig.store.run_json import Record
from rig.study import passed_units
from rig.study.passed_units import (
    LearntFrom,
    former_and_new,
    learnt_from,
    newly_passed,
    passed_of,
    passed_run,
    refuse_other_sign,
)
from rig.study.spreads import LEVEL
from rig.values.names import CHANNEL_POLARITY
from rig.values.readings import Reading
from rig.values.run import Run

RUN = CliRunner()
ARCHIVE = ROOT / "tests" / "archive"


@pytest.fixture
def own_workspace(workspace: Path, tmp_path: Path) -> Path:
    """A workspace whose kits may be written beside."""
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    return tmp_path


@pytest.fixture
def shelf(good_run: tuple[Run, Record], workspace: Path, monkeypatch: pytest.MonkeyPatch) -> list[Record]:
    """A vouched build, one unit that passed, one that failed last, and one of another plan, all with one's curves."""
    record = replace(good_run[1], outcome="pass")
    found = [
        record,
        replace(record, serial="BT-0101", run="BT-0101-1"),
        replace(record, serial="BT-0102", run="BT-0102-1"),
        replace(record, serial="BT-0102", run="BT-0102-2", outcome="fail"),
        replace(record, serial="BT-0103", run="BT-0103-1", plan="heat"),
    ]
    monkeypatch.setattr(passed_units, "_newest_runs", lambda *_: newest(found))
    monkeypatch.setattr(passed_units, "former_runs", lambda *_: found[:1])
    monkeypatch.setattr(
        records, "newest_first", lambda _, serial, kit="": iter([r for r in found[::-1] if r.serial == serial])
    )
    return found


def newest(found: list[Record]) -> dict[str, tuple[str, str]]:
    """As the index has it."""
    return {r.serial: (r.outcome, r.kit.revision) for r in found if r.plan == found[0].plan}


def test_only_units_whose_newest_run_passed_are_taken_in(shelf: list[Record], workspace: Path) -> None:
    kit, former = load_kit(workspace, "booth-two"), LearntFrom({shelf[0].serial: shelf[0].run}, {})
    there = newest(shelf)
    assert newly_passed(kit, former, there, []) == ["BT-0101"]
    with pytest.raises(RecordError, match="newest run of 'BT-0102' is fail; allowed: units that passed"):
        newly_passed(kit, former, there, ["BT-0102"])
    with pytest.raises(RecordError, match="newest run of 'BT-7777' is not there"):
        newly_passed(kit, former, there, ["BT-7777"])
    assert newly_passed(kit, LearntFrom(former.vouched, {"BT-0101": "x"}), there, []) == []


def test_of_a_large_store_an_update_reads_the_records_that_it_learns_from_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(ARCHIVE / "limits", tmp_path / "limits")
    first, *others = list(stored_runs(tmp_path, 12, retests=0, seed=5))
    passed = [run.parent.name for run in others if json.loads((run / "run.json").read_bytes())["outcome"] == "pass"]
    kit = load_kit(tmp_path, "shelf-one")
    (kit.folder / "learnt.json").write_text(json.dumps({"builds": {first.parent.name: first.name}}), encoding="utf-8")
    read, reading = [], records.read_record
    monkeypatch.setattr(records, "read_record", lambda folder: read.append(folder.name) or reading(folder))
    _, new = former_and_new(tmp_path, kit, passed[1:2])
    assert [run.serial for run in new] == passed[1:2]
    assert sorted(read) == sorted([first.name, new[0].run])
    # What the index says is not enough: the unit's own folder decides.
    failed = next(run.parent.name for run in others if run.parent.name not in passed)
    with pytest.raises(RecordError, match=rf"newest run of '{failed}' is (fail|void); allowed: units that passed"):
        passed_run(tmp_path, kit, failed)
    monkeypatch.setattr(passed_units, "MOST_NEW", len(passed) - 1)
    with pytest.raises(TableError, match=rf"found {len(passed)} units .* allowed: {len(passed) - 1} at once"):
        former_and_new(tmp_path, kit, [])


def once(function: Callable[..., Any]) -> Callable[..., Any]:
    """The function, which is only asked the first time."""
    found: list[Any] = []

    def asked(*words: object) -> Any:
        if not found:
            found.append(function(*words))
        return found[0]

    return asked


def test_an_update_says_whom_it_takes_in_asks_and_keeps_the_former(
    shelf: list[Record], own_workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(learn, "learn_design", once(learn.learn_design))
    words = ["learn", "booth-two", "--draws", "400", "--workspace", str(own_workspace)]
    folder = own_workspace / "limits" / "booth-two"
    with pytest.raises(TableError, match="no builds were learnt yet"):
        learnt_from(load_kit(own_workspace, "booth-two"))
    assert RUN.invoke(cli.app, [*words, shelf[0].serial]).exit_code == 0
    before = {path.name: path.read_bytes() for path in folder.glob("*") if path.is_file()}
    asked = RUN.invoke(cli.app, [*words, "--update"])
    assert "nobody can answer" in str(asked.exception)
    assert before == {path.name: path.read_bytes() for path in folder.glob("*") if path.is_file()}
    done = RUN.invoke(cli.app, [*words, "--update", "--yes"])
    assert done.exit_code == 0, done.output
    assert "BT-0101 (run BT-0101-1)" in done.output
    learnt = json.loads((folder / "learnt.json").read_text())
    assert list(learnt["builds"]) == [shelf[0].serial]
    assert learnt["passed"] == {"BT-0101": "BT-0101-1"}
    # kit.toml is asked about later, and kept with the date of its answer.
    kept = min(folder.glob("masks-of-*/design.toml"))
    assert kept.read_bytes() == before["design.toml"]
    again = RUN.invoke(cli.app, [*words, "--update", "--yes"])
    assert "nothing is changed" in again.output


def test_a_unit_that_passed_had_to_keep_to_the_mask_that_the_kit_names(own_workspace: Path) -> None:
    kit, grid = load_kit(own_workspace, "booth-two"), np.array([100.0, 1000.0])
    assert passed_of(kit, (*LEVEL, "left"), grid, ["BT-0101"]) is None
    (kit.folder / "learnt-free-field-level-left.csv").write_text("frequency_hz,lower,upper\n500,70,80\n2000,70,\n")
    passed = passed_of(kit, (*LEVEL, "left"), grid, ["BT-0101"])
    assert passed is not None
    assert list(passed.lower) == [-np.inf, 70.0]
    assert list(passed.upper) == [np.inf, np.inf]


def moving(record: Record, serial: str, sign: float) -> Record:
    """A run of which nothing but one sign was read."""
    reading = Reading(CHANNEL_POLARITY, "left", sign, "")
    result = replace(record.results[0], readings=(reading,))
    return replace(record, serial=serial, results=(result,))


def test_a_build_that_moves_the_other_way_round_is_named(good_run: tuple[Run, Record]) -> None:
    one, other, odd = (moving(good_run[1], s, sign) for s, sign in (("A", 1.0), ("B", 1.0), ("C", -1.0)))
    refuse_other_sign([one, other])
    refuse_other_sign([odd])
    with pytest.raises(Disagree, match="channel polarity of left: C is unlike the others"):
        refuse_other_sign([one, odd, other])
    with pytest.raises(Disagree, match="A and C differ; a third build"):
        refuse_other_sign([one, odd])
