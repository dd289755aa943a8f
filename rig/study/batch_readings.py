"""Judged readings over a batch: how they lie between their limits, and how much of their spread is the rig's own."""

import json
import math
from dataclasses import dataclass
from glob import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.files.disk import read_bytes
from rig.statistics.performance import FEWEST, NAN, Performance, performance
from rig.store.index import Tell
from rig.study.batch import Batch, is_of
from rig.study.batch_curves import KEY, Key, Stack, stacks
from rig.values.names import counted
from rig.values.readings import Floats

if TYPE_CHECKING:
    import pandas as pd

#: Where more than this share of the readings are one and the same value, nothing is charted, and no
#: index told: it would say how seldom the others are; our choice.
MOST_ALIKE = 0.5
#: The words of a reading without an index.
BOUNDS = "most readings say only what the value is at most"


@dataclass(frozen=True, eq=False)
class Spread:
    """One judged reading over all units; of a curve, where its index is worst."""

    key: Key
    unit: str
    #: NaN for numbers.
    at_hz: float
    #: Shape (units,); NaN: not read, or void.
    values: Floats
    #: Of the newest unit; infinite where a side is open.
    lower: float
    upper: float
    #: Units that were judged by other limits.
    other_limits: int
    #: None: `reason` says why not.
    index: Performance | None
    reason: str
    #: Part of the variance that is the rig's own, by the newest capability study; NaN: there is none of it.
    rig_share: float = NAN

    @property
    def known(self) -> Floats:
        """The readings that there are."""
        return self.values[np.isfinite(self.values)]

    @property
    def outside(self) -> int:
        """How many lie outside the limits of the newest unit."""
        return int(np.sum((self.known < self.lower) | (self.known > self.upper)))

    @property
    def is_chartable(self) -> bool:
        """Whether a change in it could be seen: enough readings that differ, and that are no mere bounds."""
        known = self.known
        return self.reason != BOUNDS and 2 * known.size >= self.values.size and not _are_alike(known)


def _are_alike(known: Floats) -> bool:
    """Whether most readings are one and the same value."""
    _, counts = np.unique(known, return_counts=True)
    return bool(counts.max(initial=0) > MOST_ALIKE * known.size)


def judged_readings(
    workspace: Path, of: Batch, readings: "pd.DataFrame", rig: "RigSpread", tell: Tell
) -> tuple[list[Spread], list[Stack]]:
    """What a batch's units were judged by, in their first valid runs: numbers, and whole curves.

    Parameters
    ----------
    readings
        Of the batch's runs, as of `tables.readings`; those of other runs count for nothing.
    rig
        What a study of the rig says.
    tell
        Is told which curves cannot be read.
    """
    first = readings[is_of(readings, of.units)]
    curves = first[(first["kind"] == "curve") & first["outcome"].notna()]
    judged = list(dict.fromkeys(zip(*(curves[name] for name in KEY), strict=True)))
    return number_spreads(first, of.units, rig), stacks(workspace, of.units, judged, tell)


def number_spreads(readings: "pd.DataFrame", units: "pd.DataFrame", rig: "RigSpread") -> list[Spread]:
    """Every number that a limit judges, in the order of the checks; those with one right value (a polarity) left out.

    Parameters
    ----------
    readings
        Of the units' first valid runs, as of `tables.readings`.
    units
        As of `batch.units_of`.
    rig
        What a study of the rig says.
    """
    places = {serial: place for place, serial in enumerate(units["serial"])}
    judged = readings[(readings["kind"] == "number") & readings["outcome"].notna()]
    found = []
    for key, rows in judged.groupby(list(KEY), sort=False, observed=True):
        rows = rows.assign(place=rows["serial"].map(places)).sort_values("place")
        # A verdict that is void says no limits, nor did those of records once.
        limits = rows[["lower", "upper"]].dropna(how="all").fillna({"lower": -math.inf, "upper": math.inf})
        newest = rows.loc[limits.index[-1] if len(limits) else rows.index[-1]]
        rows = rows[rows["unit"] == newest["unit"]]
        limits = limits[limits.index.isin(rows.index)]
        lower, upper = limits.iloc[-1] if len(limits) else (-math.inf, math.inf)
        if lower == upper:
            continue
        values = np.full(len(units), np.nan)
        values[rows["place"]] = rows["value"].where(rows["outcome"] != "void")
        others = int((limits != [lower, upper]).any(axis=1).sum())
        is_bound = rows["at_most"].mean() > MOST_ALIKE
        index, reason = _index(values, lower, upper, is_bound=bool(is_bound))
        share = rig.share(key, NAN, values)
        found.append(Spread(key, newest["unit"], NAN, values, float(lower), float(upper), others, index, reason, share))
    return found


def _index(values: Floats, lower: float, upper: float, *, is_bound: bool = False) -> tuple[Performance | None, str]:
    known = values[np.isfinite(values)]
    if is_bound:
        return None, BOUNDS
    if known.size < FEWEST:
        return None, f"{counted(known.size, 'reading')}; an index is told from {FEWEST} on"
    if _are_alike(known):
        return None, "most readings are one and the same value"
    if math.isinf(lower) and math.isinf(upper):
        return None, "the records do not say by which limits"
    return performance(known, lower, upper), ""


def curve_spread(stack: Stack, rig: "RigSpread") -> Spread:
    """A curve as a reading: at the frequency where it fills its mask worst."""
    mean, sigma = np.nanmean(stack.values, axis=0), np.nanstd(stack.values, axis=0, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ppk = np.minimum(stack.upper - mean, mean - stack.lower) / sigma
    at = int(np.argmin(np.where(np.isfinite(ppk), ppk, np.inf)))
    lower, upper = float(stack.lower[at]), float(stack.upper[at])
    values, at_hz = stack.values[:, at], float(stack.frequency_hz[at])
    index, reason = _index(values, lower, upper)
    share = rig.share(stack.key, at_hz, values)
    return Spread(stack.key, stack.unit, at_hz, values, lower, upper, stack.other_masks, index, reason, share)


@dataclass(frozen=True)
class RigSpread:
    """What the newest capability study of a kit says of the rig's own spread."""

    #: The study's file; None: there is none.
    path: Path | None
    limits: tuple[dict[str, Any], ...] = ()

    def share(self, key: Key, at_hz: float, values: Floats) -> float:
        """Which part of the variance of readings is the rig's own; of a curve, in the nearest band that was studied."""
        rows = [row for row in self.limits if (row["check"], row["quantity"], row["subject"]) == key and "gauge" in row]
        if math.isfinite(at_hz):
            rows = sorted((row for row in rows if row["at_hz"]), key=lambda row: abs(math.log(row["at_hz"] / at_hz)))
        else:
            rows = [row for row in rows if row["at_hz"] is None]
        variance = float(np.nanvar(values, ddof=1)) if np.sum(np.isfinite(values)) > 1 else 0.0
        return float(rows[0]["gauge"][0]) ** 2 / variance if rows and variance > 0 else NAN


def rig_spread(workspace: Path, kit: str) -> RigSpread:
    """The newest capability study of a kit that is there and can be read."""
    for path in sorted((workspace / "results" / ".capability").glob(f"{escape(kit)}-????-??-??T*.json"), reverse=True):
        try:
            found = json.loads(read_bytes(path))
            return RigSpread(path, tuple(row for row in found["limits"] if isinstance(row, dict)))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return RigSpread(None)
