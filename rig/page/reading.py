"""What can be read at any time: units, a unit's history, its curves on top of each other, its sounds and reports."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rig.drawing.panels import Band, Line, Panel, curve_axes, figure
from rig.drawing.svg import DESIGN, GREY, MEASURED, Floats
from rig.files.errors import RecordError, TableError
from rig.report.figures import shown_mask
from rig.report.paper import paper_of
from rig.store import records
from rig.store.index import ask
from rig.store.recorded import read_run, recorded_kit
from rig.store.run_json import Record, SoundEntry
from rig.store.selection import Selection, count, newest, unread
from rig.store.selection import listed as rows_of_answer
from rig.values.readings import Curve
from rig.values.run import Run
from rig.values.verdicts import Mask, Verdict

#: Runs on a page of the list (choice of the page).
A_PAGE = 50
#: So many earlier runs are drawn behind the newest; more would hide each other (choice of layout).
MOST_EARLIER = 4
#: Points of each line that the cursor reads (choice of the page).
CURSOR_POINTS = 400
EARLIER = 'fill="none" stroke="#777" stroke-width="1" stroke-dasharray="2 2"'


@dataclass(frozen=True)
class Listed:
    """A page of runs, newest first."""

    #: Rows of the index.
    runs: tuple[dict[str, Any], ...]
    number: int
    of: int
    problems: tuple[str, ...]


@dataclass(frozen=True)
class UnitPage:
    """One unit: its runs, newest first, and a curve of the newest on top of those before."""

    kit: str
    serial: str
    runs: tuple[Record, ...]
    #: Names of the curves that can be shown, and of the one that is.
    curves: tuple[str, ...]
    shown: str
    figure: str
    #: What the cursor reads: JSON of `{"frequency_hz": [...], "lines": {name: [...]}, "unit": ...}`.
    cursor: str
    #: Sounds of the newest run: check, and the sound with its place in the record.
    sounds: tuple[tuple[str, int, SoundEntry], ...]


def listed(workspace: Path, kit: str, serial: str, outcome: str, number: int) -> Listed:
    """A page of the workspace's runs, as `kitproof results` filters them; pages count from 1."""
    problems: list[str] = []
    try:
        selection = Selection(kit=kit, serial=(serial,) if serial else (), outcome=outcome)
    except TableError as error:
        return Listed((), 1, 1, (str(error),))
    of, odd = ask(workspace, lambda one: (count(one, selection), unread(one, kit)), problems.append)
    pages = max(-(-of // A_PAGE), 1)
    number = min(max(number, 1), pages)
    asked = newest(selection, A_PAGE).offset((number - 1) * A_PAGE)
    runs = ask(workspace, lambda one: rows_of_answer(one, asked))
    return Listed(tuple(runs), number, pages, (*problems, *odd))


def unit_page(workspace: Path, kit: str, serial: str, shown: str) -> UnitPage:
    """A unit's page; `shown` names the curve, empty: the first that a limit judges.

    Raises
    ------
    RecordError
        If there is no record of this unit, or its newest cannot be read.
    """
    newest = next(records.newest_first(workspace, serial, kit), None)
    if newest is None:
        raise RecordError(f"no record of {serial!r}")
    runs = records.unit_records(workspace, serial, kit)
    run = read_run(newest, recorded_kit(newest))
    curves = _curves(run)
    shown = shown if shown in curves else next((name for name, (_, v) in curves.items() if v), next(iter(curves), ""))
    drawing, cursor = _overlay(newest, *curves[shown], _earlier(runs[:-1], shown)) if shown else ("", "")
    sounds = [(entry.title, sound) for entry in newest.results for sound in entry.sounds]
    return UnitPage(
        kit=kit,
        serial=serial,
        runs=tuple(reversed(runs)),
        curves=tuple(curves),
        shown=shown,
        figure=drawing,
        cursor=cursor,
        sounds=tuple((title, n, sound) for n, (title, sound) in enumerate(sounds)),
    )


def run_of(workspace: Path, kit: str, serial: str, run: str) -> Record:
    """A record by its names.

    Raises
    ------
    RecordError
        If there is none of these names.
    """
    for record in records.unit_records(workspace, serial, kit):
        if record.run == run:
            return record
    raise RecordError(f"no run {run!r} of {serial!r}")


def report_file(record: Record) -> Path:
    """Where a record's report stands.

    Raises
    ------
    RecordError
        If none was made.
    """
    path = paper_of(record)
    if not path.is_file():
        raise RecordError(f"no report of this run was made yet: kitproof certificate {record.serial}")
    return path


def sound_file(record: Record, number: int) -> Path:
    """The audio file of one of a record's sounds, by its place among them.

    Raises
    ------
    RecordError
        If there is none, or it is not what was recorded.
    """
    sounds = [sound for entry in record.results for sound in entry.sounds]
    if not 0 <= number < len(sounds):
        raise RecordError("no such sound in this run")
    return records.unchanged(record, sounds[number].file)


def _curves(run: Run) -> dict[str, tuple[Curve, Verdict | None]]:
    """Every curve of a run by its name, with its verdict."""
    found: dict[str, tuple[Curve, Verdict | None]] = {}
    for result in run.results:
        verdicts = {(v.quantity, v.subject): v for v in result.verdicts}
        for curve in result.read.curves:
            if curve.frequency_hz.size > 1:
                name = f"{curve.quantity} {curve.subject}".strip()
                found.setdefault(name, (curve, verdicts.get((curve.quantity, curve.subject))))
    return found


def _earlier(runs: Sequence[Record], name: str) -> list[tuple[str, Curve]]:
    """The same curve of the runs before, the newest of them last; those that cannot be read are left out."""
    found = []
    for record in runs[-MOST_EARLIER:]:
        try:
            curves = _curves(read_run(record, recorded_kit(record)))
        except RecordError:
            continue
        if name in curves:
            found.append((f"run {record.run_number}, {record.outcome}", curves[name][0]))
    return found


def _overlay(
    record: Record, curve: Curve, verdict: Verdict | None, earlier: Sequence[tuple[str, Curve]]
) -> tuple[str, str]:
    """A curve with its mask and the runs before, as SVG, and what a cursor over it reads, as JSON."""
    mask = shown_mask(verdict)
    grid, value = curve.frequency_hz, np.where(curve.valid, curve.value, np.nan)
    named: dict[str, tuple[Floats, Floats, str]] = {
        name: (old.frequency_hz, np.where(old.valid, old.value, np.nan), EARLIER) for name, old in earlier
    }
    named |= _middle(curve, verdict, mask)
    named[f"run {record.run_number}, {record.outcome}"] = (grid, value, MEASURED)
    shown = [line[1] for line in named.values()]
    if mask is not None:
        shown += [mask.lower, mask.upper]
    across, up = curve_axes(grid, shown, curve.unit)
    bands = (Band(mask.frequency_hz, mask.lower, mask.upper, "inside the limits", GREY),) if mask is not None else ()
    lines = tuple(Line(hz, values, name, style) for name, (hz, values, style) in named.items())
    panel = Panel(f"{curve.quantity} {curve.subject}".strip(), across, up, lines=lines, bands=bands)
    at_hz = np.geomspace(grid[0], grid[-1], min(CURSOR_POINTS, 4 * grid.size))
    read = {name: _numbers(np.interp(at_hz, hz, values, np.nan, np.nan)) for name, (hz, values, _) in named.items()}
    if mask is not None:
        read["lower limit"] = _numbers(np.interp(at_hz, mask.frequency_hz, mask.lower, np.nan, np.nan))
        read["upper limit"] = _numbers(np.interp(at_hz, mask.frequency_hz, mask.upper, np.nan, np.nan))
    cursor = {"frequency_hz": _numbers(at_hz), "lines": read, "unit": curve.unit}
    return figure([panel]), json.dumps(cursor)


def _middle(curve: Curve, verdict: Verdict | None, mask: Mask | None) -> dict[str, tuple[Floats, Floats, str]]:
    """What the limits are drawn around, or else the kit's design."""
    if mask is not None and mask.centre is not None:
        return {"design or reference": (mask.frequency_hz, mask.centre, DESIGN)}
    if curve.design is not None:
        return {"design": (curve.frequency_hz, curve.design + (verdict.shift_db if verdict else 0.0), DESIGN)}
    return {}


def _numbers(values: Floats) -> list[float | None]:
    return [float(f"{value:.5g}") if np.isfinite(value) else None for value in values]
