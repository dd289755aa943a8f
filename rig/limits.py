"""What a reading must keep to: a lower and an upper number, or a mask over frequency.

A mask is a file of its own, or is drawn around a centre curve: the kit's design (its lumped model) or a reference
build measured at the same jig. Levels may be aligned in a band first; how far they were shifted is then judged too.
"""

import csv
import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from rig.readings import Curve, Floats
from rig.tables import Table, TableError

Window = Annotated[list[float], Field(min_length=4, max_length=4)]


class Limit(Table):
    """One limit of a kit, as it stands in `[limits.<check>]`."""

    #: For numbers.
    lower: float | None = None
    upper: float | None = None
    #: For curves: a CSV file with the columns frequency_hz, lower, upper beside the kit.
    mask: str | None = None
    #: For curves: the centre that `within` is drawn around.
    around: Literal["design", "reference"] | None = None
    #: [from_hz, to_hz, minus, plus] for each band, in the curve's unit, or in percent.
    within: list[Window] = []
    percent: bool = False
    #: A horizontal window, in percent of frequency, for steep slopes.
    slide_percent: Annotated[float, Field(ge=0, le=50)] = 0.0
    #: Take the mean difference to the centre in this band out of the curve before judging its shape ...
    align_hz: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    #: ... and judge what was taken out against this.
    align_within_db: Annotated[float, Field(ge=0)] | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> "Limit":
        kinds = [
            self.lower is not None or self.upper is not None,
            self.mask is not None,
            self.around is not None,
        ]
        if sum(kinds) != 1:
            raise ValueError("one of: lower and/or upper; mask; around with within")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(f"lower not above upper (found lower {self.lower:g}, upper {self.upper:g})")
        if bool(self.within) != (self.around is not None):
            raise ValueError("around and within together")
        if (self.align_hz is None) != (self.align_within_db is None):
            raise ValueError("align_hz and align_within_db together: a shift without a limit hides a wrong level")
        if self.align_hz is not None and not 0 < self.align_hz[0] < self.align_hz[1]:
            raise ValueError(f"align_hz as [from_hz, to_hz], ascending (found {self.align_hz})")
        for start, stop, minus, plus in self.within:
            if not (0 < start < stop and minus >= 0 and plus >= 0):
                raise ValueError(
                    "windows [from_hz, to_hz, minus, plus] with 0 < from < to, minus and plus not negative"
                )
        ordered = sorted(self.within)
        for before, after in pairwise(ordered):
            if after[0] < before[1]:
                raise ValueError(f"windows that do not overlap (found {before} and {after})")
        return self

    @property
    def is_number(self) -> bool:
        """Whether this limit judges numbers (else curves)."""
        return self.mask is None and self.around is None


@dataclass(frozen=True)
class Mask:
    """Lower and upper limit over frequency, shape (n,); -inf or +inf where a side is open."""

    frequency_hz: Floats
    lower: Floats
    upper: Floats
    #: The curve the mask was drawn around, for figures; None for a mask from a file.
    centre: Floats | None = None


def reference_path(folder: Path, check: str, quantity: str, subject: str) -> Path:
    """Where the curve of the reference build stands."""
    return folder / "reference" / f"{check} {quantity} {subject}.csv".replace(" ", "-")


def reference_bench(folder: Path) -> str | None:
    """The bench that the kit's reference build was measured on; None when there is no reference build."""
    path = folder / "reference" / "reference.json"
    if not path.is_file():
        return None
    try:
        return str(json.loads(path.read_text(encoding="utf-8"))["bench"])
    except (json.JSONDecodeError, KeyError, TypeError) as error:
        raise TableError(f"{path}: not the note of a reference build ({error})") from None


def mask_for(limit: Limit, curve: Curve, folder: Path, check: str, bench: str) -> Mask:
    """The mask that `limit` means for `curve`.

    Raises
    ------
    TableError
        If the mask's file or the reference build's curve is missing or wrong.
    LookupError
        If there is no centre to draw around: no model of this quantity, no reference build on this bench, or one
        that does not cover the windows.
    """
    if limit.mask is not None:
        table = read_columns(folder / limit.mask, ("frequency_hz", "lower", "upper"))
        return Mask(table[0], table[1], table[2])
    if limit.around == "design":
        if curve.design is None:
            raise LookupError(f"the kit's model says nothing about {curve.quantity} {curve.subject}")
        frequency_hz, centre = curve.frequency_hz, curve.design
    else:
        measured_on = reference_bench(folder)
        path = reference_path(folder, check, curve.quantity, curve.subject)
        if measured_on is None or not path.is_file():
            raise LookupError("no reference build was measured yet: kitproof reference KIT SERIAL makes one of a run")
        if measured_on != bench:
            raise LookupError(f"the reference build was measured on another bench ({measured_on}), this is {bench}")
        frequency_hz, centre = read_columns(path, ("frequency_hz", "value"))
    return _around(limit, frequency_hz, centre)


#: Just beside an edge: a step of a mask is as steep as this.
NEXT_TO = 1e-9
#: Points of a centre further apart than this leave a hole (half an octave).
WIDEST_GAP = 2**0.5


def _around(limit: Limit, frequency_hz: Floats, centre: Floats) -> Mask:
    _refuse_holes(limit, frequency_hz, centre)
    pieces = []
    for low, high, minus, plus in sorted(limit.within):
        inside = frequency_hz[(frequency_hz > low) & (frequency_hz < high)]
        grid = np.unique(np.concatenate([[low], inside, [high * (1 - NEXT_TO)]]))
        lowest, highest = _slid(grid, frequency_hz, centre, np.log(1 + limit.slide_percent / 100))
        middle = np.interp(np.log(grid), np.log(frequency_hz), centre)
        if limit.percent:
            pieces.append(np.array([grid, lowest * (1 - minus / 100), highest * (1 + plus / 100), middle]))
        else:
            pieces.append(np.array([grid, lowest - minus, highest + plus, middle]))
        following = [window[0] for window in limit.within if window[0] >= high]
        if following and min(following) > high:
            # Nothing is said between two windows: both sides are open there.
            between = np.array([high, min(following) * (1 - NEXT_TO)])
            middle = np.interp(np.log(between), np.log(frequency_hz), centre)
            pieces.append(np.array([between, np.full(2, -np.inf), np.full(2, np.inf), middle]))
    return Mask(*np.concatenate(pieces, axis=1))


def _refuse_holes(limit: Limit, frequency_hz: Floats, centre: Floats) -> None:
    """LookupError where the windows reach beyond what the centre knows."""
    for low, high, _, _ in limit.within:
        near = (frequency_hz >= low / WIDEST_GAP) & (frequency_hz <= high * WIDEST_GAP)
        known = frequency_hz[near & np.isfinite(centre)]
        covered = known.size > 1 and known[0] <= low * 1.001 and known[-1] >= high * 0.999
        if not covered or np.any(known[1:] / known[:-1] > WIDEST_GAP) or not np.all(np.isfinite(centre[near])):
            raise LookupError(f"the curve to draw around does not cover {low:g} Hz to {high:g} Hz")


def _slid(grid: Floats, frequency_hz: Floats, centre: Floats, slide: float) -> tuple[Floats, Floats]:
    """Lowest and highest value of a curve within `slide` (in the logarithm of frequency) of each point."""
    at, known = np.log(grid)[:, np.newaxis], np.log(frequency_hz)
    ends = np.interp(at + np.array([-slide, 0.0, slide]), known, centre)
    # A curve of straight pieces has its extremes at the ends of the window or at points of its own within it.
    own = np.where(np.abs(known - at) <= slide, centre, np.nan)
    every = np.concatenate([ends, own], axis=1)
    return np.nanmin(every, axis=1), np.nanmax(every, axis=1)


def read_columns(path: Path, columns: tuple[str, ...]) -> tuple[Floats, ...]:
    """Read named columns of a CSV file with ascending frequencies in the first.

    An empty cell in a limit column means that side is open. Empty lines, and lines that begin with #, are left out.

    Raises
    ------
    TableError
        Naming the file, the line and what was found.
    """
    try:
        # With or without the mark that spreadsheets put before UTF-8.
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TableError(f"{path}: there is no such file") from None
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: not UTF-8 text (byte {error.start})") from None
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    table = csv.DictReader(line for _, line in lines)
    found = [name.strip() for name in table.fieldnames or []]
    table.fieldnames = found
    missing = [name for name in columns if name not in found]
    if missing:
        raise TableError(f"{path}: found columns {found}; needed: {', '.join(columns)}")
    opened = {"lower": -np.inf, "upper": np.inf}
    numbers = [n for n, _ in lines[1:]]
    rows = [[_cell(path, n, row, c, opened.get(c)) for c in columns] for n, row in zip(numbers, table, strict=False)]
    if len(rows) < 2:
        raise TableError(f"{path}: found {len(rows)} rows of numbers; needed: two or more")
    values = np.array(rows).T
    _refuse_disorder(path, numbers, columns, values)
    return tuple(values)


def _refuse_disorder(path: Path, numbers: list[int], columns: tuple[str, ...], values: Floats) -> None:
    """TableError at the first row whose frequency does not rise, or whose limits cross."""
    rising = np.diff(values[0], prepend=0.0) > 0
    if not np.all(rising):
        row = int(np.argmin(rising))
        raise TableError(
            f"{path}: row {numbers[row]}, {columns[0]}: found {values[0][row]:g}; "
            "allowed: a number above 0 and above the row before"
        )
    if "lower" in columns and "upper" in columns:
        crossed = values[columns.index("lower")] > values[columns.index("upper")]
        if np.any(crossed):
            raise TableError(f"{path}: row {numbers[int(np.argmax(crossed))]}: found lower above upper")


def _cell(path: Path, line: int, row: dict[str, str], column: str, opened: float | None) -> float:
    text = (row[column] or "").strip()
    if not text and opened is not None:
        return opened
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise TableError(f"{path}: row {line}, {column}: found {text!r}; allowed: a number")
    return value
