"""What is under way at the benches of a workspace: whatever may sound has a locked file with its process in it.

A run's stands in its reserved folder (`journal`), that of everything else under `results/.under-way/`. The lock goes
with the process, however that ends, so that a file which is left behind by a crash says nothing. Each has a second
one on this computer's own disk: of a workspace on a network drive that hangs no stop could read a lock.
"""

import errno
import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from rig.files.disk import read_text, why
from rig.files.errors import BenchSetupError
from rig.files.locks import locked
from rig.store.homes import NAME as HINTS
from rig.store.homes import UNFINISHED, hints_from

LOCK = "running.lock"
#: So much of the end of the hint file, bytes, some hundred runs, is looked at; our choice.
LATEST = 4096


@contextmanager
def at_bench(workspace: Path, what: str) -> Iterator[None]:
    """Hold a lock by which a stop finds what is done at the bench, a calibration as well as a check of it.

    Raises
    ------
    BenchSetupError
        If it cannot be written, before anything sounds.
    """
    path = workspace / "results" / ".under-way" / f"{os.getpid()}.lock"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = claim(path, workspace, what)
    except OSError as error:
        raise BenchSetupError(
            f"{path}: cannot be written, so that no stop would find what sounds: {why(error)}"
        ) from None
    try:
        yield
    finally:
        lock.close()
        with suppress(OSError):
            path.unlink()


def claim(path: Path, workspace: Path, what: str = "") -> ExitStack:
    """Lock a file and put this process into it, and what it does, until the stack is closed.

    Raises
    ------
    BlockingIOError
        If another has it.
    OSError
        If it cannot be written.
    """
    with ExitStack() as held:
        _hold(held, path, what)
        # Where there is no such place, the workspace's own has to do.
        with suppress(OSError):
            if here := _own_folder(make=True):
                own = here / f"{_mark(workspace)}-{hashlib.sha256(os.fsencode(path)).hexdigest()[:16]}.lock"
                held.callback(_remove, own)
                _hold(held, own, what or str(path.parent))
        return held.pop_all()


def _remove(path: Path) -> None:
    # What cannot be removed says nothing once its lock has gone, and is worth no record.
    with suppress(OSError):
        path.unlink()


def _hold(held: ExitStack, path: Path, what: str) -> None:
    lock = held.enter_context(locked(path))
    lock.truncate(0)
    # What a folder's name holds may be no characters of this computer's.
    content = f"{os.getpid()}\n{what}\n".encode(errors="replace")
    # Past the file's buffer: what a full disk did not take would be tried again when the lock is closed, behind a run.
    if os.write(lock.fileno(), content) < len(content):
        # Half a process's number is another's.
        lock.truncate(0)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))


def _own_folder(make: bool = False) -> Path | None:
    """Where this computer's own locks are; None: nowhere. On Windows no stop could end what it finds."""
    if os.name == "nt":
        return None
    here = Path(tempfile.gettempdir()) / f"kitproof-{os.getuid()}"
    if make:
        here.mkdir(mode=0o700, exist_ok=True)
    # Who else may put files there could have any process stopped.
    return here if here.is_dir() and here.stat().st_uid == os.getuid() else None


def _mark(workspace: Path) -> str:
    """What files about a workspace are called by; found without looking at it."""
    return hashlib.sha256(os.fsencode(workspace.absolute())).hexdigest()[:16]


def is_claimed(path: Path) -> bool:
    """Whether a process has the lock now."""
    try:
        if path.is_file():
            locked(path).close()
    except BlockingIOError:
        return True
    except OSError:
        # Nobody may write there, so nobody does.
        return False
    return False


def under_way(workspace: Path) -> dict[Path, tuple[int, str]]:
    """The locks of all that is under way now, with the process of each and what it does.

    Of runs those of the units that changed last: a stop cannot wait for a walk through a large store, and what sounds
    from this computer is found by `under_way_here` in any case.
    """
    results = workspace / "results"
    return _claimed([*_of_latest(results), *sorted((results / ".under-way").glob("*.lock"))])


def _of_latest(results: Path) -> Iterator[Path]:
    """Where the locks of the runs that began last would be."""
    with suppress(OSError):
        hints, _ = hints_from(results, max(0, (results / HINTS).stat().st_size - LATEST))
        homes = dict.fromkeys(results / hint.kit / hint.serial for hint in reversed(hints))
        yield from (folder / LOCK for home in homes for folder in home.glob(f"{UNFINISHED}*"))


def under_way_here(workspace: Path) -> dict[Path, tuple[int, str]]:
    """As `under_way`, of this computer's own locks alone: nothing of the workspace is looked at."""
    here = _own_folder()
    return _claimed(sorted(here.glob(f"{_mark(workspace)}-*.lock"))) if here else {}


def _claimed(locks: Iterable[Path]) -> dict[Path, tuple[int, str]]:
    found = {}
    for lock in filter(is_claimed, locks):
        with suppress(OSError, ValueError):
            process, what, *_ = [*read_text(lock).splitlines(), ""]
            found[lock] = (int(process), what or str(lock.parent))
    return found
