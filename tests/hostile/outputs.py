"""Standard output that is closed, full or left by its reader at any line, or cannot hold what is written."""

import io
import os
import signal
import sys
import tempfile
import traceback
from collections import Counter
from contextlib import suppress
from random import Random
from typing import Any, NamedTuple

from hostile.commands import words_for
from hostile.damage import QUICK, RARE, SLOW_ONE_OF
from hostile.ground import Ground
from hostile.kills import hold_ground
from hostile.promise import LONGEST_S, parsed, recorded
from rig import cli

ENCODINGS = ("ascii", "latin-1", "cp1252", "cp437", "utf-16", "shift_jis", "utf-8")
#: What may become of it; the last two for standard error as well.
KINDS = ("left at a line", "full at a line", "encoding", "closed", "both closed", "both full")
#: Kind -> how many; told by a long run.
counts: Counter[str] = Counter()


class Ended(NamedTuple):
    """What a command did in a process of its own."""

    status: int
    out: bytes
    err: str


class _Filling(io.FileIO):
    """A file on a disk that has room for so many bytes."""

    def __init__(self, number: int, room: int) -> None:
        super().__init__(number, "w", closefd=False)
        self._room = room

    def write(self, data: Any) -> int:
        if len(data) > self._room:
            raise OSError(28, "No space left on device")
        self._room -= len(data)
        return super().write(data)


def try_outputs(random: Random, ground: Ground) -> None:
    """A command as it is, then with an output on which something goes wrong: it ends alike, and does as much."""
    words = words_for(random.choice(QUICK if random.randrange(SLOW_ONE_OF) else RARE), ground, random)
    usual = _run(words, "", "utf-8", 0)
    usual_ground = {name for name in recorded(ground.workspace) if not _has_own_name(name)}
    ground.mend()
    kind, encoding = random.choice(KINDS), random.choice(ENCODINGS)
    room = random.choice([0, random.choice([n + 1 for n, byte in enumerate(usual.out) if byte == 10] or [0])])
    before = recorded(ground.workspace)
    ended = _run(words, kind, encoding if kind == "encoding" else "utf-8", room)
    counts[kind] += 1
    told = f"kitproof {' '.join(words)}, {kind} ({encoding}, {room} bytes): {ended}\nelse: {usual}"
    assert "Traceback" not in ended.err, told
    is_full = kind == "both full" or (kind == "full at a line" and room < len(usual.out))
    is_lost = is_full and {"--json", "--csv"} & {*words} and usual.out
    assert ended.status == (usual.status or 3 * bool(is_lost)), told
    assert not is_lost or kind == "both full" or "is not whole" in ended.err, told
    if kind == "encoding" and "--json" in words and usual.status < 3:
        parsed(ended.out.decode(encoding))
    assert {name for name in recorded(ground.workspace) if not _has_own_name(name)} == usual_ground, told
    hold_ground(ground, before, ("limits/",))


def _has_own_name(name: str) -> bool:
    """Whether the name of a file has a time or a number drawn in it."""
    return name.startswith("results/")


def _run(words: list[str], kind: str, encoding: str, room: int) -> Ended:
    """Run a command in a process of its own; `room`: bytes until its output is full, or left."""
    with tempfile.TemporaryFile() as err, tempfile.TemporaryFile() as out:
        reading, writing = os.pipe()
        sys.stdout.flush()
        process = os.fork()
        if not process:
            os.close(reading)
            _command(words, kind, encoding, room, writing if kind == "left at a line" else out.fileno(), err.fileno())
        os.close(writing)
        left = room
        while kind == "left at a line" and left and (read := os.read(reading, left)):
            left -= len(read)
        os.close(reading)
        status = os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
        for file in (out, err):
            file.seek(0)
        return Ended(status, out.read(), err.read().decode("utf-8", "replace"))


def _command(words: list[str], kind: str, encoding: str, room: int, out: int, err: int) -> None:
    """As a process of its own begins and ends, with an output of this kind; never returns."""
    status: Any = 99
    signal.alarm(round(LONGEST_S))
    try:
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        full = os.open("/dev/full", os.O_WRONLY) if kind == "both full" else -1
        os.dup2(full if full >= 0 else out, 1)
        os.dup2(full if full >= 0 else err, 2)
        raw = _Filling(1, room) if kind == "full at a line" else io.FileIO(1, "w", closefd=False)
        sys.stdin = sys.__stdin__ = io.TextIOWrapper(io.BufferedReader(io.FileIO(0, closefd=False)), encoding="utf-8")
        sys.stdout = sys.__stdout__ = io.TextIOWrapper(io.BufferedWriter(raw), encoding=encoding)
        stderr = io.BufferedWriter(io.FileIO(2, "w", closefd=False))
        sys.stderr = sys.__stderr__ = io.TextIOWrapper(stderr, encoding="utf-8", errors="backslashreplace")
        if "closed" in kind:
            os.close(1)
            sys.stdout = sys.__stdout__ = None  # type: ignore[assignment]
        if kind == "both closed":
            os.close(2)
            sys.stderr = sys.__stderr__ = None  # type: ignore[assignment]
        sys.argv = ["kitproof", *words]
        cli.main()
    except SystemExit as left:
        status = left.code
    except BaseException:
        traceback.print_exc()
    try:
        # As the interpreter does at its end.
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
    except BaseException:
        status = 120
    with suppress(BaseException):
        os._exit(int(status))
