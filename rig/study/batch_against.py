"""Two batches, benches or persons against each other, reading by reading: the same within a margin, or different?

A test that finds no difference shows nothing when it has few units. So each reading is asked twice: whether its mean
differs, and whether it is proved to be the same within a stated part of its limits' width (two one-sided tests).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from rig.files.errors import TableError
from rig.statistics.equivalence import RISK, Comparison, of_groups, of_pairs
from rig.store.index import Tell, once
from rig.store.selection import Selection
from rig.study import tables
from rig.study.batch import Batch, batch, is_of
from rig.study.batch_curves import Key, Stack, key_row
from rig.study.batch_readings import RigSpread, Spread, judged_readings
from rig.values.readings import Floats

if TYPE_CHECKING:
    import pandas as pd

Verdict = Literal["same", "different", "cannot tell"]

#: A point of a curve: frequency in Hz, its comparison, its margin.
_Point = tuple[float, Comparison, float]

#: Fewest units on a side, and fewest units measured on both sides to compare each with itself; our choice.
FEWEST, FEWEST_PAIRS = 3, 5
#: Standard errors that must lie between a difference and the margin so that it is proved to be smaller in 4 of 5 tries:
#: normal quantiles of 95 % and of 80 %, added; by definition.
TO_PROVE = 1.6449 + 0.8416


@dataclass(frozen=True)
class Compared:
    """One reading of two batches; of a curve, where that tells most of it (`_telling`)."""

    key: Key
    unit: str
    #: NaN for numbers.
    at_hz: float
    comparison: Comparison
    #: What a difference is nothing up to, in the reading's unit; NaN: no limit tells.
    margin: float
    #: Probability of such a difference by chance, corrected for the points of a curve and for all readings (Holm).
    difference_p: float
    verdict: Verdict
    #: Units a side that would prove it the same, were the difference what it seems, about; 0: it is told, or beyond.
    units_needed: int = 0

    @property
    def is_small(self) -> bool:
        """Whether it is proved to lie within the margin."""
        return self.comparison.equivalence_p(self.margin) < RISK if self.margin > 0 else False


@dataclass(frozen=True, eq=False)
class Against:
    """The second batch against the first."""

    first: Batch
    second: Batch
    #: As a part of the limits' width.
    margin: float
    #: Units measured on both sides, where each is compared with itself; 0: two groups are.
    pairs: int
    rows: tuple[Compared, ...]


def against(workspace: Path, selection: Selection, other: Selection, margin: float, tell: Tell) -> Against:
    """Compare the runs of two selections.

    Parameters
    ----------
    workspace, selection, tell
        As of `batch.batch`.
    other
        The second.
    margin
        A difference of so large a part of the limits' width is none.

    Raises
    ------
    RecordError, TableError
        If one has no runs, both have some in common, or there are too few units.
    """
    tell = once(tell)
    first, second = (batch(workspace, one, tell) for one in (selection, other))
    shared = int(is_of(first.runs, second.runs).sum())
    if shared:
        raise TableError(f"--against: both have {shared} runs in common; allowed: two batches that share no run")
    for one, words in ((first, "the first"), (second, "the second")):
        if len(one.units) < FEWEST:
            raise TableError(
                f"--against: {words} has {len(one.units)} units with a valid run; allowed: {FEWEST} or more"
            )
    both = sorted(set(first.units["serial"]) & set(second.units["serial"]))
    if len(both) >= max(FEWEST_PAIRS, min(len(first.units), len(second.units)) / 2):
        first, second = (_of_units(one, both) for one in (first, second))
    else:
        both = []
    found = [
        judged_readings(workspace, one, tables.readings(workspace, one.selection, tell), RigSpread(None), tell)
        for one in (first, second)
    ]
    rows = [
        *_numbers(found[0][0], found[1][0], margin, pairs=bool(both)),
        *_curves(found[0][1], found[1][1], margin, bool(both)),
    ]
    return Against(first, second, margin, len(both), tuple(_judged(rows)))


def _of_units(of: Batch, serials: Sequence[str]) -> Batch:
    """A batch with these units alone, in this order."""
    units = of.units.set_index("serial", drop=False).loc[list(serials)].reset_index(drop=True)
    return replace(of, units=units)


def _compared(one: Floats, other: Floats, pairs: bool) -> Comparison | None:
    if pairs:
        known = np.isfinite(one) & np.isfinite(other)
        return of_pairs(one[known], other[known]) if known.sum() >= FEWEST else None
    one, other = one[np.isfinite(one)], other[np.isfinite(other)]
    return of_groups(one, other) if min(one.size, other.size) >= FEWEST else None


def _margin(part: float, lower: float, upper: float, mean: float) -> float:
    """A part of the limits' width; with one side open, of twice the way from the mean to the limit."""
    if math.isfinite(lower) and math.isfinite(upper):
        return part * (upper - lower)
    limit = lower if math.isfinite(lower) else upper
    return part * 2 * abs(mean - limit) if math.isfinite(limit) else math.nan


def _numbers(first: Sequence[Spread], second: Sequence[Spread], part: float, *, pairs: bool) -> list[Compared]:
    others = {one.key: one for one in second}
    rows = []
    for one in first:
        other = others.get(one.key)
        if other is None or other.unit != one.unit or not one.is_chartable or not other.is_chartable:
            continue
        comparison = _compared(one.values, other.values, pairs)
        if comparison and comparison.standard_error > 0:
            margin = _margin(part, one.lower, one.upper, float(np.mean(one.known)))
            p = comparison.difference_p()
            rows.append(Compared(one.key, one.unit, math.nan, comparison, margin, p, "cannot tell"))
    return rows


def _curves(first: Sequence[Stack], second: Sequence[Stack], part: float, pairs: bool) -> list[Compared]:
    """Each curve at the frequency that tells most of it."""
    others = {one.key: one for one in second}
    rows = []
    for one in first:
        other = others.get(one.key)
        if other is None or other.unit != one.unit:
            continue
        found: list[_Point] = []
        for at, hz in enumerate(one.frequency_hz):
            there = int(np.argmin(np.abs(np.log(other.frequency_hz / hz))))
            if abs(math.log(other.frequency_hz[there] / hz)) > 1e-6:
                continue
            comparison = _compared(one.values[:, at], other.values[:, there], pairs)
            if comparison and comparison.standard_error > 0:
                mean = float(np.nanmean(one.values[:, at]))
                found.append((float(hz), comparison, _margin(part, float(one.lower[at]), float(one.upper[at]), mean)))
        if found:
            (hz, comparison, margin), p = _telling(found)
            rows.append(Compared(one.key, one.unit, hz, comparison, margin, p, "cannot tell"))
    return rows


def _telling(points: list[_Point]) -> tuple[_Point, float]:
    """The point of a curve that tells most of it, and the probability of its difference, corrected for all points.

    Where none differs clearly it is the one that comes nearest to the margin, or exceeds it most: the curve is the same
    if it is there. Where one does that is not proved to lie within the margin it is that one.
    """
    worst = max(points, key=_part_of_margin)
    unproved = [point for point in points if _part_of_margin(point) >= 1]
    clearest = min(unproved or points, key=lambda point: point[1].difference_p())
    p = min(1.0, len(points) * clearest[1].difference_p())
    return (clearest if unproved and p < RISK else worst), p


def _part_of_margin(point: _Point) -> float:
    _, comparison, margin = point
    return max(map(abs, comparison.interval(1 - 2 * RISK))) / margin if margin > 0 else math.inf


def _judged(rows: Sequence[Compared]) -> list[Compared]:
    """What each comes to: the same where that is proved; different where chance does not explain it (Holm, 1979)."""
    order = sorted(range(len(rows)), key=lambda n: rows[n].difference_p)
    corrected, largest = [1.0] * len(rows), 0.0
    for place, n in enumerate(order):
        largest = max(largest, min(1.0, (len(rows) - place) * rows[n].difference_p))
        corrected[n] = largest
    judged = []
    for one, p in zip(rows, corrected, strict=True):
        verdict: Verdict = "same" if one.is_small else "different" if p < RISK else "cannot tell"
        needed = 0
        room = one.margin - abs(one.comparison.difference)
        if verdict == "cannot tell" and room > 0:
            of = one.comparison.pairs or one.comparison.degrees / 2 + 1
            needed = math.ceil(of * (TO_PROVE * one.comparison.standard_error / room) ** 2)
        judged.append(replace(one, difference_p=p, verdict=verdict, units_needed=needed))
    rank = {"different": 0, "cannot tell": 1, "same": 2}
    return sorted(
        judged, key=lambda one: (rank[one.verdict], -abs(one.comparison.difference) / (one.margin or math.inf))
    )


def sentence(found: Against) -> str:
    """What the comparison comes to."""
    counts = {
        verdict: sum(one.verdict == verdict for one in found.rows) for verdict in ("same", "different", "cannot tell")
    }
    of = (
        f"{found.pairs} units, each with itself"
        if found.pairs
        else (f"{len(found.first.units)} units against {len(found.second.units)}")
    )
    return (
        f"{of}: of {len(found.rows)} readings and curves {counts['same']} are the same within {100 * found.margin:g} % "
        f"of their limits' width, {counts['different']} differ, and of {counts['cannot tell']} it cannot be told yet"
    )


def row_of(one: Compared) -> dict[str, object]:
    """A row as plain values; what is not known is null."""
    low, high = one.comparison.interval(1 - 2 * RISK)
    at_hz, margin = (value if math.isfinite(value) else None for value in (one.at_hz, one.margin))
    equivalence = one.comparison.equivalence_p(one.margin) if one.margin > 0 else None
    return key_row(one.key) | {
        "unit": one.unit,
        "at_hz": at_hz,
        "difference": one.comparison.difference,
        "lower_90": low,
        "upper_90": high,
        "margin": margin,
        "verdict": one.verdict,
        "difference_p": one.difference_p,
        "equivalence_p": equivalence,
        "units_needed": one.units_needed,
    }


def rows_table(found: Against) -> "pd.DataFrame":
    """All rows as a table."""
    import pandas as pd

    return pd.DataFrame([row_of(one) for one in found.rows])
