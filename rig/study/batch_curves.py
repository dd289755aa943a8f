"""Curves of all units of a batch on top of each other: median, band, odd ones, and what they vary in together."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.files.errors import RecordError
from rig.statistics.change import odd_values, robust_sigma, tamed
from rig.store.index import Tell
from rig.store.records import read_columns
from rig.study import tables
from rig.values.readings import Floats

if TYPE_CHECKING:
    import pandas as pd

#: The band that holds most units' values at each frequency, in percent; common practice, no source.
BAND_PERCENT = (5.0, 95.0)
#: A point counts where so many of the units have it, and a curve where so many of those points are its own; our choice.
SHARE_OF_UNITS, SHARE_OF_POINTS = 0.9, 0.9
#: Of what the curves vary in together so much is followed, in at most so many components; our choice.
FOLLOWED, MOST_COMPONENTS = 0.9, 3

Key = tuple[str, str, str]
#: What names a reading.
KEY = ("check", "quantity", "subject")


def key_row(key: Key) -> dict[str, object]:
    """What names a reading, as the begin of a row."""
    return dict(zip(KEY, key, strict=True))


@dataclass(frozen=True, eq=False)
class Stack:
    """One judged curve of all units, as it was judged: where its level is aligned, without its shift."""

    key: Key
    unit: str
    #: Where the mask judges and most units have a trusted point, shape (n,).
    frequency_hz: Floats
    #: Shape (units, n); NaN where a unit has no trusted point, or no curve.
    values: Floats
    #: What was taken out of each curve's level, dB, shape (units,); NaN: no curve.
    shift_db: Floats
    #: The newest unit's, shape (n,); infinite where a side is open.
    lower: Floats
    upper: Floats
    #: Units whose mask is not the newest.
    other_masks: int

    @property
    def middle(self) -> Floats:
        """Median over the units, shape (n,)."""
        return np.asarray(np.nanmedian(self.values, axis=0))

    @property
    def band(self) -> tuple[Floats, Floats]:
        """Between these lie nine of ten units at each frequency, shape (n,) each."""
        low, high = np.nanpercentile(self.values, BAND_PERCENT, axis=0)
        return low, high

    def away(self) -> Floats:
        """How far each unit's curve lies from the median where it is furthest, in robust standard deviations."""
        with np.errstate(invalid="ignore"):
            far = np.nanmax(np.abs(self._off()), axis=1, initial=0.0, where=np.isfinite(self.values))
        return np.where(np.isfinite(self.values).any(axis=1), far, np.nan)

    def _off(self) -> Floats:
        sigma = robust_sigma(self.values)
        return np.asarray((self.values - self.middle) / np.where(sigma > 0, sigma, np.inf))

    def odd(self, false_alarms: float) -> list[tuple[int, float]]:
        """Which units lie apart from all others, and by how many robust standard deviations; the furthest first."""
        away = self.away()
        known = np.flatnonzero(np.isfinite(away))
        return [
            (int(known[at]), float(away[known[at]])) for at in odd_values(away[known], false_alarms, only_high=True)
        ]

    def components(self) -> Floats:
        """What the curves vary in together: scores on the first principal components, shape (components, units).

        Each point counts by its own spread, and no further than odd values may. NaN: the unit has no whole curve.
        """
        whole = np.mean(np.isfinite(self.values), axis=1) >= SHARE_OF_POINTS
        off = np.nan_to_num(self._off()[whole])
        if off.shape[0] < 2 or not off.any():
            return np.empty((0, len(self.values)))
        off = np.apply_along_axis(tamed, 0, off)
        left, size, _ = np.linalg.svd(off - off.mean(axis=0), full_matrices=False)
        share = np.cumsum(size**2) / np.sum(size**2)
        count = min(int(np.searchsorted(share, FOLLOWED)) + 1, MOST_COMPONENTS, size.size)
        scores = np.full((count, len(self.values)), np.nan)
        scores[:, whole] = (left * size)[:, :count].T
        return scores


def stacks(workspace: Path, units: "pd.DataFrame", judged: Sequence[Key], tell: Tell) -> list[Stack]:
    """The judged curves of units, in the order of the units; those that fewer than half of them have are left out.

    Parameters
    ----------
    workspace
        The folder with `results/`.
    units
        As of `batch.units_of`.
    judged
        Check, quantity, subject of the curves.
    tell
        Is told which curves of which record cannot be read.
    """
    wanted = set(judged)
    found: dict[Key, dict[int, dict[str, Any]]] = {}
    for place, unit in enumerate(units.itertuples()):
        folder = workspace / "results" / unit.kit / unit.serial / unit.run
        for about, points in tables.curves_of_run(folder, lambda *key: key in wanted, tell):
            key = about["check"], about["quantity"], about["subject"]
            mask = folder / about["mask"] if about["mask"] else None
            found.setdefault(key, {})[place] = {**about, "points": points, "mask": mask}
    made = [_stack(key, found[key], len(units), tell) for key in judged if key in found]
    return [one for one in made if one is not None]


def _stack(key: Key, of_units: dict[int, dict[str, Any]], count: int, tell: Tell) -> Stack | None:
    # A verdict that is void says no mask.
    newest = of_units[max(of_units, key=lambda place: (of_units[place]["mask"] is not None, place))]
    of_units = {place: one for place, one in of_units.items() if one["unit"] == newest["unit"]}
    if len(of_units) < max(2, count / 2):
        return None
    grid = newest["points"]["frequency_hz"]
    values, shift = np.full((count, grid.size), np.nan), np.full(count, np.nan)
    for place, one in of_units.items():
        shift[place] = one["shift_db"]
        values[place] = _on_grid(one["points"], grid) - one["shift_db"]
    try:
        lower, upper = _mask_on(newest["mask"], grid)
    except (RecordError, KeyError, OSError) as error:
        tell(f"{newest['mask']}: mask left out: {error}")
        lower, upper = np.full(grid.size, -np.inf), np.full(grid.size, np.inf)
    is_judged = np.isfinite(lower) | np.isfinite(upper)
    kept = np.mean(np.isfinite(values), axis=0) >= SHARE_OF_UNITS * len(of_units) / count
    kept &= is_judged | (not is_judged.any())
    if not kept.any():
        return None
    others = sum(one["mask"] is not None and one["mask_sha256"] != newest["mask_sha256"] for one in of_units.values())
    return Stack(key, newest["unit"], grid[kept], values[:, kept], shift, lower[kept], upper[kept], others)


def _on_grid(points: dict[str, NDArray[Any]], grid: Floats) -> Floats:
    """Trusted values of a curve on a grid; NaN elsewhere."""
    at, value = points["frequency_hz"], np.where(points["valid"], points["value"], np.nan)
    if at.shape == grid.shape and np.allclose(at, grid, rtol=1e-9):
        return np.asarray(value)
    return np.interp(np.log(grid), np.log(at), value, left=np.nan, right=np.nan)


def _mask_on(path: Path | None, grid: Floats) -> tuple[Floats, Floats]:
    """A mask on a grid of frequencies; open where it says nothing."""
    if path is None:
        return np.full(grid.size, -np.inf), np.full(grid.size, np.inf)
    columns = read_columns(path)
    at = columns["frequency_hz"]
    inside = (grid >= at[0] * (1 - 1e-9)) & (grid <= at[-1] * (1 + 1e-9))
    edges = []
    for name, far in (("lower", -np.inf), ("upper", np.inf)):
        edge = columns[name]
        # Beside an open point the mask is open as well.
        known = np.interp(np.log(grid), np.log(at), np.where(np.isfinite(edge), edge, np.nan))
        edges.append(np.where(inside & np.isfinite(known), known, far))
    return edges[0], edges[1]
