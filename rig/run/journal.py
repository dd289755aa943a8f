"""What is on the disk while a run is under way, so that a crash or a power cut costs at most what was sounding.

A run under way holds a lock in its reserved folder. Every capture is written while the next one sounds, in the stage
soak before anything else does; there every row of a log is synced before the next begins.
`checkpoint.json` in the reserved folder says what stands there; with it the run can go on, or be closed as void.

What touches the folder is done by a thread of its own, and waited for where a stop can end the wait: who waits for
longer than a moment in the soak writes no more noise, which fades out.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, wait
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from rig.files.disk import ANSWERS_WITHIN_S, read_json, why, write
from rig.files.errors import RecordError
from rig.files.plain import Whole, json_bytes, restored, schema_checked, table
from rig.run.disk_thread import DiskThread
from rig.run.interrupts import LOOKS_S, Interrupts
from rig.run.under_way import LOCK, claim, is_claimed
from rig.store.recordings import LogWriter, read_captures, read_rows, write_captures
from rig.store.records import unfinished
from rig.store.run_json import About, CaptureEntry, up_to_date
from rig.values.captures import Calibration, Capture
from rig.values.logs import Row
from rig.values.requests import Programme
from rig.values.run import Asked, Captured, DiskWaits, Event, Logged, StageReached, Started

if TYPE_CHECKING:
    from rig.design.kit import Kit

Given = TypeVar("Given")

#: A heat test waits so long for its folder, in silence, then it ends and can be taken up again: what is heard is kept
#: for a minute (`rig.bench.soundcard.RING_S`), and a row lasts up to half of that; our choice.
SOAK_WAITS_S = 25.0
CHECKPOINT = "checkpoint.json"
SCHEMA = "kitproof checkpoint 1"


@dataclass(frozen=True, kw_only=True)
class Facts:
    """What is known of a run under way."""

    kit: str
    serial: str
    kit_sha256: str
    #: What its record will say of it.
    about: About
    #: How often the person at the bench was asked to go on, up to the place where something was moved last.
    asked: Whole = 0


@dataclass(frozen=True, kw_only=True)
class Checkpoint(Facts):
    """What stands on the disk of a run under way: the contents of checkpoint.json."""

    calibrations: tuple[Calibration, ...]
    captures: tuple[CaptureEntry, ...]
    logs: tuple[Programme, ...]


@dataclass(frozen=True, kw_only=True)
class Interrupted(Facts):
    """A run that was cut off, as it stands on the disk."""

    folder: Path
    captures: tuple[Capture, ...]
    #: Of each capture the file that holds it, in the folder.
    files: tuple[str, ...]
    logs: dict[Programme, list[Row]]


class Journal:
    """Keeps a run's events on the disk.

    Parameters
    ----------
    folder : reserved for the run's record
    kit, serial : of the run
    about : what its record will say of it
    known : what an interrupted run had on the disk already
    """

    def __init__(self, folder: Path, kit: "Kit", serial: str, about: About, known: Interrupted | None = None) -> None:
        from rig.design.kit import kit_sha256

        self._folder = folder
        self._facts = Facts(kit=kit.name, serial=serial, kit_sha256=kit_sha256(kit), about=about)
        captures, files, logs = (known.captures, known.files, known.logs) if known else ((), (), {})
        self._rows_known = {programme: len(rows) for programme, rows in logs.items()}
        #: Captures on the disk, by the identity of their samples.
        self.files = {id(one.samples): file for one, file in zip(captures, files, strict=True)}
        #: Likewise all that there are, each with what speaks against it: nothing drops out when a run is taken up.
        self._captures: dict[int, tuple[Capture, tuple[str, ...]]] = {id(one.samples): (one, ()) for one in captures}
        self._programmes = list(logs)
        self._rows: LogWriter | None = None
        self._asked, self._asked_at_place = 0, known.asked if known else 0
        self._is_soak = False
        self._disk, self._writing = DiskThread(), deque[Future[None]]()
        #: Whether it was shown that the folder does not answer.
        self._is_shown_silent = False
        try:
            self._lock = claim(folder / LOCK, folder.parents[3])
        except BlockingIOError:
            raise RecordError(f"{folder}: a run is under way there") from None
        except OSError as error:
            raise RecordError(
                f"{folder / LOCK}: cannot be locked, so that no stop would find the run: {why(error)}"
            ) from None

    def keep(self, events: Iterable[Event]) -> Iterator[Event]:
        """Pass events on, each after what it brought is on the disk or about to be written.

        Raises
        ------
        RecordError
            If it cannot be written (a full disk), or a heat test has waited for too long; what was written stays.
        """
        for event in events:
            self._write(event)
            yield from self._settled()
            yield event

    def _settled(self) -> Iterator[Event]:
        """Take back what has been written, in the soak all of it; tells of a folder that does not answer."""
        while self._writing:
            done, _ = wait([self._writing[0]], LOOKS_S if self._is_soak else 0.0)
            if done:
                try:
                    self._writing.popleft().result()
                except (OSError, RecordError) as error:
                    raise self._unwritten(error) from None
                continue
            yield from self._waits_shown()
            if self._is_soak and self._disk.busy_s > SOAK_WAITS_S:
                raise RecordError(
                    f"{self._folder}: no answer for {SOAK_WAITS_S:g} s. The heat test was ended; when the drive is "
                    f"back, take it up again: kitproof resume {self._facts.serial}"
                )
            if not self._is_soak:
                return
        yield from self._waits_shown()

    def _unwritten(self, error: OSError | RecordError) -> RecordError:
        """What could not be written, and how to go on with the run where there is something to go on with."""
        words = str(error)
        if isinstance(error, OSError):
            words = f"{error.filename or self._folder}: what was measured could not be written: {why(error)}"
        if (self._folder / CHECKPOINT).is_file():
            words += (
                "\nWhat was written before is kept. When the disk is well again, "
                f"kitproof resume {self._facts.serial} goes on with the run, or closes it (--close)"
            )
        return RecordError(words)

    def _waits_shown(self) -> Iterator[DiskWaits]:
        """What is new about a folder that does not answer, or answers again."""
        is_silent = self._disk.busy_s > ANSWERS_WITHIN_S
        if is_silent and not self._is_shown_silent:
            yield DiskWaits(
                f"{self._folder}: no answer for {ANSWERS_WITHIN_S:g} s. Is it on a network drive whose server is off "
                "or cut off? What is measured is kept, and written when it answers again"
            )
        if self._is_shown_silent and not is_silent:
            yield DiskWaits(f"{self._folder}: answers again")
        self._is_shown_silent = is_silent

    def ended(self, last: Callable[[], Given], view: Callable[[Event], None], ctrl_c: Interrupts) -> Given:
        """What the last work on the folder gives, once all is written and let go of.

        A folder that does not answer is waited for, until the person at the bench interrupts that.

        Raises
        ------
        RecordError
            If it was interrupted, or a log cannot be closed; or as the last work.
        """

        def finish() -> Given:
            # A folder with an open file in it cannot be put in its place on Windows.
            try:
                self._close_rows()
            except OSError as error:
                raise self._unwritten(error) from None
            finally:
                self._lock.close()
            return last()

        finishing, came = self._disk.do(finish), 0
        self._disk.close()
        while not wait([finishing], LOOKS_S).done:
            for event in self._waits_shown():
                came = ctrl_c.times
                # A library of the view may end the program when nobody reads any more.
                with suppress(Exception, SystemExit):
                    view(event)
            if self._is_shown_silent and ctrl_c.times > came:
                raise RecordError(
                    f"{self._folder}: no answer, and it was waited for no longer. What reached the drive is there; "
                    f"when it is back, kitproof resume {self._facts.serial} goes on with it, or closes it (--close)"
                )
        return finishing.result()

    def _write(self, event: Event) -> None:
        match event:
            case Asked(_, is_place=False):
                self._asked += 1
            case StageReached() | Asked():
                self._asked += 1
                self._is_soak = self._is_soak or (isinstance(event, StageReached) and event.stage == "soak")
                if self._asked > self._asked_at_place:
                    self._asked_at_place = self._asked
                    self._checkpoint()
            case Captured(capture, troubles):
                self._captures[id(capture.samples)] = (capture, troubles)
                if id(capture.samples) not in self.files:
                    self._checkpoint()
            case Started(request) if isinstance(request, Programme):
                if request not in self._programmes:
                    self._programmes.append(request)
                number = self._programmes.index(request) + 1
                self._writing.append(self._disk.do(lambda: self._begin_log(number)))
                self._checkpoint()
            case Logged(programme, row, _):
                self._append(programme, row)

    def _close_rows(self) -> None:
        if self._rows:
            self._rows.close()

    def _begin_log(self, number: int) -> None:
        self._close_rows()
        self._rows = LogWriter(self._folder, number)

    def _append(self, programme: Programme, row: Row) -> None:
        if self._rows_known.get(programme, 0):
            # On the disk since before the interruption.
            self._rows_known[programme] -= 1
        else:
            self._writing.append(self._disk.do(lambda: self._put_row(row)))

    def _put_row(self, row: Row) -> None:
        if self._rows:
            self._rows.append(row)

    def _checkpoint(self) -> None:
        """Have all written that there is by now; of a run that has recorded nothing there is nothing to be taken up."""
        if self._captures or self._programmes:
            facts = {**vars(self._facts), "asked": self._asked_at_place}
            stands = (facts, tuple(self._captures.values()), tuple(self._programmes))
            self._writing.append(self._disk.do(lambda: self._put_down(*stands)))

    def _put_down(
        self, facts: dict[str, Any], kept: Sequence[tuple[Capture, tuple[str, ...]]], logs: tuple[Programme, ...]
    ) -> None:
        calibrations, captures = write_captures(kept, self._folder, self.files)
        stands = Checkpoint(**facts, calibrations=calibrations, captures=captures, logs=logs)
        write(self._folder / CHECKPOINT, json_bytes({"schema": SCHEMA, **table(stands)}))


def interrupted(workspace: Path) -> list[Path]:
    """Folders of runs that were interrupted and are not under way."""
    return list(filter(is_interrupted, unfinished(workspace)))


def is_interrupted(folder: Path) -> bool:
    """Whether a reserved folder is that of a run which can be taken up; of one that may not be entered: it may be."""
    try:
        return (folder / CHECKPOINT).is_file() and not is_running(folder)
    except PermissionError:
        return True


def is_running(folder: Path) -> bool:
    """Whether a run is writing into this folder now."""
    return is_claimed(folder / LOCK)


def load(folder: Path) -> Interrupted:
    """An interrupted run from its folder.

    Raises
    ------
    RecordError
        If the checkpoint or a capture cannot be read.
    """
    path = folder / CHECKPOINT
    try:
        found = restored(Checkpoint, up_to_date(schema_checked(read_json(path), SCHEMA)))
        return Interrupted(
            **{one.name: getattr(found, one.name) for one in fields(Facts)},
            folder=folder,
            captures=tuple(read_captures(folder, found.captures, found.calibrations)),
            files=tuple(entry.file for entry in found.captures),
            logs={programme: read_rows(folder, number) for number, programme in enumerate(found.logs, 1)},
        )
    except (OSError, KeyError, ValueError) as error:
        raise RecordError(f"{path}: cannot be read: {error}") from None


def load_all(workspace: Path) -> tuple[list[Interrupted], list[str]]:
    """The interrupted runs of a workspace, and those that cannot be read, in words."""
    found, problems = [], []
    for folder in interrupted(workspace):
        try:
            found.append(load(folder))
        except RecordError as error:
            problems.append(str(error))
    return found, problems
