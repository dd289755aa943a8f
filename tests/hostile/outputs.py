"""Standard output that is closed, full or left by its reader at any line, or cannot hold what is written."""

import io
import os
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from random import Random
from typing import Any, NamedTuple

from hostile.commands import ELSEWHERE, all_commands, words_for
from hostile.damage import QUICK, RARE, SLOW_ONE_OF
from hostile.each_write import DRAWN
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
    usual, usual_ground = _usual(ground, words)
    room = random.choice([0, random.choice(_line_ends(usual) or [0])])
    _try(ground, words, usual, usual_ground, (random.choice(KINDS), random.choice(ENCODINGS), room))


def each_output(ground: Ground, names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Try these commands, or all, with and without --json, with each kind of output, each encoding, left and full at
    each line (of a long output at some forty, of a slow command at some ten); what was tried, and why it fails.
    """
    for listed in all_commands():
        if listed.name in ELSEWHERE or (names and " ".join(listed.words) not in names):
            continue
        asked = [word for word in words_for(listed, ground, Random(1)) if word not in ("--json", "--csv")]
        for option in ("", "--json", "--csv"):
            if option and not listed.has(option):
                continue
            words = [*asked, option] if option else asked
            began_s = time.monotonic()
            usual, usual_ground = _usual(ground, words)
            ends = _line_ends(usual)
            most = 40 if time.monotonic() - began_s < 1.0 else 10
            rooms = [0, *ends[:: max(len(ends) // most, 1)], *ends[-1:]]
            ways = [(kind, "utf-8", 0) for kind in KINDS[3:]] + [("encoding", name, 0) for name in ENCODINGS]
            ways += [(kind, "utf-8", room) for kind in KINDS[:2] for room in dict.fromkeys(rooms)]
            print(f"{' '.join((*listed.words, option))}: {len(ends)} lines, {len(ways)} tries", flush=True)
            for way in ways:
                why = ""
                try:
                    _try(ground, words, usual, usual_ground, way)
                except AssertionError as error:
                    why = str(error)
                yield f"{' '.join(words)}: {way}", why
                ground.mend()


def _usual(ground: Ground, words: list[str]) -> "tuple[Ended, Counter[str]]":
    """What a command prints on an output as it is, and what stands in the workspace then."""
    usual = _run(words, "", "utf-8", 0)
    there = _kinds(recorded(ground.workspace))
    ground.mend()
    return usual, there


def _line_ends(usual: "Ended") -> list[int]:
    return [n + 1 for n, byte in enumerate(usual.out) if byte == 10]


def _try(
    ground: Ground, words: list[str], usual: "Ended", usual_ground: Counter[str], way: tuple[str, str, int]
) -> None:
    kind, encoding, room = way
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
    assert _kinds(recorded(ground.workspace)) == usual_ground, told
    hold_ground(ground, before, ("limits/",))


def _kinds(names: Iterable[str]) -> Counter[str]:
    """How many files there are of each name, without the times and numbers that are drawn in it."""
    return Counter(DRAWN.sub("#", name) for name in names)


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
