"""Courses over time stand in the record as tables, beside the curves."""

import csv
from pathlib import Path

import numpy as np
from simulated_runs import ROOT

from rig.design.kit import load_kit
from rig.store import records
from rig.store.homes import now
from rig.store.run_json import About, CourseEntry, Record
from rig.values.readings import CheckReadings, Course
from rig.values.run import Run, Timing
from rig.values.verdicts import CheckResult

SECONDS = np.array([5.0, 10.0, 15.0])


def saved(folder: Path, *courses: Course) -> Record:
    kit = load_kit(ROOT, "booth-two")
    result = CheckResult("heat", "Heat", "void", "nothing judged", CheckReadings(courses=courses), ())
    run = Run("void", "", False, (result,), (), (), Timing(0.0, 0.0, 0.0))
    reserved = records.reserve(folder, kit, "BT-0001")
    return records.save(reserved, kit, "BT-0001", run, About(started_at=now()))


def test_a_course_is_a_table_named_in_the_record(tmp_path: Path) -> None:
    fitted = Course("rise", "heat sink", SECONDS, np.array([0.1, np.nan, 0.3]), "K", np.array([0.1, 0.2, 0.25]))
    plain = Course("rise", "coil left", SECONDS, np.array([1.0, 2.0, 3.0]), "K")
    record = saved(tmp_path, fitted, plain)
    entries = records.read_record(record.folder).results[0].courses
    assert entries == (
        CourseEntry("rise", "heat sink", "K", "courses/heat-rise-heat-sink.csv"),
        CourseEntry("rise", "coil left", "K", "courses/heat-rise-coil-left.csv"),
    )
    assert records.damages(record) == []
    tables = []
    for entry in entries:
        with (record.folder / entry.file).open(encoding="utf-8", newline="") as file:
            tables.append(list(csv.reader(file)))
    assert tables[0] == [
        ["seconds", "value", "fit"],
        ["5.0", "0.1", "0.1"],
        ["10.0", "", "0.2"],
        ["15.0", "0.3", "0.25"],
    ]
    # Nothing was fitted to the other: it has no such column.
    assert tables[1] == [["seconds", "value"], ["5.0", "1.0"], ["10.0", "2.0"], ["15.0", "3.0"]]


def test_a_changed_course_shows(tmp_path: Path) -> None:
    record = saved(tmp_path, Course("rise", "heat sink", SECONDS, SECONDS, "K"))
    (record.folder / "courses" / "heat-rise-heat-sink.csv").write_text("seconds,value,fit\n", encoding="utf-8")
    assert records.damages(record) == ["courses/heat-rise-heat-sink.csv was changed after the run"]
