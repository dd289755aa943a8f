"""The folder of a unit, `results/<kit>/<serial>`, and the hint file that says which of them have changed.

Whoever changes one appends a line: `<kit>/<serial>`, and, where the folder was made, when that of its kit had changed
before and by it (ns). It spares the index a walk through all folders; nothing else rests on it, and it may be deleted.
"""

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from rig.files.disk import LEFT_S, read_bytes, remove_left
from rig.files.locks import locked

NAME = "index.hints"
#: Begins the name of a run's folder until its record is whole.
UNFINISHED = ".unfinished-"


class Hint(NamedTuple):
    """A unit's folder that changed; and how the time of its kit's folder changed by its being made, ns."""

    kit: str
    serial: str
    before_ns: int
    after_ns: int


def now() -> str:
    """The time with its zone, ISO 8601, to the second."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def stamp(at: str) -> str:
    """A time, ISO 8601 with zone, as names of runs begin; empty: it is none."""
    with suppress(ValueError, TypeError):
        return f"{datetime.fromisoformat(at).astimezone(UTC):%Y-%m-%dT%H%M%SZ}"
    return ""


def minute_words(name: str) -> str:
    """When a run began, UTC, by its name (2026-03-04T101500Z and so on) or a stamp: "2026-03-04 10:15"."""
    return f"{name[:13].replace('T', ' ')}:{name[13:15]}"


def changed_ns(folder: Path | str) -> int:
    """When a file, or what a folder lists, last changed, ns since 1970; 0: there is none."""
    try:
        return os.stat(folder).st_mtime_ns  # noqa: PTH116 (of a thousand folders it takes half as long)
    except OSError:
        return 0


def make_home(home: Path) -> str:
    """Make the folder of a unit where there is none yet; what `hint` is to say of that.

    Raises
    ------
    OSError
        If it cannot be made.
    """
    kit = home.parent
    kit.mkdir(parents=True, exist_ok=True)
    before_ns = changed_ns(kit)
    try:
        home.mkdir()
    except FileExistsError:
        if not home.is_dir():
            raise
        return ""
    return f"{before_ns} {changed_ns(kit)}"


def remove_left_in_home(new: Path) -> None:
    """Remove what was left beside a run's new folder: half files, and folders of runs that recorded nothing.

    A run that has waited at a prompt for days has its lock.
    """
    remove_left([new])
    for folder in new.parent.glob(f"{UNFINISHED}*"):
        with suppress(OSError):
            is_old = new.stat().st_mtime - folder.stat().st_mtime > LEFT_S
            if is_old and {path.name for path in folder.iterdir()} <= {"started.txt", "running.lock"}:
                locked(folder / "running.lock").close()
                shutil.rmtree(folder)


def run_number(name: str) -> int:
    """The number of a run among those of its serial, from the name of its folder; 0: it is no name of a run."""
    parts = name.removeprefix(UNFINISHED).split("-")
    return int(parts[3]) if len(parts) > 3 and parts[3].isdecimal() else 0


def is_note(name: str) -> bool:
    """Whether a file in a unit's folder is a note of what was done to it."""
    return re.fullmatch(r"rework-\d{3,}(-[a-z0-9-]+)?\.json", name) is not None


def names_in(home: Path) -> list[str]:
    """What stands in a folder; nothing where there is none.

    Raises
    ------
    OSError
        If it is there and cannot be looked into.
    """
    try:
        names = [path.name for path in home.iterdir()]
    except (FileNotFoundError, NotADirectoryError):
        return []
    # One that may be listed may still not be entered, and then nothing in it seems to be there.
    os.stat(f"{home}/.")  # noqa: PTH116 (a Path drops the dot)
    return names


def folders_in(folder: Path) -> list[str]:
    """The kits of a store, or the units of a kit, that have a folder; errors as of `names_in`."""
    return [name for name in names_in(folder) if not name.startswith(".") and (folder / name).is_dir()]


def run_names(home: Path) -> list[str]:
    """The runs of a unit that have ended, oldest first: by number, since a clock may be set back between two.

    A run whose run.json has gone is one of them: no older one is taken for the newest in its place.

    Raises
    ------
    OSError
        As `names_in`.
    """
    names = [name for name in names_in(home) if not name.startswith(".")]
    ended = [n for n in names if (run_number(n) or changed_ns(home / n / "run.json")) and (home / n).is_dir()]
    return sorted(ended, key=lambda name: (run_number(name), name))


def hint(home: Path, made: str = "") -> None:
    """Say that a unit's folder has changed; where that cannot be written, it will be come upon later."""
    results = home.parent.parent
    line = f"{home.parent.name}/{home.name}\t{made}\n".encode()
    try:
        # What stands there may be no file at all: nobody waits for the other end of a pipe.
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
        handle = os.open(results / NAME, flags, 0o666)
        try:
            # In one piece: several processes append at once.
            os.write(handle, line)
        finally:
            os.close(handle)
    except OSError:
        pass


def hints_from(results: Path, offset: int) -> tuple[list[Hint], int]:
    """The hints from a byte of the file on, and the byte behind the last whole one; all where it has shrunk."""
    try:
        content = read_bytes(results / NAME)
    except OSError:
        return [], 0
    start, end = offset if offset <= len(content) else 0, content.rfind(b"\n") + 1
    return list(_parsed(content[start:end])), max(start, end)


def _parsed(content: bytes) -> Iterator[Hint]:
    for line in content.decode("utf-8", "replace").split("\n"):
        home, _, made = line.partition("\t")
        kit, _, serial = home.partition("/")
        before, _, after = made.partition(" ")
        is_name = "/" not in serial and "\0" not in home
        if kit and serial and is_name and not kit.startswith(".") and not serial.startswith("."):
            is_made = len(made) < 50 and before.isdecimal() and after.isdecimal()
            yield Hint(kit, serial, int(before) if is_made else 0, int(after) if is_made else 0)
