"""What is on the disk while a long run is under way, so that a crash or a power cut loses nothing but a row.

From the stage soak on, every capture is written at once and every row of a log is synced before the next begins.
`checkpoint.json` in the reserved folder says what stands there; with it the run can go on, or be closed as void.
"""

import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from rig.design.kit import Kit, kit_sha256
from rig.files.disk import read_json, why, write
from rig.files.errors import RecordError
from rig.store.recordings import LogWriter, programme_of, read_captures, read_rows, write_captures
from rig.store.records import UNFINISHED, unfinished
from rig.values.captures import Capture
from rig.values.logs import Row
from rig.values.requests import Programme
from rig.values.run import Asked, Captured, Event, Logged, StageReached, Started

CHECKPOINT, LOCK = "checkpoint.json", "running.lock"
SCHEMA = "kitproof checkpoint 1"


@dataclass(frozen=True)
class Interrupted:
    """A run that ended in the middle of its soak, as it stands on the disk."""

    folder: Path
    kit: str
    serial: str
    kit_sha256: str
    #: What its record will say of it: plan, started_at, by.
    about: dict[str, Any]
    captures: tuple[Capture, ...]
    logs: dict[Programme, list[Row]]
    #: How often the person at the bench had been asked to go on.
    asked: int


class Journal:
    """Keeps a run's events on the disk from the stage soak on.

    Parameters
    ----------
    folder : reserved for the run's record
    kit, serial : of the run
    about : what its record will say of it
    known : what an interrupted run had on the disk already
    """

    def __init__(
        self, folder: Path, kit: Kit, serial: str, about: dict[str, Any], known: Interrupted | None = None
    ) -> None:
        self._folder = folder
        self._facts = {"kit": kit.name, "serial": serial, "kit_sha256": kit_sha256(kit), "about": about}
        self._known = {programme: len(rows) for programme, rows in known.logs.items()} if known else {}
        #: Captures on the disk, the first so many of the run.
        self.written = len(known.captures) if known else 0
        self._captures: list[tuple[Capture, tuple[str, ...]]] = []
        self._programmes: list[Programme] = []
        self._writer: LogWriter | None = None
        self._asked = 0
        self._lock: IO[str] | None = None

    def keep(self, events: Iterable[Event]) -> Iterator[Event]:
        """Pass events on, each after what it brought is on the disk.

        Raises
        ------
        RecordError
            If it cannot be written (a full disk); what was written before stays.
        """
        for event in events:
            try:
                self._write(event)
            except OSError as error:
                raise RecordError(f"{self._folder}: what was measured could not be written: {why(error)}") from None
            yield event

    def _write(self, event: Event) -> None:
        match event:
            case StageReached("soak", _):
                self._asked += 1
                self._lock = _locked(self._folder / LOCK)
                self._checkpoint()
            case Asked() | StageReached():
                self._asked += 1
            case Captured(capture, troubles):
                self._captures.append((capture, troubles))
                self._checkpoint()
            case Started(request) if isinstance(request, Programme):
                self._programmes.append(request)
                self._writer = LogWriter(self._folder, len(self._programmes))
                self._checkpoint()
            case Logged(programme, row, _):
                self._append(programme, row)

    def close(self) -> None:
        """Let go of the files."""
        if self._writer:
            self._writer.close()
        if self._lock:
            self._lock.close()

    def _append(self, programme: Programme, row: Row) -> None:
        if self._known.get(programme, 0):
            # On the disk since before the interruption.
            self._known[programme] -= 1
        elif self._writer:
            self._writer.append(row)

    def _checkpoint(self) -> None:
        if self._lock is None:
            return
        calibrations, captures = write_captures(self._captures, self._folder, already=self.written)
        self.written = max(self.written, len(captures))
        document = {
            "schema": SCHEMA,
            **self._facts,
            "asked": self._asked,
            "calibrations": calibrations,
            "captures": captures,
            "logs": [asdict(programme) for programme in self._programmes],
        }
        write(self._folder / CHECKPOINT, json.dumps(document))


def interrupted(workspace: Path) -> list[Path]:
    """Folders of runs that were interrupted in their soak and are not under way."""
    return [folder for folder in unfinished(workspace) if (folder / CHECKPOINT).is_file() and not is_running(folder)]


def is_running(folder: Path) -> bool:
    """Whether a run is writing into this folder now."""
    try:
        if (folder / LOCK).is_file():
            _locked(folder / LOCK).close()
    except RecordError:
        return True
    except OSError:
        # Nobody may write there, so nobody does.
        return False
    return False


def load(folder: Path) -> Interrupted:
    """An interrupted run from its folder.

    Raises
    ------
    RecordError
        If the checkpoint or a capture cannot be read.
    """
    path = folder / CHECKPOINT
    try:
        document: dict[str, Any] = read_json(path)
    except (OSError, ValueError) as error:
        raise RecordError(f"{path}: cannot be read: {error}") from None
    found = document.get("schema") if isinstance(document, dict) else None
    if found != SCHEMA:
        raise RecordError(f"{path}: schema: found {str(found)[:60]!r}; this version reads {SCHEMA!r}")
    try:
        programmes = [programme_of(entry) for entry in document["logs"]]
        return Interrupted(
            folder=folder,
            kit=document["kit"],
            serial=document["serial"],
            kit_sha256=document["kit_sha256"],
            about=document["about"],
            captures=tuple(read_captures(folder, document)),
            logs={programme: read_rows(folder, number) for number, programme in enumerate(programmes, 1)},
            asked=document["asked"],
        )
    except (AttributeError, IndexError, KeyError, TypeError, ValueError) as error:
        raise RecordError(f"{path}: not what an interrupted run leaves: {type(error).__name__}: {error}") from None


def load_all(workspace: Path) -> tuple[list[Interrupted], list[str]]:
    """The interrupted runs of a workspace, and those that cannot be read, in words."""
    found, told = [], []
    for folder in interrupted(workspace):
        try:
            found.append(load(folder))
        except RecordError as error:
            told.append(str(error))
    return found, told


def name_of(folder: Path) -> str:
    """What the run of a reserved folder will be called."""
    return folder.name.removeprefix(UNFINISHED)


def _locked(path: Path) -> IO[str]:
    """Open and lock a file; the lock goes with the process, however that ends.

    Raises
    ------
    RecordError
        If another process holds it.
    """
    file = path.open("a", encoding="utf-8")
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        raise RecordError(f"{path.parent}: a run is under way there") from None
    return file
