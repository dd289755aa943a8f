"""What was done to a unit between two runs, and whether it helped.

Three counters stay apart: a repeat (a capture taken again within a run, nothing was touched), a retest (another run of
the same unit), and a re-judging (old captures by new limits). A rework is what makes a retest another matter: a unit
that is measured again and again until it passes, with nothing done to it, has proved nothing but patience.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.files.disk import parse_json, why, write
from rig.files.errors import RecordError
from rig.files.plain import json_bytes, restored, schema_checked, table
from rig.store.bench_chain import next_link, read_closed, slug
from rig.store.homes import hint, is_note, make_home, now, run_names
from rig.store.records import last_record, refuse_bad_serial
from rig.store.run_json import About, Record, Rework, RunBefore

if TYPE_CHECKING:
    from rig.design.kit import Kit

#: So many runs of one unit with nothing done to it are reported on its certificate; our choice.
MANY = 3
SCHEMA = "kitproof rework 1"


def note(
    workspace: Path, kit: "Kit", serial: str, words: str, by: str = "", bench: str = "", *, after: str = ""
) -> Path:
    """Note what was done to a unit, at a bench; the next run is linked to it.

    `after` is the newest run of a unit that was measured at other benches alone.

    Raises
    ------
    RecordError
        If the serial is not one of the kit's, the unit has no record yet, there are no words, or nothing can be
        written there.
    """
    refuse_bad_serial(kit, serial)
    # Half a character can come with what a page is sent, and stand in JSON; nowhere else.
    words, by = (text.encode("utf-8", "replace").decode() for text in (" ".join(words.split()), by))
    if not words:
        raise RecordError("found no words; allowed: what was done to the unit, such as 'resoldered C3 left'")
    home = workspace / "results" / kit.name / serial
    last, odd = last_record(home)
    if last is None and not after:
        none = f"no record of {serial!r} in {workspace / 'results'}: a rework follows a run"
        raise RecordError("; ".join([none, *odd]))
    number = 1 + max((_number(path) for path in _notes(home)), default=0)
    path = home / f"rework-{number:03d}{f'-{slug(bench)}' if bench else ''}.json"
    one = Rework(now(), words, by, last.run if last else after)
    try:
        made = make_home(home)
        with next_link(workspace / "results", bench) as (link, put_down):
            content = json_bytes({"schema": SCHEMA, **table(one), "link": link})
            put_down(f"{kit.name}/{serial}/{path.name}", content)
            write(path, content, is_new=True)
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {why(error)}") from None
    hint(home, made)
    return path


def reworks(home: Path) -> tuple[list[Rework], list[str]]:
    """All notes of one unit (`results/<kit>/<serial>`), oldest first, and what could not be read, in words."""
    found, problems = [], []
    for path in _notes(home):
        try:
            said = schema_checked(parse_json(read_closed(path, home.parent.parent)), SCHEMA, or_none=True)
            said.pop("link", None)
            found.append(restored(Rework, said))
        except RecordError as error:
            problems.append(f"{error}; the note is left out")
        except (OSError, ValueError) as error:
            problems.append(f"{path}: not a note of a rework, left out: {' '.join(str(error).split())[:200]}")
    return found, problems


def about_next(home: Path, plan: str = "", by: str = "", batch: str = "") -> About:
    """What is known of a run of a unit that begins now: by which plan, by whom, in which lot, what was before."""
    (last, odd_runs), (notes, odd_notes) = last_record(home), reworks(home)
    about = About(started_at=now(), plan=plan, by=by, batch=batch, set_aside=(*odd_runs, *odd_notes))
    if last is None:
        return about
    runs = run_names(home)
    return replace(
        about,
        rework=tuple(rework for rework in notes if rework.after == last.run),
        runs_untouched=1 + (_runs_since(runs, notes[-1].after) if notes else len(runs)),
        before=RunBefore(last.run, last.outcome, failed(last), last.finished_at),
    )


def failed(record: Record) -> tuple[str, ...]:
    """Readings that failed in a run, by check, quantity and subject."""
    return tuple(
        " ".join(filter(None, (result.check, verdict.quantity, verdict.subject)))
        for result in record.results
        for verdict in result.verdicts
        if verdict.outcome == "fail"
    )


def helped(before: Sequence[str], now_failed: Sequence[str], not_measured: bool = False) -> str:
    """Whether what was done helped, in words."""
    cured = [name for name in before if name not in now_failed]
    new = [name for name in now_failed if name not in before]
    still = [name for name in now_failed if name in before]
    if not_measured:
        return "whether it helped is not known: the run after it did not go through"
    lines = []
    if before and not still:
        lines.append("it helped: nothing that failed before fails now")
    elif cured:
        lines.append(f"it helped in part: {len(cured)} of {len(before)} no longer fail")
    elif before:
        lines.append("it did not help: all that failed before still fails")
    if new:
        lines.append(f"new: {', '.join(new)}")
    return "; ".join(lines) or "nothing failed before it"


def _notes(home: Path) -> list[Path]:
    return sorted(path for path in home.glob("rework-*.json") if is_note(path.name))


def _number(path: Path) -> int:
    return int(path.stem.split("-")[1])


def _runs_since(names: Sequence[str], after: str) -> int:
    return len(names) - names.index(after) - 1 if after in names else len(names)
