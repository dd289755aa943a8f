"""What the index keeps of a unit's folder, as rows of its tables; from run.json as it stands, and quickly.

It loads no library that takes long, so that many processes can read many records; what does not look like a record goes
through `rig.store.records.read_record`, which says in words what is wrong with it.
"""

import math
import re
import time
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from rig.files.disk import parse_json, why
from rig.files.errors import RecordError
from rig.store.bench_chain import read_closed
from rig.store.homes import UNFINISHED, changed_ns, is_note, names_in
from rig.values.names import NOT_DONE

Row = dict[str, Any]
#: A folder that changed so lately may change again without its time telling; in ns (common practice, no source; a file
#: system's clock often ticks in 4 to 10 ms).
UNSETTLED_NS = 100_000_000
#: The last digits of a serial, for ranges of serials; a longer number fits no column.
NUMBERED = re.compile(r"(.*?)(\d{1,18})(\D*)$", re.DOTALL)

#: Beyond any count, and no more than a column holds; numerical.
LARGEST_WHOLE = 2**31 - 1


@dataclass(frozen=True)
class Home:
    """The folder of one unit, `results/<kit>/<serial>`, as it stands; each row by the name of its column."""

    kit: str
    serial: str
    #: When its contents last changed, ns; 0: look again.
    seen_ns: int
    #: Names of the runs that stand there.
    there: frozenset[str]
    #: Of the runs that were not known: run -> table -> rows, but for their run's id.
    new: Mapping[str, Mapping[str, list[Row]]]
    reworks: list[Row]
    unreadable: list[Row]
    unfinished: list[Row]

    @property
    def unit(self) -> tuple[str, str]:
        """Its kit and its serial."""
        return self.kit, self.serial


def read_home(results: Path, kit: str, serial: str, known: Collection[str]) -> Home:
    """Read what stands in a unit's folder; of the runs only those that are not `known`."""
    folder = results / kit / serial
    seen_ns = changed_ns(folder)
    if time.time_ns() - seen_ns < UNSETTLED_NS:
        seen_ns = 0
    unit = {"kit": kit, "serial": serial}
    new, unreadable = {}, []
    try:
        names = sorted(names_in(folder))
    except OSError as error:
        # Its time does not tell when it may be read again: it is looked at each time.
        names = []
        unreadable.append({**unit, "run": "", "seen_ns": -1, "words": f"{folder}: cannot be read: {why(error)}"})
    if not serial:
        # The kit's own folder, when it could not be looked into: what stands in it are units.
        names = []
    runs = [name for name in names if not name.startswith(".") and changed_ns(folder / name / "run.json")]
    for run in runs:
        if run not in known:
            path = folder / run / "run.json"
            # Before it is read: it may be written on while it is.
            changed = changed_ns(path)
            try:
                new[run] = _read(path, kit, serial, run)
            except ValueError as error:
                unreadable.append({**unit, "run": run, "seen_ns": changed, "words": str(error)})
    return Home(
        kit,
        serial,
        seen_ns,
        frozenset(runs),
        new,
        list(_rework_rows(folder, kit, serial, names)),
        unreadable,
        [{**unit, "name": name} for name in names if _is_unfinished(folder / name)],
    )


def _is_unfinished(folder: Path) -> bool:
    """Whether a run has not ended, or is being copied: its run.json may come without its unit's folder changing."""
    is_hidden = folder.name.startswith(".")
    return folder.name.startswith(UNFINISHED) or (
        not is_hidden and folder.is_dir() and not changed_ns(folder / "run.json")
    )


def _read(path: Path, kit: str, serial: str, run: str) -> dict[str, list[Row]]:
    try:
        return rows_of(parse_json(read_closed(path, path.parents[3])), kit, serial, run)
    except (
        RecordError,
        OSError,
        ValueError,
        TypeError,
        KeyError,
        AttributeError,
        OverflowError,
        RecursionError,
    ) as error:
        raise ValueError(_what_is_wrong(path, error)) from None


def _what_is_wrong(path: Path, error: Exception) -> str:
    """What the reader of records says of it; that costs a second for loading it, and what is wrong is rare."""
    from rig.store.records import read_in_place

    try:
        read_in_place(path.parent)
    except RecordError as told:
        return str(told)
    return f"{path}: could not be taken into the index: {type(error).__name__}: {error}"


def rows_of(found: Any, kit: str, serial: str, run: str) -> dict[str, list[Row]]:
    """The rows of a record, by table, each but for its run's id.

    Raises
    ------
    ValueError, TypeError, KeyError, AttributeError
        If it does not look like the record of this run of this unit.
    """
    if (found["schema"], found["kit"]["name"], found["serial"], found["run"]) != ("kitproof run 1", kit, serial, run):
        raise ValueError("of another run, or of another schema")
    if not isinstance(found["files"], dict):
        raise TypeError("files")
    results = found["results"]
    return {
        "runs": [_run_row(found, kit, serial, run)],
        "checks": [
            {"place": place, "check": _text(one["check"]), "title": _text(one["title"])}
            | {"outcome": _text(one["outcome"]), "reason": _text(one["reason"])}
            for place, one in enumerate(results)
        ],
        "readings": _placed(row for one in results for row in _reading_rows(one)),
        "findings": _placed(
            {key: _text(one[key]) for key in ("kind", "part", "words")}
            | {"probability": _number(one["probability"]), "channel": _text(one.get("channel", ""))}
            | {"also_possible": bool(one.get("also_possible", False))}
            for one in found.get("findings", ())
        ),
        "calibrations": _calibration_rows(found["calibrations"]),
    }


def stem_and_number(serial: str) -> tuple[str, int | None]:
    """What a serial is without its last number, and that number: units are in a range by the latter."""
    match = NUMBERED.match(serial)
    return (f"{match[1]}#{match[3]}", int(match[2])) if match else (serial, None)


def _run_row(found: Any, kit: str, serial: str, run: str) -> Row:
    stem, number = stem_and_number(serial)
    timing, calibrations = found["timing"], found["calibrations"]
    return {
        "kit": kit,
        "serial": serial,
        "serial_stem": stem,
        "serial_number": number,
        "run": run,
        "run_number": _whole(found["run_number"]),
        "revision": _text(found["kit"]["revision"]),
        "kit_sha256": _text(found["kit"]["sha256"]),
        "plan": _text(found.get("plan", "")),
        "by": _text(found.get("by", "")),
        "batch": _text(found.get("batch", "")),
        "bench": _text(found.get("bench_name", "")) or next((_text(one.get("bench", "")) for one in calibrations), ""),
        "day": _time(found["started_at"])[:10],
        "started_at": found["started_at"],
        "finished_at": _time(found["finished_at"]),
        "outcome": _outcome(found["outcome"]),
        "stopped": _text(found["stopped"]),
        "wrong": _wrong(found),
        "bench_failed": bool(found.get("bench_failed", False)),
        "reworked": bool(found.get("rework")),
        "runs_untouched": _whole(found.get("runs_untouched", 1)),
        "sound_s": _number(timing["sound_s"]),
        "cycle_s": _number(timing["cycle_s"]),
        "operator_s": _number(timing["operator_s"]),
        "software": _text(found.get("software", {}).get("kitproof", "")),
    }


def _wrong(found: Any) -> str:
    """What failed or is void, in a line of a listing: names of checks, or why the run was stopped."""
    bad = [one for one in found["results"] if one["outcome"] != "pass"]
    names = [_text(one["check"]) for one in bad if not _text(one["reason"]).startswith(NOT_DONE)]
    return ", ".join(names) or _text(found["stopped"])


def _reading_rows(result: Any) -> Iterable[Row]:
    """Numbers, each with its verdict where it has one; then verdicts on curves, and those that met no reading."""
    check = _text(result["check"])
    verdicts = {(one["quantity"], one["subject"]): one for one in result["verdicts"]}
    for one in result["readings"]:
        verdict = verdicts.pop((one["quantity"], one["subject"]), {})
        yield _reading_row(check, "number", one, verdict)
    curves = {(one["quantity"], one["subject"]) for one in result["curves"]}
    for key, verdict in verdicts.items():
        yield _reading_row(check, "curve" if key in curves else "number", verdict, verdict)


def _reading_row(check: str, kind: str, read: Any, verdict: Any) -> Row:
    return {
        "check": check,
        "quantity": _text(read["quantity"]),
        "subject": _text(read["subject"]),
        "kind": kind,
        "value": _number(read["value"]),
        "unit": _text(read["unit"]),
        "uncertainty": _number(read.get("uncertainty")),
        "outcome": _text(verdict["outcome"]) if verdict else None,
        "lower": _number(verdict.get("lower")),
        "upper": _number(verdict.get("upper")),
        "margin": _number(verdict.get("margin")),
        "at_hz": _number(verdict.get("at_hz")),
        "limit": _text(verdict.get("limit", "")),
        "conformity": _number(verdict.get("conformity")),
        "reason": _text(verdict.get("reason") or read.get("trouble", "")),
        "said": _text(read.get("said", "")),
        "at_most": bool(read.get("at_most", False)),
    }


def _calibration_rows(calibrations: Any) -> list[Row]:
    """Which calibrations a run rests on, each once: its kind, when it was made, on which bench."""
    made = {
        (_text(kind), _text(at), _text(one.get("bench", "")))
        for one in calibrations
        for kind, at in one.get("made_at", {}).items()
    }
    return _placed({"kind": kind, "made_at": at, "bench": bench} for kind, at, bench in sorted(made))


def _rework_rows(folder: Path, kit: str, serial: str, names: Iterable[str]) -> Iterable[Row]:
    for name in names:
        if is_note(name):
            try:
                found: Any = parse_json(read_closed(folder / name, folder.parents[1]))
                note = {key: _text(found[key]) for key in ("at", "words", "by", "after")}
            except (RecordError, OSError, ValueError, TypeError, KeyError):
                # The next run of the unit tells of it, and sets it aside.
                continue
            yield {"kit": kit, "serial": serial, "note": name, **note}


def _placed(rows: Iterable[Row]) -> list[Row]:
    return [{"place": place, **row} for place, row in enumerate(rows)]


def _text(found: Any) -> str:
    if not isinstance(found, str):
        raise TypeError(f"found {found!r}; allowed: text")
    if not found.isascii():
        found.encode()  # half a character can stand in JSON, and nowhere else
    return found


def _time(found: Any) -> str:
    if datetime.fromisoformat(_text(found)).tzinfo is None:
        raise ValueError(f"found {found!r}; allowed: a time in ISO 8601 with its zone")
    return str(found)


def _whole(found: Any) -> int:
    if type(found) is not int or not 0 <= found <= LARGEST_WHOLE:
        raise ValueError(f"found {found!r}; allowed: 0 to {LARGEST_WHOLE}")
    return found


def _outcome(found: Any) -> str:
    if found not in ("pass", "fail", "void"):
        raise ValueError(f"found {found!r}; allowed: pass, fail, void")
    return str(found)


def _number(found: Any) -> float | None:
    if found is None or isinstance(found, float):
        return found
    if isinstance(found, int):
        return float(found)
    # What JSON has instead of a number that is not finite (`rig.files.plain`).
    return {"Infinity": math.inf, "-Infinity": -math.inf}[found]
