"""What the terminal says of a run's margins, of why it is void, and of the records that are there."""

import io
from pathlib import Path
from typing import Any

import pytest
from rich.console import RenderableType

from rig.design.limits import Limit
from rig.report.words import time_words
from rig.screen.console import open_console
from rig.screen.learnt_masks import four_digits
from rig.screen.listings import run_table
from rig.screen.margins import verdict_margins
from rig.screen.terminal import closing
from rig.store.index_rows import rows_of
from rig.store.records import document_of
from rig.store.run_json import KitName, Record, ResultEntry
from rig.values.readings import CheckReadings, Reading
from rig.values.run import Run, Timing
from rig.values.verdicts import CheckResult
from rig.verdict.judge import judge_number

NO_TIME = Timing(0.0, 0.0, 0.0)


def told(shown: RenderableType, columns: int) -> str:
    file = io.StringIO()
    open_console(file=file, width=columns).print(shown)
    return file.getvalue()


def results() -> list[CheckResult]:
    read = [
        (Reading("lowest impedance", "left", 0.5824, "ohm", 0.002), Limit(lower=5.2)),
        (Reading("misfit", "left", 6.19e-05, "%", 1e-6), Limit(upper=0.2)),
        (Reading("polarity between", "left against right", 1.0, "", said="as designed"), Limit(lower=1, upper=1)),
        (Reading("Re", "left woofer", float("nan"), "ohm"), Limit(lower=5.2, upper=6)),
        (Reading("fs", "left woofer", float("nan"), "Hz"), Limit(lower=42, upper=52)),
    ]
    verdicts = tuple(judge_number(reading, limit) for reading, limit in read)
    first = CheckResult("impedance", "Impedance at the leads", "fail", "", CheckReadings(), verdicts)
    return [first, CheckResult("leak", "The box holds its air", "void", "not done: stopped", CheckReadings(), ())]


@pytest.mark.parametrize("columns", [80, 140])
def test_margins_can_be_read_in_any_terminal(columns: int) -> None:
    shown = told(verdict_margins(results(), columns), columns)
    assert "0.5824 ± 0.0040 ohm" in " ".join(shown.split())
    assert "as designed" in shown
    assert "1 to 1" not in shown
    assert "e-05" not in shown
    assert "k = 2" in shown
    assert "Not done: The box holds its air" in shown
    assert max(map(len, shown.splitlines())) <= columns


def test_in_a_narrow_terminal_each_reading_is_a_line_and_void_ones_of_one_reason_share_it() -> None:
    lines = told(verdict_margins(results(), 80), 80).splitlines()
    assert any("lowest impedance left: 0.5824 ± 0.0040 ohm, 4.6 ohm outside" in line for line in lines)
    assert any("Re left woofer, fs left woofer: the reading is not a finite number" in line for line in lines)
    assert len(lines) < 12


def test_a_void_run_says_why_though_nothing_stopped_it() -> None:
    noisy = CheckResult("ping", "A title", "void", "a lorry went by", CheckReadings(), ())
    run = Run("void", "", False, (noisy,), (), (), NO_TIME)
    assert "A title: a lorry went by" in told(closing(run), 80)


@pytest.mark.parametrize(
    ("timing", "words"),
    [
        (Timing(5615.6, 14.1, 0.0), "1 h 33 min 36 s of sound; the run took 14 s"),
        (Timing(20.0, 24.0, 51.0), "20 s of sound; the run took 24 s (1.2 times the sound); 51 s more for the person"),
    ],
)
def test_how_long_a_run_took(timing: Timing, words: str) -> None:
    assert time_words(timing).startswith(words)
    assert ("times" in time_words(timing)) == (timing.cycle_s >= timing.sound_s)


def entry(check: str, outcome: str, reason: str) -> ResultEntry:
    return ResultEntry(check, "", outcome, reason, (), (), (), ())


def record(**changes: Any) -> Record:
    checks = [("leads", "fail", ""), ("leak", "void", "not done: stopped"), ("parts", "pass", "")]
    at = "2026-01-01T00:00:00+00:00"
    made: dict[str, Any] = {
        **{"folder": Path(), "kit": KitName("two", "", "", ""), "serial": "A-1", "run": "2026-01-01T000000Z-001-aaaa"},
        **{"run_number": 1, "started_at": at, "finished_at": at, "outcome": "fail", "stopped": "stopped"},
        **{"timing": NO_TIME, "previous": None, "calibrations": (), "captures": (), "files": {}},
        "results": tuple(entry(*one) for one in checks),
    }
    return Record(**(made | changes))


def listed(one: Record, columns: int) -> str:
    """How a record is listed, by way of the index."""
    return told(run_table(rows_of(document_of(one), one.kit.name, one.serial, one.run)["runs"]), columns)


def test_records_are_listed_with_their_plan_and_without_what_was_never_done() -> None:
    shown = listed(record(plan="heat"), 140)
    assert "heat" in shown
    assert "2026-01-01 00:00" in shown
    assert "leads" in shown
    assert "leak" not in shown
    by_hand = (entry("leads", "void", "not done: by hand"),)
    assert "by hand" in listed(record(outcome="void", stopped="by hand", results=by_hand), 140)
    assert "A-1" in listed(record(), 80)


def test_a_listing_at_80_columns_breaks_no_moment() -> None:
    row = {"kit": "booth-two", "serial": "BT-0001", "run": "2026-03-04T101500Z-001-ab12", "run_number": 1}
    row |= {"plan": "bench", "outcome": "fail", "wrong": "leads, impedance, parts"}
    assert "2026-03-04 10:15" in told(run_table([row]), 80)


@pytest.mark.parametrize(("value", "words"), [(23193.4, "23193"), (4901.2, "4901"), (0.0061853, "0.006185")])
def test_a_learnt_value_is_never_a_power_of_ten(value: float, words: str) -> None:
    assert four_digits(value) == words


def test_titles_with_commas_in_them_are_kept_apart() -> None:
    left = [
        CheckResult(name, title, "void", "not done: stopped", CheckReadings(), ())
        for name, title in (("leads", "No short, no open lead"), ("leak", "The box holds its air"))
    ]
    assert "Not done: No short, no open lead; The box holds its air" in " ".join(
        told(verdict_margins(left, 80), 80).split()
    )
