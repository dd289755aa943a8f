"""The list of units on the page: what the index says, a page at a time, with no record read for it."""

from pathlib import Path

import pytest
from stored_runs import stored_runs

from rig.page import reading
from rig.page.drawing import page
from rig.store import records


def test_the_list_is_read_from_the_index_a_page_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = [path.name for path in stored_runs(tmp_path, 60, retests=0)]
    stored = records.all_records(tmp_path)[0]
    monkeypatch.setattr(records, "read_record", lambda folder: pytest.fail("a record was read"))
    monkeypatch.setattr(reading, "A_PAGE", 25)
    pages = [reading.listed(tmp_path, "", "", "", number) for number in (1, 2, 3, 99)]
    assert [one.number for one in pages] == [1, 2, 3, 3]
    assert [one.of for one in pages] == [3] * 4
    assert [run["run"] for one in pages[:3] for run in one.runs] == made[::-1]
    failed = reading.listed(tmp_path, "shelf-one", "SO-000001..SO-000040", "fail", 1)
    assert [run["run"] for run in failed.runs] == [one.run for one in reversed(stored[:40]) if one.outcome == "fail"]
    shown = page("units.html", key="k", listed=failed, asked={"kit": "", "serial": "", "outcome": ""}, kits=[])
    assert all(run["serial"] in shown and run["wrong"] in shown for run in failed.runs)


@pytest.mark.parametrize(("serial", "outcome"), [("", "maybe"), ("SO-2..SO-1", "")])
def test_what_no_run_can_be_is_told_on_the_page(tmp_path: Path, serial: str, outcome: str) -> None:
    found = reading.listed(tmp_path, "", serial, outcome, 1)
    assert found.runs == ()
    assert "allowed" in found.problems[0]
