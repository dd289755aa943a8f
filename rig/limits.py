"""What a reading must keep to: a lower and an upper number, or a mask over frequency.

A mask is a file of its own, or is drawn around a centre curve: the kit's design (its lumped model) or a reference
build measured at the same jig. Levels may be aligned in a band first; how far they were shifted is then judged too.
"""

import csv
import json
from dataclasses import dataclass
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
    align_within_db: float | None = None

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
        for start, stop, minus, plus in self.within:
            if not (0 < start < stop and minus >= 0 and plus >= 0):
                raise ValueError(
                    "windows [from_hz, to_hz, minus, plus] with 0 < from < to, minus and plus not negative"
                )
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
        If there is no centre to draw around: no model of this quantity, or no reference build on this bench.
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


def _around(limit: Limit, frequency_hz: Floats, centre: Floats) -> Mask:
    low = min(window[0] for window in limit.within)
    high = max(window[1] for window in limit.within)
    inside = frequency_hz[(frequency_hz > low) & (frequency_hz < high)]
    edges = [edge for window in limit.within for edge in (window[0], window[1] * (1 - 1e-9))]
    grid = np.unique(np.concatenate([inside, edges]))
    covered = [any(w[0] <= f <= w[1] for w in limit.within) for f in grid]
    grid = grid[covered]
    minus = np.array([next(w[2] for w in limit.within if w[0] <= f <= w[1]) for f in grid])
    plus = np.array([next(w[3] for w in limit.within if w[0] <= f <= w[1]) for f in grid])
    slide = np.log(1 + limit.slide_percent / 100)
    shifts = np.linspace(-slide, slide, 9) if slide else np.zeros(1)
    moved = np.interp(np.log(grid) + shifts[:, None], np.log(frequency_hz), centre)
    lowest, highest = moved.min(axis=0), moved.max(axis=0)
    middle = np.interp(np.log(grid), np.log(frequency_hz), centre)
    if limit.percent:
        return Mask(grid, lowest * (1 - minus / 100), highest * (1 + plus / 100), middle)
    return Mask(grid, lowest - minus, highest + plus, middle)


def read_columns(path: Path, columns: tuple[str, ...]) -> tuple[Floats, ...]:
    """Read named columns of a CSV file with ascending frequencies in the first.

    An empty cell in a limit column means that side is open.

    Raises
    ------
    TableError
        Naming the file, the line and what was found.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    except FileNotFoundError:
        raise TableError(f"{path}: there is no such file") from None
    found = list(rows[0]) if rows else []
    missing = [name for name in columns if name not in found]
    if missing:
        raise TableError(f"{path}: found columns {found}; needed: {', '.join(columns)}")
    opened = {"lower": -np.inf, "upper": np.inf}
    values = np.array([[_cell(path, n, row, c, opened.get(c)) for c in columns] for n, row in enumerate(rows, 2)]).T
    if values.shape[1] < 2 or np.any(np.diff(values[0]) <= 0) or values[0][0] <= 0:
        raise TableError(f"{path}: {columns[0]} must hold two or more ascending values above 0")
    return tuple(values)


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
