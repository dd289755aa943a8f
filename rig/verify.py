"""The main job, from names to a record: load the kit, plan, walk the bench, judge, write."""

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import checks
from rig import records, sequencer
from rig.bench.base import Bench, BenchError
from rig.bench.connection import connection_words
from rig.bench.settings import BenchSettings
from rig.check import ListedCheck, listed_checks, workspace_checks
from rig.journal import Interrupted, Journal
from rig.kit import Kit, kit_sha256, load_kit
from rig.records import Certificate, Record, RecordError
from rig.resume import ResumedBench
from rig.rework import history
from rig.schedule import Schedule, plan

#: Looks at events on their way, to draw them.
View = Callable[[Iterable[sequencer.Event]], Iterator[sequencer.Event]]


@dataclass(frozen=True)
class Job:
    """A kit with its checks and its schedule."""

    kit: Kit
    checks: Sequence[ListedCheck]
    schedule: Schedule
    #: Name of the kit's plan that is followed; empty: the kit has none.
    plan: str = ""


def job(workspace: Path, kit_name: str, plan_name: str = "") -> Job:
    """Load a kit, its checks (the project's and the workspace's own) and plan those of one of its plans.

    Raises
    ------
    TableError
        If a file is wrong.
    """
    kit = load_kit(workspace, kit_name)
    listed = listed_checks(kit, [*checks.ALL, *workspace_checks(workspace)], plan_name)
    return Job(kit, listed, plan(kit, listed), kit.planned(plan_name)[0])


def with_connection(work: Job, settings: BenchSettings | None) -> Job:
    """A job that asks before each stage how the sound card is connected; on a simulated bench nothing is."""
    if settings is None or settings.kind == "simulated":
        return work
    stages = tuple(
        replace(stage, words=f"{stage.words.strip()}\n\n{connection_words(work.kit, settings, stage.name)}")
        for stage in work.schedule.stages
    )
    return replace(work, schedule=replace(work.schedule, stages=stages))


def verify(
    workspace: Path,
    work: Job,
    serial: str,
    bench: Bench,
    confirm: sequencer.Confirm,
    view: View,
    certificate: Certificate,
    by: str = "",
) -> tuple[sequencer.Run, Record]:
    """Verify one unit and write its record; `by` is who measured, a person or a jig.

    An interrupt anywhere on the way ends the run as void; its record is whole all the same.

    Raises
    ------
    RecordError
        If the serial is not one of this kit or no record can be written, before anything sounds.
    BenchError
        If the bench failed before anything was captured.
    """
    folder = records.reserve(workspace, work.kit, serial)
    about: dict[str, Any] = {"plan": work.plan, "started_at": records.now(), "by": " ".join(by.split())}
    about |= history(folder.parent)
    journal = Journal(folder, work.kit, serial, about)
    run = _walk(work, bench, confirm, view, journal)
    if run.bench_failed and not run.captures:
        # Nothing sounded: this is no run of the unit.
        records.give_back(folder)
        raise BenchError(run.stopped)
    about["bench"] = bench.describe()
    return run, records.save(folder, work.kit, serial, run, about, certificate, journal.written)


def resume(
    work: Job,
    before: Interrupted,
    live: Bench | None,
    confirm: sequencer.Confirm,
    view: View,
    certificate: Certificate,
) -> tuple[sequencer.Run, Record]:
    """Go on with a run that was interrupted in its soak, or close it as void (`live` None), and write its record.

    Raises
    ------
    RecordError
        If the kit has changed since: its limits and its programme would not be those that the run began with.
    """
    if live and kit_sha256(work.kit) != before.kit_sha256:
        raise RecordError(
            f"{before.folder}: kit {before.kit!r} has changed since; the run can only be closed (--close)"
        )
    bench = ResumedBench(before, live)
    asked = 0

    def ask(words: str) -> bool:
        # The last question of the interrupted run is asked again: something may have been moved since.
        nonlocal asked
        asked += 1
        return live is None or asked < before.asked or confirm(words)

    journal = Journal(before.folder, work.kit, before.serial, before.about, before)
    run = _walk(work, bench, ask, view, journal)
    about = {**before.about, "resumed_at": records.now(), "bench": bench.describe()}
    return run, records.save(before.folder, work.kit, before.serial, run, about, certificate, journal.written)


def _walk(work: Job, bench: Bench, confirm: sequencer.Confirm, view: View, journal: Journal) -> sequencer.Run:
    events = sequencer.run(work.schedule, work.checks, work.kit, bench, confirm)
    run = _last(view(journal.keep(events)))
    if run is None:
        run = _last(_interrupted(events))
    journal.close()
    assert run is not None
    return run


def _last(events: Iterable[sequencer.Event]) -> sequencer.Run | None:
    """The run, or None when an interrupt struck outside the sequencer before its end."""
    try:
        for event in events:
            if isinstance(event, sequencer.Finished):
                return event.run
    except KeyboardInterrupt:
        pass
    return None


def _interrupted(events: Generator[sequencer.Event, None, None]) -> Iterator[sequencer.Event]:
    """Tell the sequencer of an interrupt and let it finish."""
    yield events.throw(KeyboardInterrupt())
    yield from events
