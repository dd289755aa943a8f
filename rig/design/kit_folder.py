"""The files that a kit consists of, and what they hold."""

import os
from collections.abc import Iterator
from pathlib import Path

from rig.design.limits import Files
from rig.files.disk import UNFINISHED_SUFFIX
from rig.files.errors import TableError


def kit_files(folder: Path) -> Iterator[Path]:
    """kit.toml and every file that its limits rest on."""
    former = ("reference-of-", "masks-of-")
    # A folder that another is just renaming is left out, where a glob would end by an error.
    for path in sorted(Path(place, name) for place, _, names in os.walk(folder) for name in names):
        unfinished = any(name.endswith(UNFINISHED_SUFFIX) for name in (path.name, path.parent.name))
        if path.is_file() and not unfinished and not path.parent.name.startswith(former):
            yield path


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
