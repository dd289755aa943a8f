"""All that is said of a batch, together: yields, failures, readings, curves, and what changed on the way."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rig.calibration.storage import Stored, read_store
from rig.statistics.change import ORDERS
from rig.store.index import Tell, once
from rig.store.selection import Selection
from rig.study import tables
from rig.study.batch import FEWEST_UNITS, Batch, Failures, batch, failures
from rig.study.batch_curves import Stack
from rig.study.batch_drift import Change, Drift, at_one_place, drift, series_of
from rig.study.batch_readings import RigSpread, Spread, curve_spread, judged_readings, rig_spread


@dataclass(frozen=True)
class Cause:
    """Changes that come together: the clearest first."""

    changes: tuple[Change, ...]

    @property
    def head(self) -> Change:
        """The clearest; of a number, if there is one."""
        return next((one for one in self.changes if not one.series.component), self.changes[0])


@dataclass(frozen=True, eq=False)
class BatchStudy:
    """What is known of a batch."""

    batch: Batch
    failures: Failures
    #: Numbers, then curves at the frequency where they fill their mask worst.
    spreads: tuple[Spread, ...]
    stacks: tuple[Stack, ...]
    drift: Drift
    #: What changed, by what moves together, in the order of the units.
    causes: tuple[Cause, ...]
    rig: RigSpread
    #: Daily checks of the benches over these days.
    daily: tuple[Stored, ...]

    @property
    def is_charted(self) -> bool:
        """Whether there are enough units for charts."""
        return len(self.batch.units) >= FEWEST_UNITS


def study(workspace: Path, selection: Selection, tell: Tell, orders: int = ORDERS) -> BatchStudy:
    """Study a batch.

    Parameters
    ----------
    workspace, selection, tell
        As of `batch.batch`.
    orders
        How many orders of the units are drawn for the charts' limits.

    Raises
    ------
    RecordError
        If there is no run that is asked for.
    """
    tell = once(tell)
    of = batch(workspace, selection, tell)
    readings = tables.readings(workspace, of.selection, tell)
    found = failures(workspace, of, readings, tell)
    rig = rig_spread(workspace, of.kit)
    numbers, lying = judged_readings(workspace, of, readings, rig, tell)
    spreads = (*numbers, *(curve_spread(stack, rig) for stack in lying if len(of.units) > 1))
    daily = daily_checks(workspace, of, tell)
    units = of.units.assign(calibrated=_calibrated(workspace, of, tell))
    series = series_of(numbers, lying) if len(units) >= FEWEST_UNITS else []
    drifted = drift(series, units, daily, orders)
    every = tuple(one for checks in daily.values() for one in checks)
    return BatchStudy(
        replace(of, units=units), found, spreads, tuple(lying), drifted, causes(drifted.changes, len(units)), rig, every
    )


def daily_checks(workspace: Path, of: Batch, tell: Tell) -> dict[str, list[Stored]]:
    """The daily checks of each bench of a batch, oldest first."""
    found = {}
    for bench in of.units["bench"].astype(str).unique():
        calibrations, damaged = read_store(workspace, bench)
        found[bench] = [one for one in calibrations if one.kind == "daily"]
        for one in damaged:
            if one.kind == "daily":
                tell(f"left out: {one.words}")
    return found


def _calibrated(workspace: Path, of: Batch, tell: Tell) -> list[str]:
    """Of each unit's run the newest calibration that it rests on, in words."""
    found = tables.of_runs("calibrations", workspace, of.selection, tell)
    newest = found.sort_values("made_at").drop_duplicates(["serial", "run"], keep="last")
    words = {(row.serial, row.run): f"{row.kind} of {row.made_at[:10]}" for row in newest.itertuples()}
    return [words.get(key, "") for key in zip(of.units["serial"], of.units["run"], strict=True)]


def causes(changes: Sequence[Change], units: int) -> tuple[Cause, ...]:
    """Changes by what they come with: at the same place, and moved by the same; in the order of the units."""
    found = [[one for one in changes if one.is_drift], *at_one_place([c for c in changes if not c.is_drift], units)]
    groups: list[list[Change]] = []
    for group in found:
        movers = dict.fromkeys(one.moved for one in group)
        groups += [sorted((one for one in group if one.moved == mover), key=lambda one: -one.size) for mover in movers]
    return tuple(Cause(tuple(group)) for group in sorted(groups, key=lambda group: group[0].before))
