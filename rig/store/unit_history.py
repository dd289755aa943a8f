"""What all benches measured of one unit and did to it, as the store tells it; said where it cannot be told."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import sqlalchemy as sa

from rig.store.homes import run_names, stamp
from rig.store.index_tables import readings, reworks, runs
from rig.store.rework_notes import reworks as reworks_here
from rig.store.run_json import About, Rework, RunBefore
from rig.store.shared_store import StoreError, ask_store

if TYPE_CHECKING:
    from rig.bench.store_settings import StoreSettings

#: So long the store is waited for, from when it was asked, s; a run takes longer than that (our choice).
PATIENCE_S = 5.0
#: So many characters of a run's name say when it began: 2026-03-01T081500Z; by definition.
STAMP = 18


@dataclass(frozen=True)
class RunThere:
    """A run as the store has it."""

    #: Its folder, under `results/` of its bench and under the place for files.
    path: str
    run: str
    bench: str
    outcome: str
    finished_at: str
    #: Which checks failed or are void, or why it was stopped.
    wrong: str
    #: Readings that failed: check, quantity, subject.
    failed: tuple[str, ...] = ()


@dataclass(frozen=True)
class History:
    """What the store has of one unit, oldest first."""

    runs: tuple[RunThere, ...]
    reworks: tuple[Rework, ...]


def history(settings: "StoreSettings", kit: str, serial: str) -> History:
    """What all benches delivered of a unit; `kit` empty: of all that have this serial.

    Raises
    ------
    StoreError
        If the store cannot tell.
    """
    return ask_store(settings, lambda connection: _history(connection, kit, serial))


def asked_beside(settings: "StoreSettings", kit: str, serial: str) -> Callable[[], History | str]:
    """Ask the store while something else is done; what is returned gives its answer, or why there is none, and soon."""
    answers: list[History | str] = []

    def ask() -> None:
        try:
            answers.append(history(settings, kit, serial))
        except StoreError as error:
            answers.append(str(error))
        # A run never hangs on what becomes of this question.
        except Exception as error:
            answers.append(f"{type(error).__name__}: {error}")

    began_s = time.monotonic()
    behind = Thread(target=ask, daemon=True)
    behind.start()

    def answer() -> History | str:
        behind.join(max(0.0, began_s + PATIENCE_S - time.monotonic()))
        return answers[0] if answers else "the store does not answer"

    return answer


def elsewhere(told: History, home: Path) -> History:
    """Of a unit's history what is not known in its folder here."""
    here, notes_here = set(run_names(home)), set(reworks_here(home)[0])
    return History(
        tuple(run for run in told.runs if run.run not in here),
        tuple(note for note in told.reworks if note not in notes_here),
    )


def with_others(about: About, home: Path, told: History | str) -> About:
    """What is known of a run that was made here, with what other benches measured of its unit and did to it before.

    Between benches runs and notes go by the time that they say.
    """
    if isinstance(told, str):
        words = f"what other benches measured of this unit is not known here: {told}"
        return replace(about, set_aside=(*about.set_aside, words))
    others = elsewhere(told, home)
    if not others.runs and not others.reworks:
        return about
    notes = sorted((*reworks_here(home)[0], *others.reworks), key=lambda note: stamp(note.at))
    by_time = sorted([*run_names(home), *(run.run for run in others.runs)])
    since = stamp(notes[-1].at) if notes else ""
    newest = by_time[-1][:STAMP] if by_time else ""
    last = next((run for run in others.runs if run.run == by_time[-1]), None)
    return replace(
        about,
        rework=tuple(note for note in notes if stamp(note.at) >= newest),
        runs_untouched=1 + sum(run[:STAMP] > since for run in by_time),
        before=_before(last) if last else about.before,
    )


def _before(run: RunThere) -> RunBefore:
    outcome = run.outcome
    if outcome not in ("pass", "fail", "void"):
        outcome = "void"
    return RunBefore(run.run, outcome, run.failed, run.finished_at, run.bench)  # type: ignore[arg-type]


def _history(connection: sa.Connection, kit: str, serial: str) -> History:
    of_unit = [sa.and_(table.c.serial == serial, table.c.kit == kit if kit else sa.true()) for table in (runs, reworks)]
    failed: dict[int, list[str]] = {}
    asked = sa.select(readings.c.run_id, readings.c.check, readings.c.quantity, readings.c.subject)
    wrong = asked.join(runs, runs.c.id == readings.c.run_id).where(of_unit[0], readings.c.outcome == "fail")
    for run_id, *names in connection.execute(wrong.order_by(readings.c.run_id, readings.c.place)):
        failed.setdefault(run_id, []).append(" ".join(filter(None, names)))
    found = sa.select(runs).where(of_unit[0]).order_by(runs.c.run)
    notes = sa.select(reworks.c.at, reworks.c.words, reworks.c.by, reworks.c.after).where(of_unit[1])
    return History(
        tuple(
            RunThere(
                f"{row.kit}/{row.serial}/{row.run}",
                row.run,
                row.bench,
                row.outcome,
                row.finished_at,
                row.wrong,
                tuple(failed.get(row.id, ())),
            )
            for row in connection.execute(found)
        ),
        tuple(sorted((Rework(*row) for row in connection.execute(notes)), key=lambda note: stamp(note.at))),
    )
