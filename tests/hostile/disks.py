"""A disk that fails at the n-th write, whatever that is; or that is full after so many bytes.

Run by hand (`trials.py disks`) each change below the workspace fails in the C library itself, SQLite's too, and the
workspace stands on a small file system that fills up; where there is no compiler, or no right to mount one, that part
is left out, and said. Within the tests Python's own ways of opening, syncing, renaming, removing fail.
"""

import atexit
import builtins
import ctypes
import errno
import io
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from functools import cache
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

from hostile.ground import Ground
from hostile.kills import (
    LONGEST_S,
    REPLACED,
    furnished,
    go_on,
    hold_ground,
    on_another_day,
    one_that_writes,
    run_killed,
)
from hostile.promise import kitproof, recorded
from hostile.surroundings import hold_store, scene

ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS)
#: What changes a disk by a name, or syncs it.
CHANGES = ("fsync", "replace", "rename", "mkdir", "link", "unlink", "truncate")
#: Name of a command -> how often it writes when nothing fails, and how many bytes it takes; found at its first try.
writes: dict[str, tuple[int, int]] = {}
#: The small file system, bytes.
SMALL = 256 * 2**20
#: What failed -> how often; told by a long run.
counts: Counter[str] = Counter()


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
def failing(root: Path, at: int = 0, number: int = 0, is_once: bool = False) -> Iterator[Callable[[], int]]:
    """Within it this process writes on a disk that fails from the n-th change on; yields how many there were."""
    if library := preloaded():
        library.failing_disk_set(os.fsencode(root), ctypes.c_long(at), number, is_once)
        try:
            yield library.failing_disk_count
        finally:
            library.failing_disk_set(b"", ctypes.c_long(0), 0, 0)
        return
    disk = Disk(root, at, number, is_once)
    with instead_of_the_disk(disk):
        yield lambda: disk.count


@contextmanager
def instead_of_the_disk(disk: Disk) -> Iterator[None]:
    """Within it Python's own ways of changing what is on a disk touch this one first."""
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


@cache
def preloaded() -> Any:
    """The library that fails in the C library's place; None: it was not loaded before that."""
    library = ctypes.CDLL(None) if os.name == "posix" else None
    if not hasattr(library, "failing_disk_set"):
        return None
    library.failing_disk_change.argtypes, library.failing_disk_change.restype = [ctypes.c_long], ctypes.c_char_p
    return library


def begin() -> None:
    """Of a long run, before anything else: begin it anew behind the library, on a small file system."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler and not preloaded() and "LD_PRELOAD" not in os.environ:
        made = Path(tempfile.mkdtemp()) / "failing_disk.so"
        source = Path(__file__).with_name("failing_disk.c")
        words = [compiler, "-shared", "-fPIC", "-O1", "-U_FORTIFY_SOURCE", "-o", str(made), str(source), "-ldl"]
        if subprocess.run(words, check=False).returncode == 0:
            os.environ["LD_PRELOAD"] = str(made)
            sys.stdout.flush()
            os.execv(sys.executable, [sys.executable, *sys.argv])
    if made_before := os.environ.pop("LD_PRELOAD", ""):
        atexit.register(shutil.rmtree, Path(made_before).parent, ignore_errors=True)
    is_small = _on_small_file_system()
    print(f"in the C library: {'yes' if preloaded() else 'no'}; small file system: {'yes' if is_small else 'no'}")


def _on_small_file_system() -> bool:
    """Let folders that are made from now on stand on a small file system, which this process alone sees."""
    library, folder = ctypes.CDLL(None), os.fsencode(tempfile.mkdtemp())
    new_namespace, private, recursive = 0x00020000, 1 << 18, 1 << 14
    if library.unshare(new_namespace) or library.mount(b"none", b"/", None, private | recursive, None):
        return False
    if library.mount(b"none", folder, b"tmpfs", 0, b"size=%d" % SMALL):
        return False
    tempfile.tempdir = os.fsdecode(folder)
    return True


@contextmanager
def filled(ground: Ground, room: int) -> Iterator[None]:
    """Within it the file system of a ground has so many bytes left."""
    filler = ground.outside.parent / "filler"
    with filler.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(free_bytes(ground) - room, 1))
    try:
        yield
    finally:
        filler.unlink()


def free_bytes(ground: Ground) -> int:
    """How many bytes its file system has left."""
    there = os.statvfs(ground.outside)
    return there.f_bavail * there.f_frsize


def is_small(ground: Ground) -> bool:
    """Whether it stands on a file system that can be filled."""
    there = os.statvfs(ground.outside)
    return there.f_blocks * there.f_frsize <= SMALL


def try_disks(random: Random, ground: Ground) -> None:
    """One command on a disk that fails at a random write, or is full; then the same one on a sound disk."""
    name, words = one_that_writes(random, ground)
    if name not in writes:
        free = free_bytes(ground)
        with on_another_day(), scene(name), failing(ground.workspace) as count:
            kitproof(*words)
        assert count(), f"{name} writes nothing, so no failing write of it can be tried"
        writes[name] = count(), max(free - free_bytes(ground), 0)
        ground.mend()
        furnished(ground, name)
    before = recorded(ground.workspace)
    number, is_once, most = random.choice(ERRORS), random.random() < 0.5, writes[name]
    if is_small(ground) and random.random() < 0.4:
        room = random.randint(0, most[1] + 8192)
        told, bad_disk = f"{name}, {room} bytes left of {most[1]}", filled(ground, room)
        counts["full"] += 1
    elif preloaded() and random.random() < 0.5:
        _die_at_a_write(random, ground, name, words)
        return
    else:
        at = random.randint(1, max(most[0], 1))
        told = f"{name}, {errno.errorcode[number]} at {at} of {most[0]}{', once' if is_once else ''}"
        bad_disk = failing(ground.workspace, at, number, is_once)
        counts[errno.errorcode[number]] += 1
    counts[name] += 1
    with on_another_day(), scene(name), bad_disk:
        first = kitproof(*words)
    _hold(ground, before, name, f"{told}: {first}")
    done = go_on(ground, name, words, f"{told}: {first}\nthen")
    _hold(ground, before, name, f"{told}: {first}\nthen {done}")


def _die_at_a_write(random: Random, ground: Ground, name: str, words: list[str]) -> None:
    """A command that is killed at a write, as often as not at the next one too; then the same one once more."""
    before, ats = recorded(ground.workspace), []
    for _ in range(random.choice((1, 2, 4))):
        ats.append(random.randint(1, max(writes[name][0], 1)))
        run_killed(name, words, signal.SIGKILL, LONGEST_S, failing(ground.workspace, ats[-1], -signal.SIGKILL))
        counts[f"{name} killed at a write"] += 1
    told = f"{name}, killed at {ats} of {writes[name][0]}"
    _hold(ground, before, name, told)
    _hold(ground, before, name, f"{told}: {go_on(ground, name, words, told)}")
    if name == "deliver":
        hold_store(ground)


def _hold(ground: Ground, before: Mapping[str, str], name: str, told: str) -> None:
    try:
        hold_ground(ground, before, REPLACED.get(name, ()))
    except AssertionError as error:
        raise AssertionError(f"{told}\n{error}") from None
