"""The main job, from names to a record: load the kit, plan, walk the bench, judge, write."""

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import checks
from rig import records, sequencer
from rig.bench.base import Bench, BenchError
from rig.check import ListedCheck, listed_checks, workspace_checks
from rig.kit import Kit, load_kit
from rig.records import Certificate, Record
from rig.schedule import Schedule, plan

#: Looks at events on their way, to draw them.
View = Callable[[Iterable[sequencer.Event]], Iterator[sequencer.Event]]


@dataclass(frozen=True)
class Job:
    """A kit with its checks and its schedule."""

    kit: Kit
    checks: Sequence[ListedCheck]
    schedule: Schedule


def job(workspace: Path, kit_name: str) -> Job:
    """Load a kit, its checks (the project's and the workspace's own) and plan them.

    Raises
    ------
    TableError
        If a file is wrong.
    """
    kit = load_kit(workspace, kit_name)
    listed = listed_checks(kit, [*checks.ALL, *workspace_checks(workspace)])
    return Job(kit, listed, plan(kit, listed))


def verify(
    workspace: Path,
    work: Job,
    serial: str,
    bench: Bench,
    confirm: sequencer.Confirm,
    view: View,
    certificate: Certificate,
) -> tuple[sequencer.Run, Record]:
    """Verify one unit and write its record.

    An interrupt anywhere on the way ends the run as void; its record is whole all the same.

    Raises
    ------
    RecordError
        If the serial is not one of this kit or no record can be written, before anything sounds.
    BenchError
        If the bench failed before anything was captured.
    """
    folder = records.reserve(workspace, work.kit, serial)
    about = {"started_at": records.now()}
    events = sequencer.run(work.schedule, work.checks, work.kit, bench, confirm)
    run = _last(view(events))
    if run is None:
        run = _last(_interrupted(events))
    assert run is not None
    if run.bench_failed and not run.captures:
        # Nothing sounded: this is no run of the unit.
        records.give_back(folder)
        raise BenchError(run.stopped)
    return run, records.save(folder, work.kit, serial, run, {**about, "bench": bench.describe()}, certificate)


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
