"""Every kind of write of a command in turn on a disk that fails there: for good by each error, and once; or is full.

A kind is a function of the C library with a place: names that are drawn, dates and numbers apart. Of each kind the
first, the middle and the last are tried, so that a command of a thousand writes takes some hundred tries.
"""

import errno
import os
import re
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import NamedTuple
from unittest import mock

from builders import MONO_TWO_WAY

from hostile.disks import counts, failing, filled, free_bytes, is_small, preloaded
from hostile.ground import KIT, OF_BEFORE, OF_TODAY, Ground
from hostile.kills import KILLED, NEW, REPLACED, furnished, hold_ground, hold_records, on_another_day, words_on
from hostile.promise import Done, kitproof, recorded, refuse_false_pass, tree
from hostile.surroundings import hold_store, scene
from rig.commands import demo
from rig.files.errors import Stopped
from rig.run.journal import interrupted

#: A unit that failed.
FAILED = "SO-0160"
#: Name -> what writes, besides those that are killed.
MORE: Mapping[str, tuple[str, ...]] = {
    "json": ("verify", KIT, NEW, "--plan", "bare", "--json"),
    "reworked": ("rework", OF_BEFORE, "resoldered C3"),
    "new at the terminal": ("new", "typed-kit"),
    "results": ("results",),
    "kits": ("kits",),
    "show": ("show", OF_TODAY),
    "rejudge": ("rejudge", OF_BEFORE),
    "explain": ("explain", FAILED),
    "pairs": ("pairs", KIT),
    "capability": ("capability", KIT),
    "calibrations": ("calibrations",),
    "check-paper": ("check-paper", "0" * 16),
    "stop": ("stop",),
    "trust": ("trust", "--yes"),
    "store": ("store", "--bench", "{outside}/store.toml"),
    "calibrate output": ("calibrate", "output", "--yes", "--bench", "{outside}/looped.toml"),
    "parquet": ("export", "{outside}/tables", "--parquet"),
    "resume cut off": ("resume", NEW, "--yes"),
    "first kits": ("demo", "--workspace", "{outside}/first"),
}
ALL = {**KILLED, **MORE}
#: What is typed; a kit's answers in the order of its questions.
TYPED: Mapping[str, str] = {
    "new at the terminal": "\n".join((*MONO_TWO_WAY.values(), "")),
    "calibrate output": "0.05125\n0.72478\n",
}
#: Error, and whether it fails once; the first three: for good.
WAYS = ((errno.ENOSPC, False), (errno.EIO, False), (errno.EROFS, False), (errno.EIO, True))
#: What a kind leaves out of a name: what is drawn, dates, numbers; and which kit, curve or capture it is.
DRAWN = re.compile(r"[0-9a-f]{16}|(?<=[-.])[0-9a-f]{4,8}\b|\d{4}-\d\d-\d\dT?\d*Z?|\d+")
WHICH = re.compile(r"(?<=first/limits/)[^/]+|[^/]+(?=\.(csv|flac|wav|html|parquet|svg)$)|(?<=kit/)[^/]+(?=/)")
#: What stays of a file that was never put in its place; and folders into which nobody writes a second time.
LEFT, DATED = re.compile(r"\.new$"), re.compile(r"masks-of-|/\.batch/|/\.unfinished-")
#: A small disk is full at so many steps of what a command takes.
FULL_STEPS = 12
#: What ends a whole file of each kind.
ENDS = {".pdf": b"%%EOF", ".svg": b"</svg>", ".html": b"</html>", ".json": b"}", ".png": b"IEND\xaeB`\x82"}
#: What is made again whenever it is wanted; papers and a picture, which a record does without where that is said.
DERIVED = re.compile(r"index|\.hints|\.logo|lock$")
PAPERS = re.compile(r"certificate|report|maker")
#: Who does what it can, and says what is missing.
SAID_ONLY = ("archive", "deliver")
#: Who takes a run up again; and who does not do again what it has done.
RESUMED = ("resume", "resume cut off")
ONCE_ONLY = ("new", *RESUMED, "new at the terminal")
#: What makes a heat test void that was cut off between its noise and what is measured hot.
COOLED = "played after an interruption: the unit had cooled by then"
#: At this write of a heat test its disk fails for good: behind the first rows of the log.
CUT_OFF_AT = 120
#: Nobody writes at one file for so long, s.
LONG_AGO_S = 2 * 86400.0


class Usual(NamedTuple):
    """A command where nothing fails."""

    name: str
    words: Sequence[str]
    status: int
    #: Its writes, each as function and place.
    changes: Sequence[str]
    #: What is there then, by kinds; and how many bytes more.
    there: Counter[str]
    size: int


def each_write(ground: Ground, names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Try each kind of write of these commands, on a ground that is mended after each; what was tried, why it fails."""
    os.environ["KITPROOF_HOME"] = str(ground.outside / "home")
    for name in names or ALL:
        usual = _usual(ground, name)
        # So that all kinds have their turn where it is cut short.
        tries = sorted(_picked(usual.changes), key=lambda one: (one[0] * 7919) % 997)
        print(f"{name}: {len(usual.changes)} writes, {len(tries)} tries, status {usual.status}", flush=True)
        for room in range(0, usual.size, usual.size // FULL_STEPS + 1) if is_small(ground) else ():
            full = partial(_try, filled(ground, room), 0, errno.ENOSPC, False)
            yield _tried(ground, usual, f"{room} bytes left of {usual.size}", full)
        for at, (number, is_once) in tries:
            told = f"{usual.changes[at - 1]} ({at}), {errno.errorcode[number]}{' once' if is_once else ''}"
            bad_disk = failing(_folder(ground), at, number, is_once)
            yield _tried(ground, usual, told, partial(_try, bad_disk, at, number, is_once))


def _tried(ground: Ground, usual: Usual, told: str, attempt: Callable[[Ground, Usual], None]) -> tuple[str, str]:
    """What was tried, and why it fails, or ""."""
    counts[usual.name] += 1
    words = ""
    try:
        attempt(ground, usual)
    except AssertionError as error:
        words = str(error) or type(error).__name__
    ground.mend()
    return f"{usual.name}: {told}", words


def _usual(ground: Ground, name: str) -> Usual:
    words = words_on(ground, name, ALL[name])
    _furnish(ground, name)
    free = free_bytes(ground)
    with _scene(name), failing(_folder(ground)):
        done = kitproof(*words, typed=TYPED.get(name, ""))
    library = preloaded()
    changes = [os.fsdecode(library.failing_disk_change(n)) for n in range(library.failing_disk_count())]
    size = max(free - free_bytes(ground), 0)
    usual = Usual(name, words, done.status, changes, _kinds_there(ground), size)
    ground.mend()
    return usual


def _picked(changes: Sequence[str]) -> Iterator[tuple[int, tuple[int, bool]]]:
    """The first write of each kind in every way, its middle and its last in one."""
    places: dict[str, list[int]] = {}
    for at, change in enumerate(changes, 1):
        places.setdefault(WHICH.sub("*", DRAWN.sub("#", change)), []).append(at)
    for n, ats in enumerate(places.values()):
        yield from ((ats[0], way) for way in WAYS)
        for m, at in enumerate(sorted({ats[len(ats) // 2], ats[-1]} - {ats[0]})):
            yield at, WAYS[(n + 2 * m) % len(WAYS)]


def _furnish(ground: Ground, name: str) -> None:
    """Besides what is furnished for a kill."""
    furnished(ground, {"calibrate output": "calibrate", "store": "deliver"}.get(name, name))
    if name == "trust":
        (ground.workspace / "checks").mkdir(exist_ok=True)
        (ground.workspace / "checks" / "own.py").write_text("NAME = 'own'\n", encoding="utf-8")
    if name == "resume cut off":
        with failing(_folder(ground), CUT_OFF_AT, errno.EIO):
            done = ground.run("verify", KIT, NEW, "--plan", "heat")
        assert done.status == 3, done
        assert any(folder.parent.name == NEW for folder in interrupted(ground.workspace)), done
    if name == "explain":
        done = ground.run("verify", KIT, FAILED, "--plan", "quick", "--fault", "reversed:box:woofer")
        assert done.status == 1, done


@contextmanager
def _scene(name: str) -> Iterator[None]:
    of_kill = scene("calibrate" if name == "calibrate output" else name)
    no_unit = mock.patch.object(demo, "job", side_effect=Stopped("no unit is measured"))
    with on_another_day(), of_kill, no_unit if name == "first kits" else nullcontext():
        yield


def _try(
    bad_disk: AbstractContextManager[object], at: int, number: int, is_once: bool, ground: Ground, usual: Usual
) -> None:
    _furnish(ground, usual.name)
    before = recorded(ground.workspace)
    with _scene(usual.name), bad_disk:
        done = kitproof(*usual.words, typed=TYPED.get(usual.name, ""))
    told = f"{done.status}: {done.err[-600:]}"
    try:
        _hold_told(ground, usual, done, os.strerror(number))
        hold_records(ground, before, REPLACED.get(usual.name, ()))
        _hold_whole(ground)
        left = [] if at and usual.changes[at - 1].startswith("unlink") else _left(ground)
        assert not left or not (is_once or number == errno.ENOSPC), f"left behind: {left}"
        if is_once or number == errno.ENOSPC or _left(ground):
            _go_on(ground, usual, done)
        if is_once:
            hold_ground(ground, before, REPLACED.get(usual.name, ()))
    except AssertionError as error:
        raise AssertionError(f"{told}\n{error}") from None


def _go_on(ground: Ground, usual: Usual, done: Done) -> None:
    """The same command works when the disk is well again, and nothing that was never put in its place stays."""
    for path in _left(ground):
        os.utime(path, (time.time() - LONG_AGO_S,) * 2)
    # Of a record whose papers could not be made it is told who makes them.
    for words in re.findall(r"^kitproof (certificate \S+) makes", done.err, re.MULTILINE):
        made = kitproof(*words.split(), "--workspace", str(ground.workspace))
        assert made.status == 0, f"{words}: {made}"
    with _scene(usual.name):
        again = kitproof(*usual.words, typed=TYPED.get(usual.name, ""))
    is_over = usual.name in ONCE_ONLY and again.status == 3 and done.status in (0, usual.status)
    # Behind its soak a run cannot be taken up as if nothing had been.
    is_over |= usual.name in RESUMED and again.status == 2 and COOLED in " ".join(again.out.split())
    is_over |= usual.name in RESUMED and again.status == 3 and "the record is there" in done.err
    assert again.status == usual.status or is_over, f"then {again.status}: {again.err}"
    assert not _left(ground), f"left for ever: {_left(ground)}"
    _hold_whole(ground)
    if usual.name == "deliver":
        hold_store(ground)


def _folder(ground: Ground) -> Path:
    """All that a command may write in."""
    return ground.workspace.parent.parent


def _names(ground: Ground) -> list[str]:
    return list(tree(_folder(ground), but={"whole"}))


def _kinds_there(ground: Ground) -> Counter[str]:
    return Counter(DRAWN.sub("#", name) for name in _names(ground) if not DERIVED.search(name))


def _left(ground: Ground) -> list[Path]:
    return [_folder(ground) / name for name in _names(ground) if LEFT.search(name) and not DATED.search(name)]


def _hold_whole(ground: Ground) -> None:
    for name in _names(ground):
        path, end = _folder(ground) / name, ENDS.get(Path(name).suffix)
        if end and path.is_file() and not LEFT.search(name) and "unfinished" not in name:
            assert path.read_bytes().rstrip().endswith(end), f"half a file: {name}"


def _hold_told(ground: Ground, usual: Usual, done: Done, why: str) -> None:
    """The status is right, the error is one line that says what and why, and a pass stands on a record."""
    why_lines = [line for line in done.err.splitlines() if why.lower() in line.lower()]
    assert all("/" in line for line in why_lines), "not told which file"
    assert "OSError" not in done.err, "in a programmer's words"
    if done.status == usual.status:
        lost = list(usual.there - _kinds_there(ground))
        is_whole = all(map(PAPERS.search, lost)) or usual.name in SAID_ONLY
        assert is_whole, f"as if nothing were missing, but {lost[:5]}"
        assert why_lines or not lost, f"not said: {lost[:5]}"
        return
    assert done.status in (2, 3, 4), "a status of none of these"
    assert why_lines, f"not told why: {why}"
    if usual.name == "json" and done.out:
        refuse_false_pass(done.document())
    assert "● PASS" not in done.out, f"told as passed: {done.out[-300:]}"
