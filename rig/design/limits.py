"""What a reading must keep to: a lower and an upper number, or a mask over frequency.

A mask is a file of its own, or is drawn around a centre curve: the kit's design (its lumped model) or a reference
build measured at the same jig. Levels may be aligned in a band first; how far they were shifted is then judged too.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import quote

import numpy as np
from pydantic import Field, StrictBool, field_validator, model_validator

from rig.files.columns import curve_in_unit, read_any_columns
from rig.files.disk import parse_json, read_json
from rig.files.errors import TableError
from rig.files.plain import restored, schema_checked
from rig.files.tables import LARGEST, Misfit, Table, band, is_beside_kit, is_boundless, read_settings, values_of
from rig.signals.arrays import Bools
from rig.values.readings import Curve, Floats
from rig.values.verdicts import Mask

Window = Annotated[list[float], values_of("from_hz", "to_hz", "minus", "plus")]
Band = Annotated[list[float], values_of("from_hz", "to_hz"), band(1, 100000)]

#: The columns of a mask.
MASK_COLUMNS = ("frequency_hz", "lower", "upper")
#: The columns of a curve of the reference build.
REFERENCE_COLUMNS = ("frequency_hz", "value")


#: As the note of a reference build is written; there was none at first.
REFERENCE_SCHEMA = "kitproof reference build 1"


@dataclass(frozen=True)
class ReferenceNote:
    """What a reference build was made from; it counts only on the bench that it was measured on."""

    bench: str
    #: Serial and run of each unit.
    runs: tuple[Mapping[str, str], ...] = ()
    #: ISO 8601 in UTC; empty: not known.
    made_at: str = ""
    #: Name of a curve's file -> the builder's file that it was made of: measured elsewhere, so on no bench.
    files: Mapping[str, str] = field(default_factory=dict)


#: What files held when they were read; a file that is not among them was not there.
Files = Mapping[Path, bytes]


class Limit(Table):
    """One limit of a kit, as it stands in `[limits.<check>]`."""

    #: For numbers.
    lower: float | None = None
    upper: float | None = None
    #: For curves: a CSV file with the columns frequency_hz, lower, upper beside the kit.
    mask: Annotated[str, is_beside_kit()] | None = None
    #: For curves: the centre that `within` is drawn around.
    around: Literal["design", "reference"] | None = None
    #: The same of a file beside the kit: columns of frequency and level, impedance or phase (`rig.files.columns`).
    centre: Annotated[str, is_beside_kit()] | None = None
    #: [from_hz, to_hz, minus, plus] for each band, in the curve's unit, or in percent.
    within: list[Window] = []
    #: For numbers around the design: how far below and above it they may lie, in the reading's unit or in percent.
    minus: Annotated[float, Field(ge=0)] | None = None
    plus: Annotated[float, Field(ge=0)] | None = None
    percent: StrictBool = False
    #: A horizontal window, in percent of frequency, for steep slopes.
    slide_percent: Annotated[float, Field(ge=0, le=50)] = 0.0
    #: Take the mean difference to the centre in this band out of the curve before judging its shape ...
    align_hz: Band | None = None
    #: ... and judge what was taken out against this.
    align_within_db: Annotated[float, Field(ge=0)] | None = None

    @field_validator("within")
    @classmethod
    def _windows(cls, within: list[Window]) -> list[Window]:
        for start, stop, minus, plus in within:
            if not (0 < start < stop and minus >= 0 and plus >= 0):
                allowed = "[from_hz, to_hz, minus, plus] with 0 < from_hz < to_hz, minus and plus not negative"
                raise Misfit("", str([start, stop, minus, plus]), allowed)
        for before, after in pairwise(sorted(within)):
            if after[0] < before[1]:
                raise Misfit("", f"{before} and {after}", "windows that do not overlap")
        return within

    @model_validator(mode="after")
    def _one_kind(self) -> "Limit":
        number = self.lower is not None or self.upper is not None
        kinds = {"lower, upper": number, "mask": self.mask is not None, "around": self.around is not None}
        kinds["centre"] = self.centre is not None
        given = [kind for kind, is_given in kinds.items() if is_given]
        if len(given) != 1:
            found = " and ".join(given) or "none of them"
            raise Misfit("", found, "one of: lower and/or upper; mask; around with within; centre with within")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise Misfit("lower", f"{self.lower:g}", f"not above upper = {self.upper:g}")
        if self.minus is not None or self.plus is not None:
            return self._number_around_design()
        shapes = self.percent or self.slide_percent or self.align_hz
        has_centre = self.around is not None or self.centre is not None
        if bool(self.within) != has_centre and (shapes or not self.is_learnt):
            raise Misfit("within", f"{len(self.within)} windows", "windows with around or centre, and only there")
        if (self.align_hz is None) != (self.align_within_db is None):
            key = "align_hz" if self.align_hz is None else "align_within_db"
            raise Misfit(
                key, "none", "align_hz and align_within_db together: a shift without a limit hides a wrong level"
            )
        return self

    def _number_around_design(self) -> "Limit":
        if self.around != "design":
            raise Misfit("around", repr(self.around), '"design" with minus and plus: they are distances to it')
        for key in ("within", "slide_percent", "align_hz"):
            if getattr(self, key):
                raise Misfit(key, "minus and plus as well", "windows for a curve, or minus and plus for a number")
        return self

    @property
    def is_number(self) -> bool:
        """Whether this limit judges numbers (else curves)."""
        return self.mask is None and not self.within

    @property
    def is_learnt(self) -> bool:
        """Whether it asks of a number what it is of good units at most, by what builds have taught."""
        return self.around == "design" and not self.within and not self.is_around_number

    @property
    def is_around_number(self) -> bool:
        """Whether it is drawn around a number of the design."""
        return self.minus is not None or self.plus is not None

    def around_number(self, low: float, high: float) -> "Limit":
        """The limit around a number of the design that lies between two values."""
        least = None if self.minus is None else low - self.minus * (abs(low) / 100 if self.percent else 1)
        most = None if self.plus is None else high + self.plus * (abs(high) / 100 if self.percent else 1)
        # As many figures as a reading has.
        least, most = (None if side is None else float(f"{side:.4g}") for side in (least, most))
        return Limit(lower=least, upper=most)


def limit_key(limits: Mapping[str, object], quantity: str, subject: str) -> str:
    """Under which key what a kit says of a reading stands: its own goes before that of its quantity."""
    own = f"{quantity} {subject}"
    return own if own in limits else quantity


#: A side of a window further away than this is open; numerical.
OPEN_SIDE = 1e6
#: A window narrower than this, in whatever unit, has no width: nothing is known so well; numerical.
LEAST_WIDTH = 1e-9


def window_widths(lower: Floats, upper: Floats, unit: str) -> Floats:
    """Distances in parts of which margins are compared from one frequency to the next, shape (n,), above zero.

    The width of the window from lower to upper limit. Where a side is open, the median of the mask's windows; where
    all of them are open, the size of the limit, which of levels is the same all along: decibels are parts already.
    """
    width = upper - lower
    is_open = ~(width < OPEN_SIDE)
    closed = width[~is_open & (width > 0)]
    size = np.where(np.abs(upper) < OPEN_SIDE, np.abs(upper), np.abs(lower))
    if closed.size or unit.startswith("dB"):
        size = np.full(width.shape, np.median(closed if closed.size else size))
    width = np.where(is_open, size, width)
    # Outside a window of no width is further out than outside any other.
    return np.maximum(width, LEAST_WIDTH)


def worst_point(margins: Floats, lower: Floats, upper: Floats, unit: str, among: Bools) -> int:
    """Index of the point, of those `among`, whose margin is the smallest part of its window; all of shape (n,)."""
    return int(np.argmin(np.where(among, margins / window_widths(lower, upper, unit), np.inf)))


def reference_name(check: str, quantity: str, subject: str) -> str:
    """What the file of a curve of the reference build is called: a name of its own for each, whatever it holds."""
    words = quote(f"{check} {quantity} {subject}", safe=" +")
    return f"{words.replace('_', '%5F').replace('-', '_').replace(' ', '-')}.csv"


def reference_path(folder: Path, check: str, quantity: str, subject: str, files: Files | None = None) -> Path:
    """Where the curve of the reference build stands."""
    path = folder / "reference" / reference_name(check, quantity, subject)
    # As it was once called.
    former = path.with_name(f"{check} {quantity} {subject}.csv".replace(" ", "-").replace("/", "%2F"))
    return former if _is_there(former, files) and not _is_there(path, files) else path


def reference_note(folder: Path, files: Files | None = None) -> ReferenceNote | None:
    """What the kit's reference build was made from; None when there is no reference build.

    Raises
    ------
    TableError
        If its note cannot be read.
    """
    path = folder / "reference" / "reference.json"
    if not _is_there(path, files):
        return None
    try:
        found = read_json(path) if files is None else parse_json(files[path])
        return restored(ReferenceNote, schema_checked(found, REFERENCE_SCHEMA, or_none=True))
    except (OSError, ValueError) as error:
        raise TableError(f"{path}: not the note of a reference build ({error})") from None


def _is_there(path: Path, files: Files | None) -> bool:
    return path.is_file() if files is None else path in files


def read_mask(path: Path, files: Files | None = None) -> Mask:
    """A mask from its file.

    Raises
    ------
    TableError
        Naming the file, the row, what was found and what is allowed.
    """
    frequency_hz, lower, upper = read_columns(path, MASK_COLUMNS, files)
    if np.all(np.isinf(lower) & np.isinf(upper)):
        raise TableError(f"{path}: found no limit in any row, which every curve keeps to; allowed: at least one number")
    return Mask(frequency_hz, lower, upper)


def read_masks(limits: Mapping[str, Mapping[str, Limit]], folder: Path, files: Files | None = None) -> None:
    """Read every mask that limits (check -> reading -> limit) name, so that mistakes are reported before measuring.

    Raises
    ------
    TableError
        With a line for each mask that is wrong.
    """
    problems = []
    for check, of_check in limits.items():
        for key, limit in of_check.items():
            try:
                if limit.mask is not None:
                    read_mask(folder / limit.mask, files)
                if limit.centre is not None:
                    read_any_columns(folder / limit.centre, None if files is None else files.get(folder / limit.centre))
            except TableError as error:
                problems.append(f"{error} (the mask of limits.{check}.{key})")
    if problems:
        raise TableError("\n".join(problems))


def reference_troubles(limits: Mapping[str, Mapping[str, Limit]], folder: Path, files: Files) -> list[str]:
    """What cannot be read of the reference build, where limits are drawn around one: told before anything sounds."""
    if not any(limit.around == "reference" for of_check in limits.values() for limit in of_check.values()):
        return []
    problems = []
    try:
        reference_note(folder, files)
    except TableError as error:
        problems.append(str(error))
    for path in sorted(path for path in files if path.parent == folder / "reference" and path.suffix == ".csv"):
        try:
            read_columns(path, REFERENCE_COLUMNS, files)
        except TableError as error:
            problems.append(str(error))
    return [f"{words}; what rests on it is void: kitproof reference makes it anew" for words in problems]


def mask_for(limit: Limit, curve: Curve, folder: Path, check: str, bench: str, files: Files | None = None) -> Mask:
    """The mask that `limit` means for `curve`; `files` are those of the kit as it was loaded, else as they are now.

    Raises
    ------
    TableError
        If the mask's file or the reference build's curve is missing or wrong.
    LookupError
        If there is no centre to draw around: no model of this quantity, no reference build on this bench, or one
        that does not cover the windows.
    """
    if limit.mask is not None:
        return read_mask(folder / limit.mask, files)
    if limit.centre is not None:
        path = folder / limit.centre
        return _around(limit, *curve_in_unit(path, curve.unit, None if files is None else files.get(path)))
    if limit.around == "design":
        if curve.design is None:
            why = "it does not reach so far, or knows too little of a driver until a good build is learnt"
            raise LookupError(f"the kit's model says nothing about {curve.quantity} {curve.subject}: {why}")
        frequency_hz, centre = curve.frequency_hz, curve.design
    else:
        note = reference_note(folder, files)
        path = reference_path(folder, check, curve.quantity, curve.subject, files)
        if note is None or not _is_there(path, files):
            raise LookupError("no reference build was measured yet: kitproof reference KIT SERIAL makes one of a run")
        if path.name in note.files:
            return replace(_around(limit, *read_columns(path, REFERENCE_COLUMNS, files)), elsewhere=True)
        if note.bench != bench:
            raise LookupError(f"the reference build was measured on another bench ({note.bench}), this is {bench}")
        frequency_hz, centre = read_columns(path, REFERENCE_COLUMNS, files)
    return _around(limit, frequency_hz, centre)


def widest_mask(limit: Limit, curve: Curve) -> Mask | None:
    """The mask of a limit around the design over all that sheets allow the design to be; None: it is known better."""
    if limit.around != "design" or curve.design is None or curve.design_low is None or curve.design_high is None:
        return None
    low, middle, high = (
        _around(limit, curve.frequency_hz, c) for c in (curve.design_low, curve.design, curve.design_high)
    )
    grid = middle.frequency_hz
    return Mask(grid, low.lower, high.upper, middle.centre)


#: Just beside an edge: a step of a mask is as steep as this; numerical.
NEXT_TO = 1e-9
#: Points of a centre further apart than this leave a hole (half an octave); our choice.
WIDEST_GAP = 2**0.5


def _around(limit: Limit, frequency_hz: Floats, centre: Floats) -> Mask:
    _refuse_holes(limit, frequency_hz, centre)
    pieces = []
    for low, high, minus, plus in sorted(limit.within):
        inside = frequency_hz[(frequency_hz > low) & (frequency_hz < high)]
        grid = np.unique(np.concatenate([[low], inside, [high * (1 - NEXT_TO)]]))
        lowest, highest = slid(grid, frequency_hz, centre, np.log(1 + limit.slide_percent / 100))
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


def slid(grid: Floats, frequency_hz: Floats, centre: Floats, slide: float) -> tuple[Floats, Floats]:
    """Lowest and highest value of a curve within `slide` (in the logarithm of frequency) of each point."""
    at, known = np.log(grid)[:, np.newaxis], np.log(frequency_hz)
    if slide == 0:
        here = np.interp(at[:, 0], known, centre)
        return here, here
    ends = np.interp(at + np.array([-slide, 0.0, slide]), known, centre)
    # A curve of straight pieces has its extremes at the ends of the window or at points of its own within it.
    own = np.where(np.abs(known - at) <= slide, centre, np.nan)
    every = np.concatenate([ends, own], axis=1)
    return np.nanmin(every, axis=1), np.nanmax(every, axis=1)


def read_columns(path: Path, columns: tuple[str, ...], files: Files | None = None) -> tuple[Floats, ...]:
    """Read named columns of a CSV file with ascending frequencies in the first.

    An empty cell in a limit column means that side is open. Empty lines, and lines that begin with #, are left out.
    What is returned is not to be changed.

    Raises
    ------
    TableError
        Naming the file, the line and what was found.
    """
    if files is None:
        return _columns_in(path, columns, None)
    if path not in files:
        raise TableError(f"{path}: there is no such file")
    return _known_columns(path, columns, files[path])


def _columns_in(path: Path, columns: tuple[str, ...], content: bytes | None) -> tuple[Floats, ...]:
    # With or without the mark that spreadsheets put before UTF-8.
    text = read_settings(path, content)
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    table = csv.DictReader(line for _, line in lines)
    try:
        found = [name.strip() for name in table.fieldnames or []]
    except csv.Error as error:
        raise TableError(f"{path}: not a table of numbers ({error})") from None
    table.fieldnames = found
    missing = [name for name in columns if name not in found]
    if missing:
        hint = " (with commas between them, not semicolons)" if any(";" in name for name in found) else ""
        raise TableError(f"{path}: found columns {found}; allowed: {', '.join(columns)}{hint}")
    opened = {"lower": -np.inf, "upper": np.inf}
    numbers = [n for n, _ in lines[1:]]
    try:
        rows = [_row(path, n, row, columns, opened) for n, row in zip(numbers, table, strict=False)]
    except csv.Error as error:
        raise TableError(f"{path}: not a table of numbers ({error})") from None
    if len(rows) < 2:
        raise TableError(f"{path}: found {len(rows)} rows of numbers; allowed: two or more")
    values = np.array(rows).T
    _refuse_disorder(path, numbers, columns, values)
    values.flags.writeable = False
    return tuple(values)


#: Many runs are held against the same few files.
_known_columns = lru_cache(maxsize=64)(_columns_in)


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
            row = int(np.argmax(crossed))
            low, high = (values[columns.index(side)][row] for side in ("lower", "upper"))
            raise TableError(f"{path}: row {numbers[row]}, lower: found {low:g}; allowed: not above upper = {high:g}")


def _row(path: Path, line: int, row: dict[str, str], columns: tuple[str, ...], opened: dict[str, float]) -> list[float]:
    # The reader files cells without a column under None, and gives None for columns without a cell.
    if None in row or None in row.values():
        found = "more" if None in row else "fewer"
        raise TableError(
            f"{path}: row {line}: found {found} cells than columns; allowed: one cell for each column, numbers with a "
            "decimal point"
        )
    return [_cell(path, line, row, column, opened.get(column)) for column in columns]


def _cell(path: Path, line: int, row: dict[str, str], column: str, opened: float | None) -> float:
    text = row[column].strip()
    if not text and opened is not None:
        return opened
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value) or is_boundless(value):
        largest = f" up to {LARGEST:g}"
        allowed = f"a number{largest}" if opened is None else f"a number{largest}, or nothing where this side is open"
        raise TableError(f"{path}: row {line}, {column}: found {text!r}; allowed: {allowed}")
    return value
