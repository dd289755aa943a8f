"""Which programs of others may run here: what a person has agreed to, by its content, kept outside every workspace.

A workspace that came from somewhere else may hold checks of its own, which are programs. Nothing of them runs before
somebody has said so on this computer; a changed file is another content, and is asked about again.
"""

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path

from rig.files.disk import read_text, why, write
from rig.files.errors import TableError

#: Where the answers are kept, instead of the home folder's `.kitproof`.
HOME_VARIABLE = "KITPROOF_HOME"


def content_hash(contents: Mapping[str, bytes]) -> str:
    """SHA-256 over names and contents of files, whatever their order."""
    whole = hashlib.sha256()
    for name, content in sorted(contents.items()):
        whole.update(f"{len(name)} {name} {len(content)} ".encode() + content)
    return whole.hexdigest()


def is_trusted(contents: Mapping[str, bytes]) -> bool:
    """Whether somebody has agreed on this computer that these files run."""
    try:
        return content_hash(contents) in _place().read_text(encoding="utf-8").split()
    except OSError:
        return False


def trust(contents: Mapping[str, bytes]) -> None:
    """Keep that somebody agreed.

    Raises
    ------
    TableError
        If it cannot be written.
    """
    try:
        _place().parent.mkdir(parents=True, exist_ok=True)
        former = read_text(_place()) if _place().is_file() else ""
        write(_place(), f"{former}{content_hash(contents)}\n")
    except OSError as error:
        raise TableError(f"{_place()}: cannot be written: {why(error)}; {HOME_VARIABLE} names another folder") from None


def _place() -> Path:
    home = os.environ.get(HOME_VARIABLE)
    return (Path(home) if home else Path.home() / ".kitproof") / "trusted-checks.txt"
