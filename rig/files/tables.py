"""TOML tables checked by pydantic, with mistakes reported by file, key, what was found and what is allowed."""

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import is_dataclass
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING, Any, TypeVar, get_args, get_type_hints

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError

from rig.files.disk import read_text, why
from rig.files.errors import TableError

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

Values = Mapping[str, object]
#: No quantity in any unit is larger, and no file of settings nested deeper; numerical.
LARGEST, DEEPEST = 1e15, 20


class Misfit(ValueError):
    """What a rule of a table found and allows; `key` leads on from the table to the value at fault."""

    def __init__(self, key: str, found: str, allowed: str) -> None:
        super().__init__(f"{key}: found {found}; allowed: {allowed}")
        self.key, self.found, self.allowed = key, found, allowed


class Table(BaseModel):
    """A table that knows its keys: an unknown key is an error, and a loaded table never changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


T = TypeVar("T", bound=BaseModel)

DECIMAL_COMMA = re.compile(r"=\s*[+-]?\d+,\d")
OTHER_KINDS = {
    "bool_type": "true or false, without quotes",
    "bool_parsing": "true or false, without quotes",
    "string_type": "text in quotes",
    "list_type": "a list, in [ ]",
    "dict_type": "a table",
    "model_type": "a table",
    "dataclass_type": "a table",
    "mapping_type": "a table",
    "tuple_type": "a list",
}
NUMBER_TYPES = ("float_parsing", "float_type", "int_parsing", "int_type")


def between(low: float, high: float) -> AfterValidator:
    """A number from `low` to `high`: outside it is more likely a slip of units than meant."""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"{low:g} to {high:g}")
        return value

    return AfterValidator(check)


def is_beside_kit() -> AfterValidator:
    """The name of a file in a kit's own folder: what stands elsewhere would not go into the records."""

    def check(name: str) -> str:
        if name in ("", ".", "..") or re.search(r"[/\\\0]", name):
            raise ValueError("the name of a file beside kit.toml, without a folder")
        return name

    return AfterValidator(check)


def values_of(*names: str) -> AfterValidator:
    """A list that holds one value for each name."""

    def check(values: list[float]) -> list[float]:
        if len(values) != len(names):
            raise Misfit("", f"{len(values)} values", f"[{', '.join(names)}]")
        return values

    return AfterValidator(check)


def band(low_hz: float, high_hz: float) -> AfterValidator:
    """Two frequencies, ascending, within these ends."""

    def check(values: list[float]) -> list[float]:
        if not low_hz <= values[0] < values[1] <= high_hz:
            raise ValueError(f"[from_hz, to_hz], ascending, from {low_hz:g} to {high_hz:g}")
        return values

    return AfterValidator(check)


def may_name(*words: str) -> AfterValidator:
    """A text that may leave these words in braces open, to be filled in later with `str.format`."""
    allowed = ", ".join(f"{{{word}}}" for word in words) + "; {{ and }} for braces"

    def check(text: str) -> str:
        try:
            fields = list(Formatter().parse(text))
        except ValueError as error:
            raise Misfit("", f"{text!r} ({error})", allowed) from None
        for _, name, spec, conversion in fields:
            if name is not None and (name not in words or spec or conversion):
                raise Misfit("", repr("{" + name + (f"!{conversion}" if conversion else "") + "}"), allowed)
        return text

    return AfterValidator(check)


def refuse_doubles(key: str, names: list[str], allowed: str) -> None:
    """Misfit if a name occurs more than once."""
    doubles = sorted({name for name in names if names.count(name) > 1})
    if doubles:
        raise Misfit(key, f"more than one {' and '.join(map(repr, doubles))}", allowed)


def near(word: object, known: Iterable[str]) -> str:
    """A hint at the known word that looks most like this one; empty if none does."""
    found = difflib.get_close_matches(str(word), list(known), n=1)
    return f" (did you mean {found[0]!r}?)" if found else ""


def read_toml(path: Path, content: bytes | None = None) -> dict[str, Any]:
    """Read a TOML file; `content` where it was read before.

    Raises
    ------
    TableError
        If the file is missing, is not UTF-8, is not TOML (with the line), or holds what no setting is: a number
        beyond every quantity, or tables within tables without an end.
    """
    text = read_settings(path, content=content)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        wrong = text.splitlines()[int(line[1]) - 1] if line else ""
        hint = "; a number is written with a decimal point, not a comma" if DECIMAL_COMMA.search(wrong) else ""
        raise TableError(f"{path}: not valid TOML: {error}{hint}") from None
    except ValueError as error:
        # A whole number of thousands of digits.
        raise TableError(f"{path}: not valid TOML: {error}") from None
    except RecursionError:
        raise TableError(f"{path}: lists or tables nested too deep; allowed: {DEEPEST} levels") from None
    _refuse_boundless(path, values, "", 1)
    return values


def read_settings(path: Path, content: bytes | None = None) -> str:
    """The text of a file of settings or limits, without the mark that some editors put before it.

    `content`: where it was read before.

    Raises
    ------
    TableError
        If the file is missing, is no plain file, cannot be read, or is not UTF-8.
    """
    try:
        return read_text(path, "utf-8-sig") if content is None else content.decode("utf-8-sig")
    except FileNotFoundError:
        raise TableError(f"{path}: there is no such file") from None
    except OSError as error:
        raise TableError(f"{path}: cannot be read ({why(error)})") from None
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: not UTF-8 text (byte {error.start}); save it as UTF-8") from None


def _refuse_boundless(path: Path, value: object, key: str, depth: int) -> None:
    """TableError at the first value that is larger than any quantity, or nested deeper than any table."""
    if depth > DEEPEST:
        raise TableError(f"{path}: {_short_key(key)}: lists or tables nested too deep; allowed: {DEEPEST} levels")
    if isinstance(value, dict):
        for name, inner in value.items():
            _refuse_boundless(path, inner, f"{key}.{name}".lstrip("."), depth + 1)
    elif isinstance(value, list):
        for n, inner in enumerate(value, 1):
            _refuse_boundless(path, inner, f"{key}.[{n}]", depth + 1)
    elif is_boundless(value):
        raise TableError(f"{path}: {key}: found {_short(value)}; allowed: numbers up to {LARGEST:g}")


def is_boundless(value: object) -> bool:
    """Whether it is a finite number larger than any quantity: squared or drawn it would be no number any more."""
    return isinstance(value, int | float) and LARGEST < abs(value) < float("inf")


def _short_key(key: str) -> str:
    return key if len(key) <= 60 else key[:57] + "..."


def checked(model: type[T], values: Values, path: Path, key: str = "") -> T:
    """Build `model` from `values`, or raise TableError naming file and key."""
    try:
        return model.model_validate(dict(values))
    except ValidationError as error:
        raise TableError("\n".join(f"{path}: {line}" for line in misfits(error, model, key))) from None


def misfits(error: ValidationError, kind: type, key: str = "", skip: int = 0) -> list[str]:
    """What does not fit a model or dataclass, a line each: key, what was found, what is allowed.

    `key` is where all of it stands; the first `skip` steps of pydantic's own place are left out.
    """
    return [_line(key, detail, detail["loc"][skip:], kind) for detail in error.errors()]


def _line(prefix: str, detail: "ErrorDetails", place: Sequence[int | str], model: type) -> str:
    error = detail.get("ctx", {}).get("error")
    # pydantic's own mark for a key of a table that is itself at fault.
    loc = [step for step in place if step != "[key]"]
    steps = [prefix, *map(_step, loc), error.key if isinstance(error, Misfit) else ""]
    where = ".".join(filter(None, steps)) or "(whole file)"
    kind, found = detail["type"], detail["input"]
    if isinstance(error, Misfit):
        return f"{where}: found {error.found}; allowed: {error.allowed}"
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        allowed = _keys_at(model, place[:-1])
        return f"{where}: unknown key{near(place[-1], allowed)}; allowed: {', '.join(allowed) or 'no keys'}"
    if kind == "missing":
        return f"{where}: missing; it must be given"
    words = _allowed(detail)
    if kind == "value_error" and isinstance(found, dict):
        # A rule over a whole table: its own words say what was found.
        return f"{where}: allowed: {words}"
    if kind in ("too_short", "too_long") and isinstance(found, list | dict):
        return f"{where}: found {len(found)} values; allowed: {words}"
    return f"{where}: found {_short(found)}; allowed: {words}"


def _allowed(detail: "ErrorDetails") -> str:
    kind, found = detail["type"], detail["input"]
    if kind in NUMBER_TYPES:
        number = "a whole number" if kind.startswith("int") else "a number"
        begun = re.match(r"\s*([+-]?\d+(?:[.,]\d+)?)", found) if isinstance(found, str) else None
        if begun is None:
            return number
        value = float(begun[1].replace(",", "."))
        return f"{number}: write {value if kind.startswith('float') else round(value)}, not {_short(found)}"
    if kind in OTHER_KINDS:
        return OTHER_KINDS[kind]
    if kind in ("too_short", "too_long") and str(detail["loc"][-1]).endswith("_hz"):
        # Every list of frequencies in a file of settings is a band.
        return "[from_hz, to_hz]"
    if kind == "too_short":
        return f"{detail['ctx']['min_length']} or more"
    if kind == "too_long":
        return f"{detail['ctx']['max_length']} or fewer"
    return str(detail["msg"]).removeprefix("Value error, ").removeprefix("Input should be ")


def _step(step: object) -> str:
    return f"[{step + 1}]" if isinstance(step, int) else str(step)


def _short(found: object) -> str:
    text = repr(found)
    return text if len(text) <= 80 else text[:77] + "..."


def _keys_at(model: type, loc: Sequence[int | str]) -> list[str]:
    current: type | None = model
    for step in loc:
        fields = _fields(current) if current else {}
        if step in fields:
            current = _table_in(fields[str(step)])
    return sorted(_fields(current)) if current else []


def _fields(kind: type) -> Mapping[str, object]:
    """Keys of a table, and what each may hold."""
    if issubclass(kind, BaseModel):
        return {name: field.annotation for name, field in kind.model_fields.items()}
    return get_type_hints(kind)


def _table_in(annotation: object) -> type | None:
    if isinstance(annotation, type) and (is_dataclass(annotation) or issubclass(annotation, BaseModel)):
        return annotation
    return next(filter(None, map(_table_in, get_args(annotation))), None)
