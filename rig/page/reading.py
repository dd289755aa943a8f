"""What can be read at any time: units, a unit's history, its curves on top of each other, its sounds and reports."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.drawing.panels import Band, Line, Panel, curve_axes, figure
from rig.drawing.svg import DESIGN, GREY, MEASURED, Floats
from rig.files.errors import RecordError, TableError
from rig.report.paper import paper_of
from rig.store import records
from rig.store.recorded import read_run, recorded_kit
from rig.store.run_json import Record, SoundEntry
from rig.values.readings import Curve
from rig.values.run import Run
from rig.values.verdicts import Mask, Outcome, Verdict

if TYPE_CHECKING:
    from rig.store.selection import Selection

#: What the lists are filtered by, as `kitproof results` names it.
FILTERS = ("kit", "serial", "since", "until", "outcome", "check", "finding", "plan", "bench", "by", "batch")
#: Runs on a page of the list (choice of the page).
A_PAGE = 50
#: So many earlier runs are drawn behind the newest; more would hide each other (choice of layout).
MOST_EARLIER = 4
#: No number in an address has so many digits; some thousand are too many for `int` (choice of the page).
LONGEST_NUMBER = 10
#: Points of each line that the cursor reads (choice of the page).
CURSOR_POINTS = 400
#: A rim alone, so that it is told from the limits' grey and lies over it.
LEARNT = 'fill="none" stroke="#444" stroke-width="1.2" stroke-dasharray="1 3"'
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
class Past:
    """A run of a unit or a note of rework, as the index has it."""

    at: str
    words: str
    by: str
    #: Of a run: its name, number, plan and outcome; of a note none.
    run: str = ""
    number: int = 0
    plan: str = ""
    outcome: Outcome | None = None


@dataclass(frozen=True)
class UnitPage:
    """One unit: its runs and reworks, newest first, and a curve of the newest on top of those before."""

    kit: str
    serial: str
    past: tuple[Past, ...]
    #: Name of the newest run that can be read, and why newer ones cannot.
    newest: str
    problems: tuple[str, ...]
    #: Names of the curves that can be shown, and of the one that is.
    curves: tuple[str, ...]
    shown: str
    figure: str
    #: What the cursor reads: JSON of `{"frequency_hz": [...], "lines": {name: [...]}, "unit": ...}`.
    cursor: str
    #: Sounds of the newest run: check, and the sound with its place in the record.
    sounds: tuple[tuple[str, int, SoundEntry], ...]


def selection_of(asked: Mapping[str, str], kits: Sequence[str]) -> "Selection":
    """Which runs a form asks for: the filters of the command line; persons and serials in turn, between spaces.

    Raises
    ------
    TableError
        If no run can be so.
    """
    from rig.store.selection import Selection

    words = {name: asked.get(name, "").strip() for name in FILTERS}
    return Selection(
        **{**words, "kit": words["kit"] if words["kit"] in kits else ""}
        | {name: tuple(words[name].split()) for name in ("serial", "by")}  # type: ignore[arg-type]
    )


def number_of(text: str, otherwise: int) -> int:
    """A number in an address; what is none, or longer than any of ours, stands for another."""
    return int(text) if text.isdecimal() and len(text) < LONGEST_NUMBER else otherwise


def listed(workspace: Path, asked: Mapping[str, str], kits: Sequence[str]) -> Listed:
    """A page of the workspace's runs, as `kitproof results` filters them; pages count from 1."""
    from rig.store.index import ask
    from rig.store.selection import count, newest, unread
    from rig.store.selection import listed as rows_of_answer

    wanted = number_of(asked.get("page", ""), 1)
    try:
        selection = selection_of(asked, kits)
    except TableError as error:
        return Listed((), 1, 1, (str(error),))

    def question(connection: Any) -> Listed:
        pages = max(-(-count(connection, selection) // A_PAGE), 1)
        number = min(max(wanted, 1), pages)
        rows = newest(selection, A_PAGE).offset((number - 1) * A_PAGE)
        odd = unread(connection, selection.kit)
        return Listed(tuple(rows_of_answer(connection, rows)), number, pages, tuple(odd))

    problems: list[str] = []
    found = ask(workspace, question, problems.append)
    return replace(found, problems=(*problems, *found.problems))


def past_of(workspace: Path, kit: str, serial: str, tell: Callable[[str], None] = lambda words: None) -> list[Past]:
    """A unit's runs and the reworks between them by the index, the newest first; no record is read for it."""
    from rig.store.index import ask
    from rig.store.selection import unit_reworks, unit_runs

    runs, notes = ask(workspace, lambda one: (unit_runs(one, kit, serial), unit_reworks(one, kit, serial)), tell)
    past = [Past(note["at"], note["words"], note["by"]) for note in notes if not any(_is_after(note, r) for r in runs)]
    for run in runs:
        past += [Past(note["at"], note["words"], note["by"]) for note in notes if _is_after(note, run)]
        named = {"run": run["run"], "number": run["run_number"], "plan": run["plan"], "outcome": run["outcome"]}
        past.append(Past(run["started_at"], run["wrong"], run["by"], **named))
    return past


def _unread(workspace: Path, kit: str, serial: str) -> list[str]:
    """Why runs of a unit cannot be read, which are none in its past."""
    from rig.store.index import ask
    from rig.store.selection import Selection, unread_runs

    selection = Selection(kit=kit, serial=(serial,))
    return [words for _, _, words in ask(workspace, lambda one: unread_runs(one, selection), lambda words: None)]


def _is_after(note: dict[str, Any], run: dict[str, Any]) -> bool:
    return bool(note["after"] == run["run"])


def unit_page(workspace: Path, kit: str, serial: str, shown: str) -> UnitPage:
    """A unit's page; `shown` names the curve, empty: the first that a limit judges.

    The history is the index's; records are read of the newest run and of those whose curves are drawn behind it.

    Raises
    ------
    RecordError
        If there is no record of this unit.
    """
    problems: list[str] = []
    past = past_of(workspace, kit, serial, problems.append)
    problems += _unread(workspace, kit, serial)
    names = [one.run for one in past if one.run]
    if not names:
        raise RecordError("; ".join([f"no record of {serial!r}", *problems]))
    known = iter(names)
    newest, run = next(_readable(workspace / "results" / kit / serial, known, problems), (None, None))
    drawing = cursor = ""
    curves: dict[str, tuple[Curve, Verdict | None]] = {}
    if newest and run:
        curves = _curves(run)
        judged = next((name for name, (_, v) in curves.items() if v), next(iter(curves), ""))
        shown = shown if shown in curves else judged
        behind = _readable(workspace / "results" / kit / serial, known, problems)
        if shown:
            drawing, cursor = _overlay(newest, *curves[shown], _earlier(behind, shown))
    sounds = [(entry.title, sound) for entry in newest.results for sound in entry.sounds] if newest else []
    return UnitPage(
        kit=kit,
        serial=serial,
        past=tuple(past),
        newest=newest.run if newest else "",
        problems=tuple(problems),
        curves=tuple(curves),
        shown=shown,
        figure=drawing,
        cursor=cursor,
        sounds=tuple((title, n, sound) for n, (title, sound) in enumerate(sounds)),
    )


def _readable(home: Path, names: Iterator[str], problems: list[str]) -> Iterator[tuple[Record, Run]]:
    """The runs of some names that can be read, each when it is asked for."""
    for name in names:
        try:
            record = records.read_in_place(home / name)
            yield record, read_run(record, recorded_kit(record))
        except RecordError as error:
            problems.append(str(error))


def run_of(workspace: Path, kit: str, serial: str, run: str) -> Record:
    """A record by its names.

    Raises
    ------
    RecordError
        If there is none of these names.
    """
    from rig.store.index import ask
    from rig.store.selection import unit_runs

    # Only what the index knows becomes a path.
    if run not in {row["run"] for row in ask(workspace, lambda one: unit_runs(one, kit, serial))}:
        raise RecordError(f"no run {run!r} of {serial!r}")
    return records.read_in_place(workspace / "results" / kit / serial / run)


def report_file(record: Record) -> Path:
    """Where a record's report stands.

    Raises
    ------
    RecordError
        If none was made. A link is none: it may lead to any file of this computer.
    """
    path = paper_of(record)
    if path.is_symlink() or not path.is_file():
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


def _earlier(runs: Iterator[tuple[Record, Run]], name: str) -> list[tuple[str, Curve]]:
    """The same curve of the runs before, the newest of them last."""
    found = []
    for record, run in islice(runs, MOST_EARLIER):
        curves = _curves(run)
        if name in curves:
            found.append((f"run {record.run_number}, {record.outcome}", curves[name][0]))
    return found[::-1]


def _overlay(
    record: Record, curve: Curve, verdict: Verdict | None, earlier: Sequence[tuple[str, Curve]]
) -> tuple[str, str]:
    """A curve with its mask, what builds taught and the runs before, as SVG; what a cursor over it reads, as JSON."""
    from rig.report.figures import shown_mask

    mask, grid = shown_mask(verdict), curve.frequency_hz
    named: dict[str, tuple[Floats, Floats, str]] = {
        name: (old.frequency_hz, np.where(old.valid, old.value, np.nan), EARLIER) for name, old in earlier
    }
    named |= _middle(curve, verdict, mask)
    newest = f"run {record.run_number}, {record.outcome}"
    named[newest] = (grid, np.where(curve.valid, curve.value, np.nan), MEASURED)
    bands = _bands(record, curve, verdict, mask)
    edges = [edge for band in bands for edge in (band.lower, band.upper)]
    across, up = curve_axes(grid, [*(line[1] for line in named.values()), *edges], curve.unit)
    lines = tuple(Line(hz, values, name, style) for name, (hz, values, style) in named.items())
    panel = Panel(f"{curve.quantity} {curve.subject}".strip(), across, up, lines=lines, bands=bands)
    at_hz = np.geomspace(grid[0], grid[-1], min(CURSOR_POINTS, 4 * grid.size))
    # The newest first, for it is what one looks for.
    order = {newest: named[newest], **{name: line for name, line in reversed(named.items()) if name != newest}}
    read = {name: _numbers(_at(at_hz, hz, values)) for name, (hz, values, _) in order.items()}
    for band in bands:
        read[f"{band.name}, from"] = _numbers(_at(at_hz, band.across, band.lower))
        read[f"{band.name}, to"] = _numbers(_at(at_hz, band.across, band.upper))
    cursor = {"frequency_hz": _numbers(at_hz), "lines": read, "unit": curve.unit}
    return figure([panel]), json.dumps(cursor)


def _at(at_hz: Floats, grid: Floats, values: Floats) -> Floats:
    return np.interp(np.log(at_hz), np.log(grid), values, np.nan, np.nan)


def _bands(record: Record, curve: Curve, verdict: Verdict | None, mask: Mask | None) -> tuple[Band, ...]:
    """What the limits leave, and between which good units lie where builds have taught it."""
    from rig.findings.curves import learnt_band

    bands = []
    if mask is not None:
        bands.append(Band(mask.frequency_hz, mask.lower, mask.upper, "inside the limits", GREY))
    learnt = learnt_band(recorded_kit(record), curve)
    if learnt is not None:
        shift_db = verdict.shift_db if verdict else 0.0
        lower, upper = (edge + shift_db for edge in learnt)
        bands.append(Band(curve.frequency_hz, lower, upper, "good units (95 %), as builds have taught", LEARNT))
    return tuple(bands)


def _middle(curve: Curve, verdict: Verdict | None, mask: Mask | None) -> dict[str, tuple[Floats, Floats, str]]:
    """What the limits are drawn around, or else the kit's design."""
    if mask is not None and mask.centre is not None:
        return {"what the limits are drawn around": (mask.frequency_hz, mask.centre, DESIGN)}
    if curve.design is not None:
        return {"design": (curve.frequency_hz, curve.design + (verdict.shift_db if verdict else 0.0), DESIGN)}
    return {}


def _numbers(values: Floats) -> list[float | None]:
    return [float(f"{value:.5g}") if np.isfinite(value) else None for value in values]
