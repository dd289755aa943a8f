"""A TOML file of a builder's, edited: what is not changed keeps its place, comments, spelling and line ends."""

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Comment, Table

from rig.files.errors import TableError

#: Keys of tables, one within the other.
Place = Sequence[str]


def edited(text: str, path: Path, changes: Mapping[tuple[str, ...], Mapping[str, Any] | None]) -> str:
    """The text with inline tables set at some places, or what stands there taken out (None).

    Raises
    ------
    TableError
        If that cannot be done without changing anything else; `path` is the file that it is about.
    """
    wanted = tomllib.loads(text)
    try:
        document = tomlkit.parse(text.replace("\r\n", "\n"))
        for place, value in changes.items():
            _change(wanted, place, dict(value) if value is not None else None)
            inline = None
            if value is not None:
                inline = tomlkit.inline_table()
                inline.update(value)
            _change(document, place, inline)
        found = _with_line_ends_of(text, tomlkit.dumps(document))
        is_right = tomllib.loads(found) == wanted
    except (TOMLKitError, ValueError) as error:
        raise TableError(f"{path}: cannot be edited: {error}") from None
    if not is_right:
        raise TableError(f"{path}: cannot be edited without changing what is to stay; edit it by hand")
    return found


def _with_line_ends_of(text: str, edited_text: str) -> str:
    """The edited text, lines that were there before ending as they did, new ones as most do."""
    own, new = text.split("\n"), edited_text.split("\n")
    usual = "\r" if 2 * text.count("\r\n") > text.count("\n") else ""
    found = [*(line + usual for line in new[:-1]), new[-1]]
    same = difflib.SequenceMatcher(None, [line.removesuffix("\r") for line in own[:-1]], new[:-1], autojunk=False)
    for before, after, size in same.get_matching_blocks():
        found[after : after + size] = own[before : before + size]
    return "\n".join(found)


def _change(table: Any, place: Place, value: Any) -> None:
    for key in place[:-1]:
        if key not in table:
            if value is None:
                return
            table[key] = {}
        table = table[key]
        if not isinstance(table, dict):
            raise ValueError(f"{key} is no table")
    former = table.get(place[-1])
    if former is not None and former == value:
        return
    # A table of its own under a heading becomes one in a line.
    if value is None or isinstance(former, dict):
        table.pop(place[-1], None)
    if value is not None:
        table[place[-1]] = value
    # What stands below a table's last key is about the next one, and stays before that.
    below = "".join(f"{words}\n" for words in _below(former))
    before = (
        [item for key, item in table.value.body if key is not None and not isinstance(item, Table)] if below else []
    )
    if before:
        before[-1].trivia.trail += f"\n{below}"


def _below(table: Any) -> list[str]:
    """Comments below the last key of a table under a heading of its own."""
    found: list[str] = []
    for key, item in reversed(table.value.body if isinstance(table, Table) else []):
        if key is not None:
            break
        if isinstance(item, Comment):
            found.insert(0, item.trivia.comment)
    return found
