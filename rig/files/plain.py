"""Frozen values as plain JSON and back: what is written is read back equal.

JSON has no number that is not finite: NaN becomes null, an infinity the text "Infinity" or "-Infinity".
"""

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import lru_cache
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np


def plain(value: Any) -> Any:
    """A value as JSON holds it: dataclasses as tables, arrays as lists, a complex array as two of them."""
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, np.ndarray):
        if np.iscomplexobj(value):
            return {"real": plain(value.real), "imag": plain(value.imag)}
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else f"{'-' if value < 0 else ''}Infinity"
    return value


def json_bytes(document: Any) -> bytes:
    """A plain document as UTF-8; half a surrogate pair, which UTF-8 cannot hold, is escaped as JSON allows."""
    text = json.dumps(plain(document), indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8", "backslashreplace")


def restored(kind: Any, found: Any) -> Any:
    """The value of a type back from what `plain` made of it.

    Raises
    ------
    ValueError
        If it is not one of this type, naming the key.
    """
    if kind is Any:
        return found
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        [known] = [option for option in inner if option is not NoneType]
        return None if found is None else restored(known, found)
    if origin is Literal:
        return _one_of(inner, found)
    if is_dataclass(kind):
        return _table(kind, found)
    if origin is tuple:
        return _row(inner, found)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {key: restored(inner[1], value) for key, value in _of(dict, found).items()}
    if origin is np.ndarray:
        return _array(get_args(inner[1])[0], found)
    return _number(found) if kind is float else _of(kind, found)


@lru_cache
def _types(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _table(kind: Any, found: Any) -> Any:
    values, types = {}, _types(kind)
    for name, value in _of(dict, found).items():
        if name not in types:
            raise ValueError(f"{name}: unknown; allowed: {', '.join(types)}")
        try:
            values[name] = restored(types[name], value)
        except ValueError as error:
            raise ValueError(f"{name}: {error}") from None
    try:
        return kind(**values)
    except TypeError as error:
        raise ValueError(str(error)) from None


def _row(inner: tuple[Any, ...], found: Any) -> tuple[Any, ...]:
    values = _of(list, found)
    kinds = (inner[0],) * len(values) if inner[-1] is Ellipsis else inner
    if len(kinds) != len(values):
        raise ValueError(f"found {len(values)} values; allowed: {len(kinds)}")
    return tuple(restored(kind, value) for kind, value in zip(kinds, values, strict=True))


def _array(dtype: Any, found: Any) -> Any:
    if dtype is not np.complex128:
        return np.array(_numbers(found) if dtype is np.float64 else found, dtype)
    parts = _of(dict, found)
    made = np.array(_numbers(parts.get("real")), np.complex128)
    made.imag = _numbers(parts.get("imag"))
    return made


def _numbers(found: Any) -> Any:
    return [_numbers(one) if isinstance(one, list) else _number(one) for one in _of(list, found)]


def _number(found: Any) -> float:
    if found is None:
        return float("nan")
    if isinstance(found, bool) or not (isinstance(found, (int, float)) or found in ("Infinity", "-Infinity")):
        raise ValueError(f"found {found!r}; allowed: a number")
    return float(found)


def _one_of(allowed: tuple[Any, ...], found: Any) -> Any:
    if found not in allowed:
        raise ValueError(f"found {found!r}; allowed: {', '.join(map(repr, allowed))}")
    return found


def _of(kind: Any, found: Any) -> Any:
    if not isinstance(found, kind):
        raise ValueError(f"found {found!r}; allowed: {kind.__name__}")
    return found
