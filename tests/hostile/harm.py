"""What a bad day does to files and folders of a store: cut, changed, missing, foreign, links, no permission, ..."""

import ctypes
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random

from hostile.mutations import mutated_bytes, mutated_text

#: Where links lead: nowhere, round in circles, to what never ends, out of the workspace.
LED_TO = ("/dev/zero", "/dev/full", "/", "..", ".", "nowhere", "/etc/passwd", "../../../..")
#: Names that come into a folder by copying, by other programs, from other computers.
STRANGE = (
    *("foreign", "2099-01-01T000000Z-099-ffff", "2099-01-01T000000Z-9999999999999-ffff", "x" * 200, "\udcff\udcfe"),
    *(".unfinished-2026-01-01T000000Z-050-aaaa", ".unfinished-", "\x1b[2J", "a\nb", "rework-999.json", "ж 中 [1]"),
    *("archived-x.json", ".number-abc", "Thumbs.db", "run.json", "rework-002-\u202e.json", "desktop.ini", " ", "~$x"),
)
#: Of the kernel's capabilities, by which root may read and write everything: CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH.
OVERRIDES = 1 << 1 | 1 << 2


def harm_file(random: Random, path: Path) -> None:
    """Do something to one file."""
    random.choice(OF_FILES)(random, path)


def harm_folder(random: Random, path: Path) -> None:
    """Do something to one folder, or put something into it."""
    random.choice(OF_FOLDERS)(random, path)


def _text(random: Random, path: Path) -> None:
    text = path.read_bytes().decode("utf-8", "surrogateescape")
    path.write_bytes(mutated_text(random, text).encode("utf-8", "replace"))


def _bytes(random: Random, path: Path) -> None:
    path.write_bytes(mutated_bytes(random, path.read_bytes()))


def _gone(random: Random, path: Path) -> None:
    path.unlink()


def _folder(random: Random, path: Path) -> None:
    path.unlink()
    path.mkdir()


def _pipe(random: Random, path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _link(random: Random, path: Path) -> None:
    """A link in its place: to what it was, to itself, to something else."""
    to = random.choice((*LED_TO, path.name, "moved"))
    if to == "moved":
        # What is derived stays so by its name, wherever it is led to.
        to = f"{path.name}.foreign-moved"
        path.rename(path.with_name(to))
    elif path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink()
    path.symlink_to(to)


def _future(random: Random, path: Path) -> None:
    """As a later version may write it."""
    try:
        found = json.loads(path.read_bytes())
        found["schema"] = random.choice((found.get("schema"), f"{found.get('schema')}0", "kitproof run 2", None))
        found["of a later version"] = {"a": [1, None]}
    except (ValueError, TypeError, AttributeError):
        return _bytes(random, path)
    path.write_text(json.dumps(found), encoding="utf-8")
    return None


def _foreign(random: Random, path: Path) -> None:
    """Another file of the same kind in its place."""
    others = [
        other
        for other in sorted(path.parent.parent.parent.rglob(f"*{path.suffix}"))
        if other.is_file() and other != path
    ]
    if others:
        content = random.choice(others).read_bytes()
        path.write_bytes(content)


def _old(random: Random, path: Path) -> None:
    os.utime(path, ns=(0, random.choice((0, 2**40, 2**62))))


def _not_permitted(random: Random, path: Path) -> None:
    path.chmod(0o000)


def _read_only(random: Random, path: Path) -> None:
    path.chmod(0o444)


def _removed(random: Random, path: Path) -> None:
    shutil.rmtree(path)


def _emptied(random: Random, path: Path) -> None:
    shutil.rmtree(path)
    path.mkdir()


def _file(random: Random, path: Path) -> None:
    shutil.rmtree(path)
    path.write_bytes(random.choice((b"", b"{}", b"\0" * 100)))


def _piped(random: Random, path: Path) -> None:
    shutil.rmtree(path)
    os.mkfifo(path)


def _bits(random: Random, path: Path) -> None:
    """Not to be entered, listed, read or written."""
    path.chmod(random.choice((0o000, 0o444, 0o555, 0o333)))


def _copied(random: Random, path: Path) -> None:
    """A copy beside it under another name."""
    to = path.with_name(random.choice(STRANGE))
    if not to.exists() and not to.is_symlink():
        shutil.copytree(path, to, symlinks=True)


def _exchanged(random: Random, path: Path) -> None:
    """Its contents are another's, and the other way round; not that of all results."""
    if path.name != "results" and (
        others := [other for other in sorted(path.parent.iterdir()) if other.is_dir() and other != path]
    ):
        other, aside = random.choice(others), path.with_name("aside")
        path.rename(aside)
        other.rename(path)
        aside.rename(other)


def _stranger(random: Random, path: Path) -> None:
    """Something new in it."""
    new = path / random.choice(STRANGE)
    if new.exists() or new.is_symlink():
        return
    kind = random.randrange(5)
    if kind == 0:
        new.mkdir()
    elif kind == 1:
        os.mkfifo(new)
    elif kind == 2:
        new.symlink_to(random.choice((*LED_TO, new)))
    elif kind == 3:
        new.write_bytes(random.choice((b"", b"{}", b"[]", b"\xff\xfe", b"null")))
    else:
        new.mkdir()
        (new / "run.json").write_bytes(random.choice((b"", b"{}", b"[]", b'{"schema": "kitproof run 1"}')))


OF_FILES: tuple[Callable[[Random, Path], None], ...] = (
    *(_text, _text, _text, _text, _bytes, _bytes, _bytes, _gone, _folder, _pipe, _link, _future, _future),
    *(_foreign, _old, _not_permitted, _not_permitted, _read_only),
)
OF_FOLDERS: tuple[Callable[[Random, Path], None], ...] = (
    *(_removed, _emptied, _file, _piped, _link, _link, _bits, _bits, _bits, _copied, _exchanged),
    *(_stranger, _stranger, _stranger),
)


@contextmanager
def as_owner() -> Iterator[None]:
    """Within it this thread, and those that it starts, may do what a file's owner may: root has no rights beyond."""
    held = _capabilities()
    if held is None:
        yield
        return
    with _of_thread(held[0] & ~OVERRIDES, *held[1:]):
        yield


@contextmanager
def _of_thread(effective: int, *rest: int) -> Iterator[None]:
    before = _capabilities()
    _set_capabilities((effective, *rest))
    try:
        yield
    finally:
        assert before is not None
        _set_capabilities(before)


#: Of capget and capset: the version of two words a set, and no process, which is this thread.
HEADER = (ctypes.c_uint32 * 2)(0x20080522, 0)


def _capabilities() -> tuple[int, ...] | None:
    """Effective, permitted, inheritable ones, low words, then high ones; None: this user has none, or no Linux."""
    if sys.platform != "linux" or os.geteuid() != 0:
        return None
    words = (ctypes.c_uint32 * 6)()
    assert ctypes.CDLL(None).capget(HEADER, words) == 0
    return tuple(words)


def _set_capabilities(words: tuple[int, ...]) -> None:
    assert ctypes.CDLL(None).capset(HEADER, (ctypes.c_uint32 * 6)(*words)) == 0


def permit(folder: Path) -> None:
    """Let its owner read and write all of a folder again."""
    folder.chmod(folder.stat().st_mode | 0o700)
    for place, folders, files in os.walk(folder):
        for path in (Path(place, name) for name in (*folders, *files)):
            with suppress(FileNotFoundError):
                mode = path.lstat().st_mode
                wanted = 0o700 if path.is_dir() else 0o600
                if not path.is_symlink() and mode & wanted != wanted:
                    path.chmod(mode | wanted)
