"""The list of units on the page: what the index says, a page at a time, with no record read for it."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from simulated_runs import ROOT
from starlette.testclient import TestClient
from stored_records import all_records
from stored_runs import stored_runs

from rig.files.errors import RecordError
from rig.page import reading
from rig.page.drawing import page
from rig.page.guarding import Rules
from rig.page.server import app
from rig.page.station import Station
from rig.store import records
from rig.store.recorded import read_run, recorded_kit

KITS = ["shelf-one"]


def test_the_list_is_read_from_the_index_a_page_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = [path.name for path in stored_runs(tmp_path, 60, retests=0)]
    stored = all_records(tmp_path)[0]
    monkeypatch.setattr(records, "read_record", lambda folder: pytest.fail("a record was read"))
    monkeypatch.setattr(reading, "A_PAGE", 25)
    pages = [reading.listed(tmp_path, {"page": str(number)}, KITS) for number in (1, 2, 3, 99)]
    assert [one.number for one in pages] == [1, 2, 3, 3]
    assert [one.of for one in pages] == [3] * 4
    assert [run["run"] for one in pages[:3] for run in one.runs] == made[::-1]
    failed = reading.listed(tmp_path, {"kit": "shelf-one", "serial": "SO-000001..SO-000040", "outcome": "fail"}, KITS)
    assert [run["run"] for run in failed.runs] == [one.run for one in reversed(stored[:40]) if one.outcome == "fail"]
    shown = page("units.html", "en", key="k", listed=failed, asked=dict.fromkeys(reading.FILTERS, ""), kits=[], same="")
    assert all(run["serial"] in shown and run["wrong"] in shown for run in failed.runs)


@pytest.mark.parametrize(("serial", "outcome"), [("", "maybe"), ("SO-2..SO-1", "")])
def test_what_no_run_can_be_is_told_on_the_page(tmp_path: Path, serial: str, outcome: str) -> None:
    found = reading.listed(tmp_path, {"serial": serial, "outcome": outcome}, KITS)
    assert found.runs == ()
    assert "allowed" in found.problems[0]


def many_runs(workspace: Path, count: int) -> Path:
    """A unit of so many runs, all of the same content; its folder."""
    (made,) = stored_runs(workspace, 1, files=True)
    content = json.loads((made / "run.json").read_text(encoding="utf-8"))
    for number in range(2, count + 1):
        name = f"2025-01-{number:02d}T080000Z-{number:03d}-0000"
        shutil.copytree(made, made.parent / name)
        later = {"run": name, "run_number": number, "started_at": f"2025-01-{number:02d}T08:00:00+00:00"}
        (made.parent / name / "run.json").write_text(json.dumps(content | later), encoding="utf-8")
    return made.parent


def test_a_unit_s_past_is_the_index_s_and_only_what_is_drawn_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = many_runs(tmp_path, 8)
    read, plain = [], records.read_record
    monkeypatch.setattr(records, "read_record", lambda folder: (read.append(folder.name), plain(folder))[1])
    unit = reading.unit_page(tmp_path, "shelf-one", home.name, "")
    assert [one.number for one in unit.past if one.run] == [8, 7, 6, 5, 4, 3, 2, 1]
    assert len(set(read)) == 1 + reading.MOST_EARLIER
    cursor = json.loads(unit.cursor)
    names = list(cursor["lines"])
    assert names[0].startswith("run 8,")
    assert sum(name.startswith("run ") for name in names) == 1 + reading.MOST_EARLIER
    assert {"inside the limits, from", "inside the limits, to"} <= set(names)
    assert all(len(line) == len(cursor["frequency_hz"]) for line in cursor["lines"].values())
    # The first run is older than those that are drawn: only that it is there is known.
    with pytest.raises(RecordError, match="no run"):
        reading.run_of(tmp_path, "shelf-one", home.name, "../x")


def test_what_cannot_be_read_is_told_beside_what_can(tmp_path: Path) -> None:
    home = many_runs(tmp_path, 3)
    newest = max(home.iterdir())
    assert reading.unit_page(tmp_path, "shelf-one", home.name, "").newest == newest.name
    for one in newest.rglob("*.csv"):
        one.unlink()
    unit = reading.unit_page(tmp_path, "shelf-one", home.name, "")
    assert unit.newest != newest.name
    assert unit.problems
    assert len([one for one in unit.past if one.run]) == 3


def test_a_cursor_reads_what_is_drawn_at_its_frequency(tmp_path: Path) -> None:
    home = many_runs(tmp_path, 1)
    record = records.read_record(next(home.iterdir()))
    unit = reading.unit_page(tmp_path, "shelf-one", home.name, "")
    cursor = json.loads(unit.cursor)
    curves = [curve for result in read_run(record, recorded_kit(record)).results for curve in result.read.curves]
    (curve,) = [one for one in curves if f"{one.quantity} {one.subject}" == unit.shown]
    at = len(cursor["frequency_hz"]) // 3
    value = np.interp(np.log(cursor["frequency_hz"][at]), np.log(curve.frequency_hz), curve.value)
    assert next(iter(cursor["lines"].values()))[at] == pytest.approx(value, rel=1e-3)


def test_a_batch_is_studied_on_the_page_unless_the_bench_is_at_work(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "tests" / "archive" / "limits" / "shelf-one", tmp_path / "limits" / "shelf-one")
    made = list(stored_runs(tmp_path, 12, retests=0))
    station = Station(tmp_path)
    host = "127.0.0.1:8720"
    rules = Rules(frozenset({host}), "k3y")
    client = TestClient(app(station, rules), base_url=f"http://{host}", client=("127.0.0.1", 1))
    before = sorted(tmp_path.rglob("*"))
    shown = client.get("/batch?kit=shelf-one").text
    assert f"{len(made)} units" in shown
    assert "Readings between their limits" in shown
    # The page's policy lets no style of its own in.
    assert "style" not in shown.replace("/static/page.css", "").replace('rel="stylesheet"', "")
    # Reading writes nothing but the index.
    assert [one for one in sorted(tmp_path.rglob("*")) if one not in before and "index.sqlite" not in one.name] == []
    assert "no run" in client.get("/batch?kit=shelf-one&serial=SO-900000").text
    assert "allowed" in client.get("/batch?kit=shelf-one&since=yesterday").text
    station._running = lambda front: None
    assert "the bench is at work" in client.get("/batch?kit=shelf-one").text
