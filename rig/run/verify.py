"""The main job, from names to a record: load the kit, plan, walk the bench, judge, write."""

import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib import import_module
from inspect import GEN_SUSPENDED, getgeneratorstate
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

import checks
from rig.bench.base import Bench
from rig.bench.connection import connection_words
from rig.bench.settings import BenchSettings, MakerSettings, bench_name
from rig.design.kit import Kit, kit_sha256, load_kit
from rig.design.limits import reference_troubles
from rig.files.disk import read_bytes, why, write
from rig.files.errors import BenchError, RecordError
from rig.run import sequencer
from rig.run.interrupts import Interrupts, interrupts
from rig.run.journal import Interrupted, Journal
from rig.run.resume import ResumedBench, with_left_over
from rig.run.schedule import Schedule, plan, with_codes
from rig.run.walk import Confirm
from rig.store import records
from rig.store.homes import hint, now, run_number
from rig.store.rework_notes import about_next
from rig.store.run_json import About, Maker, Record, RunBefore
from rig.values.run import Event, Finished, Run
from rig.verdict.check import ListedCheck, listed_checks, workspace_checks
from rig.verdict.unmet_limits import refuse_unmet

if TYPE_CHECKING:
    from rig.store.unit_history import History

#: Is told of each event, to draw it; nothing hangs on what comes of that.
View = Callable[[Event], None]
Events = Generator[Event, None, None]
#: Says, soon, what the store has of a unit, or why that is not known; None: there is no store.
Others: TypeAlias = "Callable[[], History | str] | None"

#: A clock that is kept by a time server is moved by less (common practice, no source).
LEAP_S = 60.0


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
    return job_of(workspace, load_kit(workspace, kit_name), plan_name)


def job_of(workspace: Path, kit: Kit, plan_name: str = "") -> Job:
    """As `job`, of a kit that is loaded."""
    listed = listed_checks(kit, [*checks.ALL, *workspace_checks(workspace)], plan_name)
    refuse_unmet(kit, listed)
    return Job(kit, listed, plan(kit, listed), kit.planned(plan_name)[0])


def load_what_computes() -> None:
    """Load the libraries that take their time, before what is recorded waits for them."""
    for name in ("scipy.signal", "scipy.optimize"):
        import_module(name)


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
    confirm: Confirm,
    view: View,
    *,
    by: str = "",
    batch: str = "",
    settings: BenchSettings | None = None,
) -> tuple[Run, Record]:
    """Verify one unit and write its record; `by` is who measured, a person or a jig, `batch` the lot it belongs to.

    `settings` are the bench's: its name, its maker, its store; none: those of the simulated one.

    An interrupt anywhere on the way ends the run as void; its record is whole all the same.

    Raises
    ------
    RecordError
        If the serial is not one of this kit or no record can be written, before anything sounds.
    BenchError
        If the bench failed before anything was captured.
    """
    with interrupts() as ctrl_c:
        name = bench_name(settings)
        folder = records.reserve(workspace, work.kit, serial, name)
        about = about_next(folder.parent, work.plan, " ".join(by.split()), " ".join(batch.split()))
        odd = reference_troubles(work.kit.limits, work.kit.folder, work.kit.files)
        maker, no_picture = _recorded(settings.maker if settings else None, folder)
        about = replace(about, set_aside=(*about.set_aside, *odd, *no_picture), maker=maker, bench_name=name)
        others = _asked(settings, work, serial)
        began_s = time.monotonic()
        journal = Journal(folder, work.kit, serial, about)
        run = _walk(_coded(work, serial, folder), bench, confirm, view, journal, ctrl_c)
        if run.bench_failed and not run.captures:
            # Nothing sounded: this is no run of the unit.
            journal.ended(lambda: records.give_back(folder), view, ctrl_c)
            raise BenchError(run.stopped)
        clock = clock_words(about.started_at, time.monotonic() - began_s, now(), about.before)
        about = replace(about, bench=bench.describe(), clock=clock)

        def save() -> Record:
            known = _with_others(about, folder.parent, others)
            return records.save(folder, work.kit, serial, run, known, journal.files)

        return run, journal.ended(save, view, ctrl_c)


def _recorded(maker: MakerSettings | None, folder: Path) -> tuple[Maker | None, tuple[str, ...]]:
    """The maker as a record holds one, whose picture is put into its folder; and why it is not there, in words."""
    if maker is None:
        return None, ()
    logo, troubles = "", tuple[str, ...]()
    if maker.logo:
        logo = f"maker{Path(maker.logo).suffix}"
        try:
            write(folder / logo, read_bytes(Path(maker.logo)))
        except OSError as error:
            # A picture is worth no record.
            logo, troubles = "", (f"the maker's picture is left out: {maker.logo} could not be copied: {why(error)}",)
    return Maker(maker.name, maker.address, maker.place, maker.language, logo), troubles


def resume(
    work: Job,
    before: Interrupted,
    live: Bench | None,
    confirm: Confirm,
    view: View,
    settings: BenchSettings | None = None,
) -> tuple[Run, Record]:
    """Go on with a run that was interrupted, or close it as void (`live` None), and write its record.

    Raises
    ------
    RecordError
        If the kit has changed since, whose limits and requests would not be those that the run began with; or it is
        another bench.
    """
    name = before.about.bench_name or bench_name(settings)
    if live:
        changed = f"kit {before.kit!r} has changed since" if kit_sha256(work.kit) != before.kit_sha256 else ""
        if name != bench_name(settings):
            changed = f"it began at the bench {name!r}, and this is {bench_name(settings)!r}"
        if changed:
            raise RecordError(f"{before.folder}: {changed}; the run can only be closed (--close)")
    bench, others = ResumedBench(before, live), _asked(settings, work, before.serial)
    asked, places = 0, {stage.words: len(stage.groups) for stage in work.schedule.stages}

    def ask(words: str) -> bool:
        # At the place where the run was cut off it is asked again, and how its stage is wired: something may have been
        # moved since.
        nonlocal asked
        asked += 1
        bench.is_at_cut = asked >= before.asked
        is_cut_behind = before.asked - asked <= places.get(words, 0)
        return live is None or not (bench.is_at_cut or is_cut_behind) or confirm(words)

    with interrupts() as ctrl_c:
        # A stop looks first where something has changed last.
        hint(before.folder.parent)
        journal = Journal(before.folder, work.kit, before.serial, before.about, before)
        run = _walk(_coded(work, before.serial, before.folder), bench, ask, view, journal, ctrl_c)
        run = with_left_over(run, bench)
        about = replace(before.about, resumed_at=now(), bench=bench.describe(), bench_name=name)

        def save() -> Record:
            known = _with_others(about, before.folder.parent, others)
            return records.save(before.folder, work.kit, before.serial, run, known, journal.files)

        return run, journal.ended(save, view, ctrl_c)


def _asked(settings: BenchSettings | None, work: Job, serial: str) -> Others:
    """Ask the store what other benches measured of a unit, while it is measured here; None: there is no store."""
    if settings is None or settings.store is None:
        return None
    # Who has no store need not load a database.
    from rig.store.unit_history import asked_beside

    return asked_beside(settings.store, work.kit.name, serial)


def _with_others(about: About, home: Path, others: Others) -> About:
    if others is None:
        return about
    from rig.store.unit_history import with_others

    return with_others(about, home, others())


def _coded(work: Job, serial: str, folder: Path) -> Job:
    """A job whose sweeps have the codes of a run: of its kit, its serial and its number, so that a rerun has others."""
    run = f"{work.kit.name} {serial} {run_number(folder.name)}"
    return replace(work, schedule=with_codes(work.schedule, run))


def clock_words(
    started_at: str, elapsed_s: float, finished_at: str, before: RunBefore | None = None
) -> tuple[str, ...]:
    """What is odd about the clock that dates a run: it leapt meanwhile, or is behind the run before; empty: nothing.

    Parameters
    ----------
    started_at, finished_at : ISO 8601 with zone, by the clock
    elapsed_s : seconds between the two by a clock that cannot be set
    before : the newest run before this one
    """
    began, ended = datetime.fromisoformat(started_at), datetime.fromisoformat(finished_at)
    problems = []
    leapt_s = (ended - began).total_seconds() - elapsed_s
    if abs(leapt_s) > LEAP_S:
        way = "ahead" if leapt_s > 0 else "back"
        problems.append(
            f"the computer's clock leapt {way} by {abs(leapt_s):.0f} s during this run: its dates are not sure"
        )
    previous = before.finished_at if before else ""
    if previous and datetime.fromisoformat(previous) > began:
        problems.append(
            f"the computer's clock is behind: the run before this one ended at {previous}, this began earlier"
        )
    return tuple(problems)


def _walk(work: Job, bench: Bench, confirm: Confirm, view: View, journal: Journal, ctrl_c: Interrupts) -> Run:
    def begin() -> Events:
        return sequencer.run(work.schedule, work.checks, work.kit, bench, confirm)

    events = begin()
    run = None
    try:
        with ctrl_c.may_end():
            run = _last(_until_stopped(_shown(journal.keep(events), view), ctrl_c))
    except KeyboardInterrupt:
        run = None
    except BaseException:
        # Nothing may sound on where the record cannot be kept.
        events.close()
        journal.ended(lambda: None, view, ctrl_c)
        raise
    if run is None or (ctrl_c.came and not run.stopped):
        # It struck outside the sequencer, or was lost in a callback: the sequencer is told, and finishes.
        began = getgeneratorstate(events) == GEN_SUSPENDED
        run = _last(_interrupted(events if began else begin()))
    return run


def _shown(events: Iterable[Event], view: View) -> Iterator[Event]:
    """Pass events on, each after the view was told; a view that fails is told no more."""
    is_shown = True
    for event in events:
        try:
            if is_shown:
                view(event)
        # A library of the view may end the program when nobody reads any more.
        except (Exception, SystemExit):
            is_shown = False
        yield event


def _until_stopped(events: Iterable[Event], ctrl_c: Interrupts) -> Iterator[Event]:
    """Pass events on; an interrupt that was raised where nothing can be raised, in a callback, is raised again."""
    for event in events:
        if ctrl_c.came and not isinstance(event, Finished):
            raise KeyboardInterrupt
        yield event


def _last(events: Iterable[Event]) -> Run:
    """The run, which is the last event."""
    return next(event.run for event in events if isinstance(event, Finished))


def _interrupted(events: Events) -> Iterator[Event]:
    """Tell the sequencer of an interrupt and let it finish."""
    if getgeneratorstate(events) != GEN_SUSPENDED:
        # Only what has begun can be told of; nothing has sounded then.
        next(events)
    yield events.throw(KeyboardInterrupt())
    yield from events
