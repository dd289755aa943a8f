"""Text files that a builder already has: columns of frequency, magnitude and, where there is one, phase.

Any separator (spaces, tabs, semicolons, commas), decimal point or comma, comment lines and a line of names. Nothing is
guessed from the values: what the magnitude is measured in is named in the file, or known to whoever asks for it.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, NoReturn, TypeAlias

import numpy as np

from rig.files.disk import read_bytes, why
from rig.files.errors import TableError
from rig.files.plain import Floats

Unit: TypeAlias = Literal["dB", "ohm"]

#: Signs that begin a comment, wherever it stands.
COMMENT_SIGNS = ("#", "*", "!", "%", "//", '"')
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
#: What a column may be called: the first that fits counts.
_CALLED = (
    ("phase", re.compile(r"phase|degree|°|\bdeg\b|\brad", re.I)),
    ("frequency", re.compile(r"freq|hertz|\bk?hz\b|^f$", re.I)),
    ("magnitude", re.compile(r"\bdb|spl|level|magnitude|\bmag\b|impedance|\bohms?\b|[Ωω]|^\|?z\|?$", re.I)),
)
_UNITS: dict[Unit, re.Pattern[str]] = {"dB": re.compile(r"\bdb|spl", re.I), "ohm": re.compile(r"\bohms?\b|[ΩΩ]", re.I)}
#: Least and most of a magnitude: beyond it lies no curve of a loudspeaker, however it is referred; our choice.
MAGNITUDES: dict[Unit, tuple[float, float]] = {"dB": (-400.0, 400.0), "ohm": (1e-3, 1e6)}
_ALLOWED = "two or three numbers (Hz, dB or ohm, degrees), or a comment that begins with # or *"


@dataclass(frozen=True, eq=False)
class Columns:
    """What a file holds; arrays of shape (rows,)."""

    path: Path
    #: Ascending, above 0.
    frequency_hz: Floats
    magnitude: Floats
    #: None: the file has no phase.
    degrees: Floats | None
    #: Of the magnitude, as the file names it; None: it does not.
    unit: Unit | None
    #: Number of each row's line, ascending as the rows are.
    lines: tuple[int, ...]

    def refuse(self, row: int, found: str, allowed: str) -> NoReturn:
        """TableError at a row."""
        raise _mistake(self.path, self.lines[row], found, allowed)


@dataclass(frozen=True)
class _Line:
    number: int
    text: str
    cells: tuple[str, ...]


def read_curve_columns(path: Path, unit: Unit, content: bytes | None = None) -> Columns:
    """Read columns whose magnitude must be of this unit: the file says the same, or nothing of it.

    Raises
    ------
    TableError
        As `read_any_columns`; or if the file names another unit, or a magnitude is none of a loudspeaker.
    """
    found = read_any_columns(path, content)
    if found.unit not in (None, unit):
        raise TableError(f"{path}: found a magnitude in {found.unit}; allowed here: {unit}")
    least, most = MAGNITUDES[unit]
    for row in np.flatnonzero((found.magnitude < least) | (found.magnitude > most))[:1]:
        found.refuse(int(row), f"{found.magnitude[row]:g} {unit}", f"{least:g} to {most:g} {unit}")
    return replace(found, unit=unit)


def curve_in_unit(path: Path, unit: str, content: bytes | None = None) -> tuple[Floats, Floats]:
    """Frequencies and values of a builder's file in the unit of a reading: ohm, degrees, or decibels of any kind.

    Raises
    ------
    TableError
        If it cannot be read, or is of another unit.
    """
    if unit == "degrees":
        found = read_any_columns(path, content)
        if found.degrees is None:
            raise TableError(f"{path}: found no column of phase; allowed here: frequency, magnitude, phase")
        return found.frequency_hz, found.degrees
    if unit != "ohm" and not unit.startswith("dB"):
        raise TableError(f"{path}: a curve in {unit or 'a number without unit'} cannot come from a file of dB or ohm")
    found = read_curve_columns(path, "ohm" if unit == "ohm" else "dB", content)
    return found.frequency_hz, found.magnitude


def read_any_columns(path: Path, content: bytes | None = None) -> Columns:
    """Read columns of numbers from a text file; `content` where it was read before.

    Lines that begin with a comment sign, and all that stands above the first line of numbers, are words: a unit named
    there counts, and the last line with a name for each column says which is which (without one: frequency, magnitude,
    phase). Falling frequencies are turned round; a row at 0 Hz is left out.

    Raises
    ------
    TableError
        Naming file and line, what was found and what is allowed.
    """
    lines = [_Line(n, line, _cells(line)) for n, line in enumerate(_text(path, content).splitlines(), 1)]
    # A spreadsheet writes an empty row as separators alone.
    lines = [line for line in lines if any(line.cells)]
    first = next((n for n, line in enumerate(lines) if _is_row(line)), len(lines))
    words = [line for n, line in enumerate(lines) if n < first or _is_comment(line)]
    rows = [line for line in lines[first:] if not _is_comment(line)]
    if len(rows) < 2:
        raise TableError(f"{path}: found {len(rows)} lines with numbers; allowed: 2 or more")
    numbers = np.array(list(_rows(path, rows)))
    names, named = _names(words, numbers.shape[1])
    if "frequency" not in names or "magnitude" not in names:
        raise _mistake(
            path, rows[0].number, f"{numbers.shape[1]} columns", f"{_ALLOWED}; or a line of names above them"
        )
    columns = {name: numbers[:, names.index(name)] for name in ("frequency", "magnitude", "phase") if name in names}
    frequency_hz = columns["frequency"] * (1000.0 if _says(named, names, "frequency", r"khz") else 1.0)
    degrees = columns.get("phase")
    if degrees is not None and _says(named, names, "phase", r"\brad"):
        degrees = np.degrees(degrees)
    found = Columns(path, frequency_hz, columns["magnitude"], degrees, _unit(words), tuple(row.number for row in rows))
    return _ascending(found)


def _text(path: Path, content: bytes | None) -> str:
    try:
        raw = read_bytes(path) if content is None else content
    except OSError as error:
        raise TableError(f"{path}: cannot be read ({why(error)})") from None
    for encoding in ("utf-16",) if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252"):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text.replace("−", "-")
    raise TableError(f"{path}: cannot be read as text; allowed: columns of numbers in a text file")


def _cells(line: str) -> tuple[str, ...]:
    """The cells of a line, by whatever separates them; a comma within a number is taken for a decimal comma."""
    line = line.strip()
    if ";" in line:
        cells = line.split(";")
    elif "\t" in line:
        cells = line.split("\t")
    elif len(apart := line.split()) > 1:
        # "20,5, -3,1": a comma before a space separates, one within a number is its decimal comma.
        cells = [cell.removesuffix(",") for cell in apart]
        cells = [cell for cell in cells if cell] if "," in apart else cells
    else:
        cells = line.split(",")
    cells = [cell.strip().strip('"').strip() for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def _is_comment(line: _Line) -> bool:
    text = line.text.lstrip()
    return text.startswith(COMMENT_SIGNS) and not _is_row(line)


def _is_row(line: _Line) -> bool:
    return len(line.cells) > 1 and all(_NUMBER.fullmatch(cell) for cell in line.cells)


def _rows(path: Path, rows: Sequence[_Line]) -> Iterator[list[float]]:
    # With a decimal comma somewhere no point can be one, and the other way round: a file has one way of writing.
    written = [cell for row in rows for cell in row.cells]
    is_mixed = any("," in cell for cell in written) and any("." in cell for cell in written)
    width = len(rows[0].cells)
    for row in rows:
        shown = repr(row.text.strip()[:60])
        if is_mixed and any("," in cell for cell in row.cells):
            raise _mistake(path, row.number, shown, "decimal points or decimal commas throughout, not both in one file")
        if not _is_row(row):
            raise _mistake(path, row.number, shown, _ALLOWED)
        if len(row.cells) != width:
            raise _mistake(path, row.number, f"{len(row.cells)} columns", f"{width}, as in the lines before")
        values = [float(cell.replace(",", ".")) for cell in row.cells]
        if not np.all(np.isfinite(values)):
            raise _mistake(path, row.number, shown, _ALLOWED)
        yield values


def _names(words: Sequence[_Line], width: int) -> tuple[list[str], list[str]]:
    """What each column is, and the names that say so; without names the first two or three of what is usual."""
    for line in reversed(words):
        bare = line.text.strip().lstrip("".join(COMMENT_SIGNS) + " \t")
        splits = (re.split(r"[;\t]+", bare), re.split(r"\s*,\s*", bare), re.split(r"\s{2,}", bare), bare.split())
        for cells in splits:
            named = [cell.strip().strip('"') for cell in cells if cell.strip()]
            names = [next((name for name, called in _CALLED if called.search(cell)), "") for cell in named]
            if len(named) == width and "frequency" in names and "magnitude" in names:
                return names, named
    usual = ["frequency", "magnitude", "phase"]
    return (usual[:width], []) if width <= len(usual) else ([], [])


def _says(named: Sequence[str], names: Sequence[str], column: str, pattern: str) -> bool:
    """Whether the name of a column holds a word."""
    return bool(named) and re.search(pattern, named[names.index(column)], re.I) is not None


def _unit(words: Sequence[_Line]) -> Unit | None:
    """The unit that the words of a file name: that of the last line that names just one."""
    for line in reversed(words):
        units = [unit for unit, called in _UNITS.items() if called.search(line.text)]
        if len(units) == 1:
            return units[0]
    return None


def _ascending(found: Columns) -> Columns:
    """In ascending order, without a row at 0 Hz."""
    if found.frequency_hz.size > 1 and found.frequency_hz[0] > found.frequency_hz[-1]:
        turned = None if found.degrees is None else found.degrees[::-1]
        found = replace(
            found,
            frequency_hz=found.frequency_hz[::-1],
            magnitude=found.magnitude[::-1],
            degrees=turned,
            lines=found.lines[::-1],
        )
    if found.frequency_hz[0] == 0 and found.frequency_hz.size > 2:
        rest = None if found.degrees is None else found.degrees[1:]
        found = replace(
            found,
            frequency_hz=found.frequency_hz[1:],
            magnitude=found.magnitude[1:],
            degrees=rest,
            lines=found.lines[1:],
        )
    if found.frequency_hz[0] <= 0:
        found.refuse(0, f"{found.frequency_hz[0]:g} Hz", "frequencies above 0 in the column of frequencies")
    for row in np.flatnonzero(np.diff(found.frequency_hz) <= 0)[:1] + 1:
        before = f"{found.frequency_hz[row]:g} Hz after {found.frequency_hz[row - 1]:g} Hz"
        found.refuse(int(row), before, "ascending frequencies, each once")
    return found


def _mistake(path: Path, number: int, found: str, allowed: str) -> TableError:
    return TableError(f"{path}: line {number}: found {found}; allowed: {allowed}")
