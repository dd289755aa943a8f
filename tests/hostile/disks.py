"""A disk that fails at the n-th write, whatever that is: opening, writing, syncing, renaming, making a folder."""

import builtins
import errno
import io
import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

from hostile.ground import Ground
from hostile.kills import REPLACED, furnished, go_on, hold_ground, on_another_day, one_that_writes
from hostile.promise import kitproof, recorded
from hostile.surroundings import scene

ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS)
#: What changes a disk by a name, or syncs it.
CHANGES = ("fsync", "replace", "rename", "mkdir", "link", "unlink", "truncate")
#: Name of a command -> how often it writes when nothing fails; counted at its first try.
writes: dict[str, int] = {}


class Disk:
    """Counts what is written below a folder, and fails from the n-th time on.

    Parameters
    ----------
    root : Path
        Below it the disk fails.
    fails_at : int
        The first that fails, from 1; 0: none does.
    number : int
        The system's number of the error.
    is_once : bool
        Only that one fails.
    """

    def __init__(self, root: Path, fails_at: int, number: int, is_once: bool) -> None:
        self._root, self._fails_at, self._number, self._is_once = os.fspath(root), fails_at, number, is_once
        self.count = 0

    def touch(self, path: object) -> None:
        """Something is written there.

        Raises
        ------
        OSError
            If the disk fails now.
        """
        if isinstance(path, int):
            path = Path(f"/proc/self/fd/{path}").readlink()
        if not os.fspath(path).startswith(self._root):  # type: ignore[call-overload]
            return
        self.count += 1
        if self.count == self._fails_at or (0 < self._fails_at < self.count and not self._is_once):
            raise OSError(self._number, os.strerror(self._number), os.fspath(path))  # type: ignore[call-overload]


@contextmanager
def failing(disk: Disk) -> Iterator[None]:
    """Within it this process writes on such a disk."""
    opened = io.open

    def _open(file: Any, mode: str = "r", *rest: Any, **named: Any) -> Any:
        if set(mode) & set("wax+"):
            disk.touch(file)
        return opened(file, mode, *rest, **named)

    def counted(usual: Any) -> Any:
        def change(path: Any, *rest: Any, **named: Any) -> Any:
            disk.touch(path)
            return usual(path, *rest, **named)

        return change

    with ExitStack() as stack:
        stack.enter_context(mock.patch.object(io, "open", _open))
        stack.enter_context(mock.patch.object(builtins, "open", _open))
        for name in CHANGES:
            stack.enter_context(mock.patch.object(os, name, counted(getattr(os, name))))
        yield


def try_disks(random: Random, ground: Ground) -> None:
    """One command on a disk that fails at a random write; then the same one on a sound disk."""
    name, words = one_that_writes(random, ground)
    if name not in writes:
        disk = Disk(ground.workspace, 0, 0, False)
        with on_another_day(), scene(name), failing(disk):
            kitproof(*words)
        writes[name] = disk.count
        ground.mend()
        furnished(ground)
    before = recorded(ground.workspace)
    number, at, is_once = random.choice(ERRORS), random.randint(1, max(writes[name], 1)), random.random() < 0.5
    told = f"{name}, {errno.errorcode[number]} at {at} of {writes[name]}{', once' if is_once else ''}"
    with on_another_day(), scene(name), failing(Disk(ground.workspace, at, number, is_once)):
        first = kitproof(*words)
    _hold(ground, before, name, f"{told}: {first}")
    done = go_on(ground, name, words, f"{told}: {first}\nthen")
    _hold(ground, before, name, f"{told}: {first}\nthen {done}")


def _hold(ground: Ground, before: Mapping[str, str], name: str, told: str) -> None:
    try:
        hold_ground(ground, before, REPLACED.get(name, ()))
    except AssertionError as error:
        raise AssertionError(f"{told}\n{error}") from None
