"""What is under way at the benches of a workspace: whatever may sound has a locked file with its process in it.

A run's stands in its reserved folder (`journal`), that of everything else under `results/.under-way/`. The lock goes
with the process, however that ends, so that a file which is left behind by a crash says nothing.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from rig.files.disk import read_text, why
from rig.files.errors import BenchSetupError
from rig.files.locks import locked
from rig.store.records import unfinished

LOCK = "running.lock"


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
        lock = claim(path, what)
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


def claim(path: Path, what: str = "") -> IO[str]:
    """Lock a file and put this process into it, and what it does.

    Raises
    ------
    BlockingIOError
        If another has it.
    OSError
        If it cannot be written.
    """
    lock = locked(path)
    lock.truncate(0)
    lock.write(f"{os.getpid()}\n{what}\n")
    lock.flush()
    return lock


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
    """The locks of all that is under way now, with the process of each and what it does."""
    locks = [folder / LOCK for folder in unfinished(workspace)]
    locks += sorted((workspace / "results" / ".under-way").glob("*.lock"))
    found = {}
    for lock in filter(is_claimed, locks):
        with suppress(OSError, ValueError):
            process, what, *_ = [*read_text(lock).splitlines(), ""]
            found[lock] = (int(process), what or str(lock.parent))
    return found
