"""Frozen values as plain JSON and back: one writer and one reader for all of them, and what is written is read equal.

JSON has no number that is not finite: NaN becomes null, an infinity the text "Infinity" or "-Infinity".
"""

import json
import math
from collections.abc import Hashable, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from types import GenericAlias
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias, TypeVar

from pydantic import BeforeValidator, ConfigDict, Strict, TypeAdapter, ValidationError

from rig.files.tables import misfits

if TYPE_CHECKING:
    import numpy as np
    from _typeshed import DataclassInstance
    from numpy.typing import NDArray

T = TypeVar("T")


def table(value: "DataclassInstance") -> dict[str, object]:
    """A dataclass as JSON holds it."""
    return {field.name: plain(getattr(value, field.name)) for field in fields(value)}


def plain(value: object) -> object:
    """A value as JSON holds it: dataclasses as tables, arrays as lists, a complex array as two of them."""
    if is_dataclass(value) and not isinstance(value, type):
        return table(value)
    if hasattr(value, "tolist"):
        # An array, or a number out of one.
        if getattr(value, "ndim", 0) and value.dtype.kind == "c":  # type: ignore[attr-defined]
            return {"real": plain(value.real), "imag": plain(value.imag)}  # type: ignore[attr-defined]
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else f"{'-' if value < 0 else ''}Infinity"
    return value


def finite(value: float) -> float | None:
    """A number for JSON that knows none but finite ones; None where it is not known."""
    return float(value) if math.isfinite(value) else None


def json_bytes(value: object) -> bytes:
    """A value as UTF-8; half a surrogate pair, which UTF-8 cannot hold, is escaped as JSON allows."""
    text = json.dumps(plain(value), indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8", "backslashreplace")


def restored(kind: type[T], found: object, key: str = "") -> T:
    """The value of a type back from what `plain` made of it; `key` is where that stands.

    Raises
    ------
    ValueError
        If it is not one of this type: key, what was found and what is allowed.
    """
    try:
        known: T = _reader(kind).validate_python((found,))[0]  # type: ignore[arg-type]
    except ValidationError as error:
        raise ValueError(misfits(error, kind, key, skip=1)[0]) from None
    return known


def schema_checked(found: object, schema: str, or_none: bool = False) -> dict[str, object]:
    """A document of a schema that this version knows, without that key; `or_none`: older ones had none.

    Raises
    ------
    ValueError
        If it is no table, or saying which schema was found.
    """
    if not isinstance(found, dict):
        raise ValueError(f"found {str(found)[:60]!r}; allowed: a table")
    stated = found.get("schema", schema if or_none else None)
    if stated != schema:
        raise ValueError(f"schema: found {str(stated)[:60]!r}; this version reads {schema!r}")
    return {key: value for key, value in found.items() if key != "schema"}


@cache
def _reader(kind: Hashable) -> TypeAdapter[Any]:
    # In a tuple, since pydantic takes no settings for a dataclass itself.
    wrapped: Any = GenericAlias(tuple, (kind,))
    return TypeAdapter(wrapped, config=ConfigDict(extra="forbid", arbitrary_types_allowed=True))


def _number(found: object) -> object:
    if found is None:
        return math.nan
    return float(str(found)) if found in ("Infinity", "-Infinity") else found


def _floats(found: object) -> "NDArray[np.float64]":
    import numpy as np

    try:
        if isinstance(found, list):
            return np.array(found, np.float64)
    except (TypeError, ValueError):
        pass
    raise ValueError("a list of numbers")


def _complexes(found: object) -> "NDArray[np.complex128]":
    import numpy as np

    if not isinstance(found, dict):
        raise ValueError("a table of real and imag")
    made = np.array(_floats(found.get("real")), np.complex128)
    made.imag = _floats(found.get("imag"))
    return made


#: A number of a value that is stored, and arrays of such; NaN where nothing is known.
Number = Annotated[float, Strict(), BeforeValidator(_number)]
#: Yes or no, and a whole number, of a value that is stored: words such as "no" or "3" are neither.
YesNo = Annotated[bool, Strict()]
Whole = Annotated[int, Strict()]
if TYPE_CHECKING:
    Floats: TypeAlias = NDArray[np.float64]
    Complexes: TypeAlias = NDArray[np.complex128]
    Singles: TypeAlias = NDArray[np.float32]
    Bools: TypeAlias = NDArray[np.bool_]
else:
    # What only lists and shows what is on the disk loads no numpy.
    Floats = Annotated[Any, BeforeValidator(_floats), "float64"]
    Complexes = Annotated[Any, BeforeValidator(_complexes), "complex128"]
    Singles, Bools = Annotated[Any, "float32"], Annotated[Any, "bool"]
