"""Files as they are put on the disk and taken from it: whole or not at all, and nothing that is no plain file."""

import errno
import json
import os
import re
import secrets
import shutil
import stat
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Thread
from typing import IO

#: What a file is called while it is being written, behind a name of its own; after a crash it counts for nothing.
UNFINISHED_SUFFIX = ".new"
#: All that stands so beside what was to be written, as a glob: nothing that is somebody else's is called so.
LEFT = f".{16 * '[0-9a-f]'}{UNFINISHED_SUFFIX}"
#: Such a file that nobody has written at for so long was left by who was killed, or whose disk failed; our choice.
LEFT_S = 86400.0
#: So long it is waited, again and again, for who has a file open that is to be renamed, as scanners on Windows have
#: each new one for a moment; 2.6 s in all; our choice.
PAUSES_S = tuple(0.01 * 2**n for n in range(8))
#: Windows' numbers of what may be so: access denied (a folder with an open file), a sharing violation, a lock; by
#: definition (Microsoft's "System Error Codes"). Elsewhere what is open is renamed, and who may not, may not later.
IN_USE = (5, 32, 33)
#: What no folder may be called on Windows, from memory: a record is to go with its builder from computer to computer.
NO_FOLDER = re.compile(
    r"""(?i).*[<>:"|?*\x00-\x1f].*|.*[. ]|(con|prn|aux|nul|conin\$|conout\$|com[\d¹²³]|lpt[\d¹²³])\s*(\..*)?"""
)
FOLDER_NAMES = 'no < > : " | ? *, no dot or space at the end, and none of CON, PRN, AUX, NUL, COM1, LPT1 and so on'
#: What a file system says of a folder that it cannot sync, as network folders do.
NO_SYNC = (errno.EINVAL, errno.ENOTSUP, errno.ENOSYS)
#: A network drive that answers at all does so sooner; our choice.
ANSWERS_WITHIN_S = 15.0


def is_folder_name(name: str) -> bool:
    """Whether a folder may be called so on every computer."""
    return NO_FOLDER.fullmatch(name) is None


def write(path: Path, content: str | bytes, is_new: bool = False) -> None:
    """Write a file beside its place, wait until the disk has it, then put it there.

    Whoever looks, also after a crash or on a full disk, finds the former file or all of the new one.

    Raises
    ------
    FileExistsError
        If `is_new` and something stands there.
    OSError
        If it cannot be written (a full disk); nothing is left behind then.
    """
    if not is_new:
        write_together({path: content})
        return
    place = _written_beside(path, content)
    remove_left([place])
    try:
        with naming(path):
            _rename_to_new(place, path)
    finally:
        with suppress(OSError):
            place.unlink(missing_ok=True)
    sync(path.parent)


@contextmanager
def writing(path: Path) -> Iterator[IO[bytes]]:
    """A file to be written bit by bit, however large, and put in its place as `write` does.

    Raises
    ------
    OSError
        As `write`.
    """
    place = beside(path)
    try:
        with place.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        remove_left([place])
        put_in_place(place, path)
    finally:
        with suppress(OSError):
            place.unlink(missing_ok=True)
    sync(path.parent)


def write_together(contents: Mapping[Path, str | bytes]) -> None:
    """Write several files; none is put in its place before the disk has all of them.

    Raises
    ------
    OSError
        If one cannot be written; nothing has changed then.
    """
    written: dict[Path, Path] = {}
    try:
        for path, content in contents.items():
            written[path] = _written_beside(path, content)
        remove_left(written.values())
        for path, beside in written.items():
            with naming(path):
                put_in_place(beside, path)
    finally:
        for beside in written.values():
            with suppress(OSError):
                beside.unlink(missing_ok=True)
    for folder in {path.parent for path in contents}:
        sync(folder)


def put_in_place(new: Path, path: Path) -> None:
    """Rename a file or folder, over a file that stands there; what somebody has open on Windows is waited for a little.

    Raises
    ------
    OSError
        If it cannot be renamed.
    """
    for pause_s in PAUSES_S:
        try:
            new.replace(path)
            return
        except PermissionError as error:
            if getattr(error, "winerror", None) not in IN_USE:
                raise
            time.sleep(pause_s)
    new.replace(path)


def do_answer(paths: Sequence[Path]) -> bool:
    """Whether files and folders can be looked at, there or not: a network drive whose server is gone answers nobody."""

    def look() -> None:
        for path in paths:
            # What is wrong with it is told by whoever needs it.
            with suppress(OSError, ValueError):
                path.stat()

    return is_done_in_time(look)


def is_done_in_time(work: Callable[[], object]) -> bool:
    """Whether work on files was done in the time in which a drive answers that answers at all."""
    working = Thread(target=work, daemon=True)
    working.start()
    working.join(ANSWERS_WITHIN_S)
    return not working.is_alive()


def beside(path: Path) -> Path:
    """A hidden name beside a file or folder, to write it under before it is renamed."""
    return path.with_name(f".{secrets.token_hex(8)}{UNFINISHED_SUFFIX}")


def remove_left(fresh: Collection[Path]) -> None:
    """Remove what was begun beside these, which were written just now, long before them, and never put in its place.

    By the clock of the disk, which on a network is another than this computer's.
    """
    for new in {path.parent: path for path in fresh}.values():
        # Another may just be removing it; what cannot be removed harms nobody.
        with suppress(OSError):
            for path in new.parent.glob(LEFT):
                if path not in fresh and new.stat().st_mtime - path.stat().st_mtime > LEFT_S:
                    shutil.rmtree(path) if path.is_dir() else path.unlink()


def _written_beside(path: Path, content: str | bytes) -> Path:
    place = beside(path)
    try:
        with naming(path), place.open("xb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        # Where that fails, too, why it could not be written is what is told.
        with suppress(OSError):
            place.unlink(missing_ok=True)
        raise
    return place


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Within it errors name this file: those of writing and syncing name none, others one that is not its name yet."""
    try:
        yield
    except OSError as error:
        if error.errno is None:
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error


def _rename_to_new(place: Path, path: Path) -> None:
    """Rename, but never over a file that is there."""
    try:
        os.link(place, path)
    except FileExistsError:
        raise
    except OSError:
        # A file system without links (a memory stick): two writers within the same moment are not told apart.
        if path.exists():
            raise FileExistsError(f"{path} is there") from None
        put_in_place(place, path)


def sync(path: Path) -> None:
    """Wait until the disk has a file, or what a folder lists."""
    if os.name == "nt" and path.is_dir():
        return  # a directory cannot be opened for syncing there
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        with naming(path):
            os.fsync(handle)
    except OSError as error:
        # What was put into the folder is there all the same; nothing more can be asked of such a file system.
        if not (path.is_dir() and error.errno in NO_SYNC):
            raise
    finally:
        os.close(handle)


def read_bytes(path: Path) -> bytes:
    """All of a plain file; never waits, as reading from a pipe would.

    Raises
    ------
    OSError
        If it is not there, is no plain file (a pipe, a device, a folder), has no name of one, or cannot be read.
    """
    if "\0" in str(path):
        raise FileNotFoundError(errno.ENOENT, "no file has a zero byte in its name", str(path))
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(f"{path}: not a plain file")
        return file.read()


def read_text(path: Path, encoding: str = "utf-8") -> str:
    """All of a text file, its line ends as `Path.read_text` gives them.

    Raises
    ------
    OSError
        As `read_bytes`.
    UnicodeDecodeError
        If it is not UTF-8.
    """
    return read_bytes(path).decode(encoding).replace("\r\n", "\n").replace("\r", "\n")


def read_json(path: Path) -> object:
    """What a JSON file holds.

    Raises
    ------
    OSError
        As `read_bytes`.
    ValueError
        If it is not UTF-8, not JSON, nested too deep, or has a number that JSON does not know (NaN): what is wrong.
    """
    return parse_json(read_bytes(path))


def parse_json(content: bytes) -> object:
    """What a JSON file holds, from its bytes.

    Raises
    ------
    ValueError
        As `read_json`.
    """
    try:
        return json.loads(content.decode("utf-8"), parse_constant=_refuse)
    except RecursionError:
        raise ValueError("not valid JSON: nested too deep") from None
    except ValueError as error:
        raise ValueError(f"not valid JSON: {error}") from None


def _refuse(constant: str) -> None:
    raise ValueError(f"found {constant}; allowed: numbers")


def where_and_why(error: Exception) -> str:
    """What went wrong, in words; of an error of the file system with the name of the file."""
    return f"{error.filename or 'a file'}: {why(error)}" if isinstance(error, OSError) else str(error)


def why(error: Exception) -> str:
    """What stopped a file from being read or written, without its name: "no space left on device"."""
    return (isinstance(error, OSError) and error.strerror) or str(error)
