"""Locks on files: one process has a file at a time, and the lock goes with that process, however it ends."""

import errno
import os
from pathlib import Path
from typing import IO

#: The same byte for all who lock a file, however long it is by then: no file of ours is as long; our choice.
LOCKED_BYTE = 2**30


def locked(path: Path, *, waits: bool = False) -> IO[str]:
    """Open a file and lock it until it is closed; `waits`: until whoever has it lets go.

    Raises
    ------
    BlockingIOError
        If another has it.
    OSError
        If it cannot be opened.
    """
    file = path.open("a", encoding="utf-8")
    try:
        _lock(file, waits)
    except OSError:
        file.close()
        raise BlockingIOError(f"{path}: another process has it") from None
    return file


def _lock(file: IO[str], waits: bool) -> None:
    if os.name == "nt":
        _lock_a_byte(file.fileno(), waits)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | (0 if waits else fcntl.LOCK_NB))


def _lock_a_byte(handle: int, waits: bool) -> None:
    """Lock as Windows can: the byte where a handle stands, which nobody reads meanwhile; so one far behind the end."""
    import msvcrt

    os.lseek(handle, LOCKED_BYTE, os.SEEK_SET)
    while True:
        try:
            how = msvcrt.LK_LOCK if waits else msvcrt.LK_NBLCK  # type: ignore[attr-defined,unused-ignore]
            msvcrt.locking(handle, how, 1)  # type: ignore[attr-defined,unused-ignore]
            return
        except OSError as error:
            # LK_LOCK gives up after ten seconds.
            if not waits or error.errno != errno.EDEADLK:
                raise
