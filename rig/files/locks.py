"""Locks on files: one process has a file at a time, and the lock goes with that process, however it ends."""

import os
from pathlib import Path
from typing import IO


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
        import msvcrt

        how = msvcrt.LK_LOCK if waits else msvcrt.LK_NBLCK  # type: ignore[attr-defined,unused-ignore]
        msvcrt.locking(file.fileno(), how, 1)  # type: ignore[attr-defined,unused-ignore]
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | (0 if waits else fcntl.LOCK_NB))
