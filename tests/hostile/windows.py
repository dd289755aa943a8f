"""A file system with Windows' rules, as far as Linux can play it: what is open stays, and not every name is one.

From memory, and by Microsoft's "Naming Files, Paths, and Namespaces": what a process has open is neither renamed, nor
replaced, nor removed, nor is a folder that holds it; some names are devices', some characters are none of a name, dots
and spaces at an end are dropped in silence; a path has at most 259 characters. A scanner that looks at each new file
has it open for a moment.
"""

import builtins
import errno
import io
import os
import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock

DEVICE = re.compile(r"(?i)(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])\s*(\..*)?")
NO_NAME = re.compile(r'[<>:"|?*\x00-\x1f]|[. ]$')
#: Of a path, without the zero at its end.
LONGEST = 259


@contextmanager
def windows(root: Path, drive: str = "C:\\Users\\somebody\\kitproof", scanned: int = 0) -> Iterator[None]:
    """Within it all below `root`, which stands for `drive`, keeps to Windows' rules.

    `scanned`: so many times each file or folder that is renamed is found open by a scanner before it can be.
    """
    looks: dict[str, int] = {}

    def refuse_name(path: Path) -> None:
        if not path.is_relative_to(root):
            return
        parts = path.relative_to(root).parts
        for part in parts:
            if DEVICE.fullmatch(part) or NO_NAME.search(part):
                raise OSError(errno.EINVAL, "The filename or directory name is incorrect", str(path))
        if len("\\".join((drive, *parts))) > LONGEST:
            raise FileNotFoundError(errno.ENOENT, "The system cannot find the path specified", str(path))

    def refuse_open(path: Path) -> None:
        if path.is_relative_to(root) and (found := [one for one in _open_files() if one.is_relative_to(path)]):
            raise in_use(f"it is being used by another process: {found[0].name}", path)

    def scan(path: Path) -> None:
        if path.is_relative_to(root) and looks.setdefault(str(path), 0) < scanned:
            looks[str(path)] += 1
            raise in_use("a scanner looks at it", path)

    def removing(usual: Callable[..., Any]) -> Callable[..., Any]:
        def remove(path: Any, *rest: Any, dir_fd: int | None = None, **named: Any) -> Any:
            refuse_open(_whole(path, dir_fd))
            return usual(path, *rest, dir_fd=dir_fd, **named)

        return remove

    def moving(usual: Callable[..., Any], replaces: bool) -> Callable[..., Any]:
        def move(path: Any, to: Any, **named: Any) -> Any:
            of, place = _whole(path), _whole(to)
            refuse_name(place)
            scan(of)
            for one in (of, place):
                refuse_open(one)
            if place.exists() and not (replaces and place.is_file()):
                raise FileExistsError(errno.EEXIST, "Cannot create a file when that file already exists", str(place))
            return usual(path, to, **named)

        return move

    def making(usual: Callable[..., Any]) -> Callable[..., Any]:
        def make(path: Any, *rest: Any, **named: Any) -> Any:
            if isinstance(path, str | os.PathLike) and named.get("dir_fd") is None:
                refuse_name(_whole(path))
            return usual(path, *rest, **named)

        return make

    opened = making(io.open)
    with ExitStack() as stack:
        for module, name, patched in (
            (os, "rename", moving(os.rename, replaces=False)),
            (os, "replace", moving(os.replace, replaces=True)),
            (os, "unlink", removing(os.unlink)),
            (os, "remove", removing(os.remove)),
            (os, "rmdir", removing(os.rmdir)),
            (os, "mkdir", making(os.mkdir)),
            (os, "open", making(os.open)),
            (io, "open", opened),
            (builtins, "open", opened),
        ):
            stack.enter_context(mock.patch.object(module, name, patched))
        yield


def in_use(words: str, path: Path) -> PermissionError:
    """Windows' sharing violation."""
    error = PermissionError(errno.EACCES, words, str(path))
    error.winerror = 32  # type: ignore[attr-defined,unused-ignore]
    return error


def _whole(path: Any, dir_fd: int | None = None) -> Path:
    folder = Path.cwd() if dir_fd is None else Path(f"/proc/self/fd/{dir_fd}").readlink()
    return folder / os.fspath(path)


def _open_files() -> list[Path]:
    """What this process has open now, folders apart: those it may go through."""
    found = []
    for number in Path("/proc/self/fd").iterdir():
        try:
            path = number.readlink()
        except OSError:
            continue
        if path.is_absolute() and not path.is_dir():
            found.append(path)
    return found


class Locks(SimpleNamespace):
    """`msvcrt` as Windows has it: the byte that a handle stands at is locked."""

    LK_NBLCK = 2

    def __init__(self) -> None:
        #: Its holder lets go when it is asked for so often; 0: never.
        super().__init__(held={}, asked=0, lets_go_at=0)

    def locking(self, handle: int, how: int, count: int) -> None:
        """Lock bytes from where the handle stands; refused if another handle that is still open has one of them."""
        stat = os.fstat(handle)
        byte = (stat.st_ino, os.lseek(handle, 0, os.SEEK_CUR))
        holder = self.held.get(byte)
        if holder is not None and holder != handle and self._is_open(holder, stat.st_ino):
            self.asked += 1
            if self.asked == self.lets_go_at:
                os.close(holder)
            raise PermissionError(errno.EACCES, "Permission denied")
        self.held[byte] = handle

    @staticmethod
    def _is_open(handle: int, inode: int) -> bool:
        try:
            return os.fstat(handle).st_ino == inode
        except OSError:
            return False
