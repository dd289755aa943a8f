"""The files that a kit consists of, and what they hold."""

import os
from collections.abc import Iterator
from pathlib import Path

from rig.design.limits import Files
from rig.files.disk import UNFINISHED_SUFFIX
from rig.files.errors import TableError


def kit_files(folder: Path) -> Iterator[Path]:
    """kit.toml and every file that its limits rest on.

    Raises
    ------
    TableError
        If a folder cannot be listed.
    """
    former = ("reference-of-", "masks-of-")
    walked = os.walk(folder, onerror=_refuse_unlisted)
    for path in sorted(Path(place, name) for place, _, names in walked for name in names):
        unfinished = any(name.endswith(UNFINISHED_SUFFIX) for name in (path.name, path.parent.name))
        if path.is_file() and not unfinished and not path.parent.name.startswith(former):
            yield path


def _refuse_unlisted(error: OSError) -> None:
    """Of a folder that cannot be listed what it holds would be missed: units would be judged without it."""
    # One that another process is just renaming is none of the kit's any more.
    if not isinstance(error, FileNotFoundError):
        raise TableError(f"{error.filename}: cannot be read ({error.strerror})") from None


def read_files(folder: Path) -> Files:
    """What the files of a kit hold.

    Raises
    ------
    TableError
        If one cannot be read.
    """
    files = {}
    for path in kit_files(folder):
        try:
            files[path] = path.read_bytes()
        except FileNotFoundError:
            # Gone since it was listed: it is none of the kit's files any more.
            continue
        except OSError as error:
            raise TableError(f"{path}: cannot be read ({error.strerror})") from None
    return files
