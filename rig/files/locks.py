"""Locks on files: one process has a file at a time, and the lock goes with that process, however it ends."""

import errno
import os
import time
from pathlib import Path
from typing import IO

#: The same byte for all who lock a file, however long it is by then: no file of ours is as long; our choice.
LOCKED_BYTE = 2**30
#: What a system says of a lock that another has; by definition.
TAKEN = {errno.EAGAIN, errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK}
#: So often a lock is tried that is waited for; our choice.
TRY_EVERY_S = 0.02


def locked(path: Path, *, waits_s: float = 0.0) -> IO[str]:
    """Open a file and lock it until it is closed; `waits_s`: how long whoever has it may take to let go.

    Raises
    ------
    BlockingIOError
        If another has it.
    OSError
        If it cannot be opened or locked: not every network drive has locks.
    """
    if path.is_fifo():
        raise OSError(f"{path}: not a plain file")
    try:
        file = path.open("a", encoding="utf-8")
    except PermissionError:
        # Whose file it is may give the right back that it has lost; nothing is in it that would need to be kept.
        path.chmod(0o644)
        file = path.open("a", encoding="utf-8")
    until_s = time.monotonic() + waits_s
    while True:
        try:
            _lock(file)
            return file
        except OSError as error:
            if error.errno in TAKEN and time.monotonic() < until_s:
                time.sleep(TRY_EVERY_S)
                continue
            file.close()
            if error.errno not in TAKEN:
                raise
            since = f", and has had it for {waits_s:g} s: has it stopped?" if waits_s else ""
            raise BlockingIOError(f"{path}: another process has it{since}") from None


def _lock(file: IO[str]) -> None:
    if os.name == "nt":
        import msvcrt

        # Windows locks the byte where a handle stands, which nobody reads meanwhile; so one far behind the end.
        os.lseek(file.fileno(), LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
