"""A unit measured from the page, in the main thread: as `kitproof verify` walks it, shown at the windows."""

from dataclasses import replace

from rig.design.kit import Kit, kit_sha256
from rig.files.errors import PaperError
from rig.page.front import Front, Place
from rig.page.view import Light, Unit, View, after, finished, soak_shown
from rig.report.paper import make_certificate
from rig.run import opening
from rig.run.rehearsal import ready_by_the_first_answer, rehearse
from rig.run.verify import Job, job, verify, with_connection
from rig.run.walk import Confirm
from rig.screen.soak_progress import Watched
from rig.store import records
from rig.store.run_json import Record
from rig.study.kit_warnings import kit_warnings
from rig.values.requests import Programme
from rig.values.run import Event, Finished, Logged, Started


def measure(front: Front, place: Place, unit: Unit) -> None:
    """Measure one unit; its verdict is shown before its record is written, for which nobody has to wait.

    Raises
    ------
    KitproofError
        As `verify`.
    """
    work = job(place.workspace, unit.kit, unit.plan)
    records.refuse_bad_serial(work.kit, unit.serial)
    confirm = _ready_by_the_first_answer(front, place, work)
    bench = opening.open_bench(place.workspace, place.settings, work.kit, unit.serial)
    work = with_connection(work, place.settings)
    lights = tuple(Light(one.name, one.check.TITLE) for one in work.checks)
    front.change(lambda view: replace(view, checks=lights, requests=tuple(work.schedule.requests)))
    shown = _Shown(front, work.kit)
    run, record = verify(
        place.workspace, work, unit.serial, bench, confirm, shown.see, by=place.by, settings=place.settings
    )

    def with_record(view: View) -> View:
        # Meanwhile another unit may have been scanned, or the same once more.
        return finished(view, run, work.kit, record) if view.unit is unit and view.phase != "chosen" else view

    # The way to the report is shown when there is one.
    _certify(front, record)
    front.change(with_record)
    _send(front, place)


class _Shown:
    """Shows the events of a run."""

    def __init__(self, front: Front, kit: Kit) -> None:
        self._front, self._kit = front, kit
        self._watched: Watched | None = None

    def see(self, event: Event) -> None:
        """Show an event."""
        if isinstance(event, Started):
            self._watched = Watched(event.request) if isinstance(event.request, Programme) else None
        if isinstance(event, Logged) and self._watched:
            self._watched.add(event)
        if isinstance(event, Finished):
            self._front.close()
            if event.run.captures or not event.run.bench_failed:
                self._front.change(lambda view: finished(view, event.run, self._kit))
        soak = soak_shown(self._watched) if self._watched else None
        self._front.change(lambda view: after(view, event, soak))


def _ready_by_the_first_answer(front: Front, place: Place, work: Job) -> Confirm:
    """Asks, and gets ready meanwhile: what is odd about the kit, a rehearsal; of each kit once."""
    of = kit_sha256(work.kit)

    def warn() -> None:
        if of not in place.warnings:
            place.warnings[of] = kit_warnings(work.kit)
            rehearse(work.kit, work.checks)
        tell(*place.warnings[of])

    def tell(*words: str) -> None:
        front.change(lambda view: replace(view, warnings=(*view.warnings, *words)))

    return ready_by_the_first_answer(front.confirm, warn, tell)


def _send(front: Front, place: Place) -> None:
    """Begin to deliver what was measured, where benches share a store; nothing waits for it."""
    if place.settings and place.settings.store:
        from rig.store.sending import send_off

        if words := send_off(place.workspace, place.file):
            front.change(lambda view: replace(view, notice=words))


def _certify(front: Front, record: Record) -> None:
    try:
        make_certificate(record)
    except PaperError as error:
        words = f"{error}; the record is whole: {record.folder}"
        front.change(lambda view: replace(view, notice=words))
