"""Records as trials: which unit was measured by whom, and what was read of it."""

import csv
import io
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.readings import Curve, Reading
from rig.records import Record, RecordError, sha256

#: Check, quantity, subject.
Key = tuple[str, str, str]


@dataclass(frozen=True)
class Trial:
    """One run of one unit, as far as a study needs it."""

    #: The serial; a unit that was reworked is another unit from then on.
    unit: str
    #: A person or a jig; empty: nobody said.
    by: str
    run: str
    outcome: str
    kit_sha256: str
    readings: Mapping[Key, Reading]
    curves: Mapping[Key, Curve]


def trials(
    records: Sequence[Record], is_asked: Callable[[dict[str, Any]], bool], is_wanted: Callable[[Key], bool]
) -> tuple[list[Trial], list[str]]:
    """Runs as trials, in the order of the records, and what could not be read, in words.

    Parameters
    ----------
    records
        All records of a kit, oldest first: those before a rework tell that the unit is another one since.
    is_asked
        Whether a record, by its document, belongs to the study.
    is_wanted
        Whether a reading or curve does.
    """
    reworks: Counter[str] = Counter()
    found, told = [], []
    for record in records:
        document = record.document
        serial = document["serial"]
        reworks[serial] += bool(document.get("rework"))
        if not is_asked(document):
            continue
        unit = f"{serial} after rework {reworks[serial]}" if reworks[serial] else serial
        try:
            found.append(_trial(record, unit, is_wanted))
        except RecordError as error:
            told.append(f"left out: {error}")
    return found, told


def _trial(record: Record, unit: str, is_wanted: Callable[[Key], bool]) -> Trial:
    document = record.document
    readings, curves = {}, {}
    for result in document["results"]:
        for entry in result["readings"]:
            key = (result["check"], entry["quantity"], entry["subject"])
            if is_wanted(key):
                readings[key] = _reading(entry)
        for entry in result["curves"]:
            key = (result["check"], entry["quantity"], entry["subject"])
            if is_wanted(key):
                curves[key] = curve(record, entry)
    return Trial(
        unit, document.get("by", ""), document["run"], document["outcome"], document["kit"]["sha256"], readings, curves
    )


def _reading(entry: Mapping[str, Any]) -> Reading:
    return Reading(
        quantity=entry["quantity"],
        subject=entry["subject"],
        value=_number(entry["value"]),
        unit=entry["unit"],
        uncertainty=_number(entry.get("uncertainty")),
        trouble=entry.get("trouble", ""),
        said=entry.get("said", ""),
        at_most=entry.get("at_most", False),
    )


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def curve(record: Record, entry: Mapping[str, Any]) -> Curve:
    """A curve of a record, from its entry under `results`.

    Raises
    ------
    RecordError
        If its file is missing, was changed after the run, or is not a table of numbers.
    """
    name = entry["file"]
    path = record.folder / name
    if not path.is_file() or sha256(path) != record.document["files"].get(name):
        raise RecordError(f"{path}: missing, or changed after the run")
    try:
        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
        columns = {
            column: np.array([float(row[column] or "nan") for row in rows])
            for column in ("frequency_hz", "value", "valid", "uncertainty", "design")
        }
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{path}: not a table of numbers: {error}") from None
    at_most = np.array([row["at_most"] == "1" for row in rows]) if rows and "at_most" in rows[0] else None
    known = {column: columns[column] for column in ("uncertainty", "design") if np.isfinite(columns[column]).any()}
    return Curve(
        quantity=entry["quantity"],
        subject=entry["subject"],
        frequency_hz=columns["frequency_hz"],
        value=columns["value"],
        unit=entry["unit"],
        valid=columns["valid"] == 1,
        uncertainty=known.get("uncertainty"),
        at_most=at_most,
        design=known.get("design"),
        absolute=entry.get("absolute", True),
        trouble=entry.get("trouble", ""),
        method=entry.get("method", ""),
    )
