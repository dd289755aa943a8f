"""TOML tables checked by pydantic, with mistakes told by file, key, what was found and what is allowed."""

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError

Values = Mapping[str, Any]


class TableError(Exception):
    """A file of settings is missing, unreadable or wrong (exit status 3)."""


class Table(BaseModel):
    """A table that knows its keys: an unknown key is an error, and a loaded table never changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


T = TypeVar("T", bound=BaseModel)


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    TableError
        If the file is missing, is not UTF-8, or is not TOML (with the line).
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise TableError(f"{path}: there is no such file") from None
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: not UTF-8 text (byte {error.start})") from None
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"{path}: not valid TOML: {error}") from None


def checked(model: type[T], values: Values, path: Path, key: str = "") -> T:
    """Build `model` from `values`, or raise TableError naming file and key."""
    try:
        return model.model_validate(dict(values))
    except ValidationError as error:
        lines = [_line(path, key, detail, model) for detail in error.errors()]
        raise TableError("\n".join(lines)) from None


def _line(path: Path, prefix: str, detail: Any, model: type[BaseModel]) -> str:
    where = ".".join([prefix] * bool(prefix) + [_step(step) for step in detail["loc"]]) or "(whole file)"
    kind, found = detail["type"], detail["input"]
    if kind == "extra_forbidden":
        allowed = _keys_at(model, detail["loc"][:-1])
        near = difflib.get_close_matches(str(detail["loc"][-1]), allowed, n=1)
        hint = f" (did you mean {near[0]!r}?)" if near else ""
        return f"{path}: {where}: unknown key{hint}; allowed: {', '.join(allowed) or 'no further keys'}"
    if kind == "missing":
        return f"{path}: {where}: missing; it must be given"
    allowed_words = detail["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    if kind == "value_error" and isinstance(found, dict):
        # A rule over a whole table: its own words say what was found.
        return f"{path}: {where}: allowed: {allowed_words}"
    return f"{path}: {where}: found {_short(found)}; allowed: {allowed_words}"


def _step(step: object) -> str:
    return f"[{step + 1}]" if isinstance(step, int) else str(step)


def _short(found: object) -> str:
    text = repr(found)
    return text if len(text) <= 80 else text[:77] + "..."


def _keys_at(model: type[BaseModel], loc: tuple[Any, ...]) -> list[str]:
    current: type[BaseModel] | None = model
    for step in loc:
        if isinstance(step, int) or current is None:
            continue
        fields = current.model_fields
        if step not in fields:
            continue
        current = _table_in(fields[step].annotation)
    return sorted(current.model_fields) if current else []


def _table_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = _table_in(inner)
        if found:
            return found
    return None
