"""What was done to a unit between two runs, and whether it helped.

Three counters stay apart: a repeat (a capture taken again within a run, nothing was touched), a retest (another run of
the same unit), and a re-judging (old captures by new limits). A rework is what makes a retest another matter: a unit
that is measured again and again until it passes, with nothing done to it, has proved nothing but patience.
"""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from rig.design.kit import Kit
from rig.files.disk import read_json, why, write
from rig.files.errors import RecordError
from rig.store.records import Record, now, readable, refuse_bad_serial

#: So many runs of one unit with nothing done to it are told on its certificate.
MANY = 3


@dataclass(frozen=True)
class Rework:
    """One note of what was done."""

    at: str
    words: str
    by: str
    #: The newest run when it was noted; empty before the first.
    after: str


def note(workspace: Path, kit: Kit, serial: str, words: str, by: str = "") -> Path:
    """Note what was done to a unit; the next run is linked to it.

    Raises
    ------
    RecordError
        If the serial is not one of the kit's, the unit has no record yet, there are no words, or nothing can be
        written there.
    """
    refuse_bad_serial(kit, serial)
    words = " ".join(words.split())
    if not words:
        raise RecordError("found no words; allowed: what was done to the unit, such as 'resoldered C3 left'")
    home = workspace / "results" / kit.name / serial
    runs = readable(home)[0]
    if not runs:
        raise RecordError(f"no record of {serial!r} in {workspace / 'results'}: a rework follows a run")
    number = 1 + max((_number(path) for path in _notes(home)), default=0)
    path = home / f"rework-{number:03d}.json"
    text = json.dumps({"at": now(), "words": words, "by": by, "after": runs[-1].document["run"]}, ensure_ascii=False)
    try:
        write(path, text + "\n", is_new=True)
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {why(error)}") from None
    return path


def reworks(home: Path) -> tuple[list[Rework], list[str]]:
    """All notes of one unit (`results/<kit>/<serial>`), oldest first, and what could not be read, in words."""
    found, told = [], []
    for path in _notes(home):
        try:
            found.append(TypeAdapter(Rework).validate_python(read_json(path)))
        except (OSError, ValueError) as error:
            told.append(f"{path}: not a note of a rework, left out: {' '.join(str(error).split())[:200]}")
    return found, told


def history(home: Path) -> dict[str, Any]:
    """What a new run's record says of the runs before it.

    `rework` holds the notes since the newest run; `runs_untouched` counts the runs since the last rework, the new one
    included; `before` is the newest run with what failed in it; `set_aside` says what could not be read of it all.
    """
    (runs, odd_runs), (notes, odd_notes) = readable(home), reworks(home)
    newest = runs[-1].document["run"] if runs else ""
    pending = [vars(rework) for rework in notes if runs and rework.after == newest]
    since = _runs_since(runs, notes[-1].after) if notes else len(runs)
    last = runs[-1].document if runs else {}
    keys = ("run", "outcome", "finished_at")
    before = {**{key: last[key] for key in keys}, "failed": failed(runs[-1])} if runs else None
    told = [*odd_runs, *odd_notes]
    return {"rework": pending, "runs_untouched": since + 1, "before": before, "set_aside": told}


def failed(record: Record) -> list[str]:
    """Readings that failed in a run, by check, quantity and subject."""
    return [
        " ".join(filter(None, (result["check"], verdict["quantity"], verdict["subject"])))
        for result in record.document["results"]
        for verdict in result["verdicts"]
        if verdict["outcome"] == "fail"
    ]


def helped(before: Sequence[str], now_failed: Sequence[str], not_measured: bool = False) -> str:
    """Whether what was done helped, in words."""
    cured = [name for name in before if name not in now_failed]
    new = [name for name in now_failed if name not in before]
    still = [name for name in now_failed if name in before]
    if not_measured:
        return "whether it helped is not known: the run after it did not go through"
    told = []
    if before and not still:
        told.append("it helped: nothing that failed before fails now")
    elif cured:
        told.append(f"it helped in part: {len(cured)} of {len(before)} no longer fail")
    elif before:
        told.append("it did not help: all that failed before still fails")
    if new:
        told.append(f"new: {', '.join(new)}")
    return "; ".join(told) or "nothing failed before it"


def _notes(home: Path) -> list[Path]:
    return sorted(path for path in home.glob("rework-*.json") if re.fullmatch(r"rework-\d{3,}\.json", path.name))


def _number(path: Path) -> int:
    return int(path.stem.split("-")[1])


def _runs_since(runs: Sequence[Record], after: str) -> int:
    names = [run.document["run"] for run in runs]
    return len(names) - names.index(after) - 1 if after in names else len(names)
