"""Did something change while a batch was made? Charts of all its readings and curves; and who moved, units or bench.

A chart cries when it finds what all charts of a clean batch together find as seldom as `rig.statistics.change` has it.
What moved is told by the daily checks of the bench over the same days: a level or a resistance that moves with the
readings is the bench's, one that stands still leaves the units.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Literal

import numpy as np

from rig.calibration.storage import Stored
from rig.statistics import change
from rig.study.batch_curves import Key, Stack
from rig.study.batch_readings import Spread
from rig.values.readings import Floats

if TYPE_CHECKING:
    import pandas as pd

Mover = Literal["units", "bench", "both", "unknown"]

#: How often any odd unit of a clean batch may be called one, over all readings and curves; our choice.
ODD_FALSE_ALARMS = 0.003
#: Orders drawn for the limits, fewer where a batch is so large that they would take long; numerical.
VALUES_DRAWN, FEWEST_ORDERS = 3e7, 400
#: A difference counts from so many standard errors on; common practice, no source.
CLEAR = 3.0
#: Days before and after the units whose daily checks still tell of them; our choice.
DAY_AROUND = 1.0
#: Standard error of a median over that of a mean, for many normal values; by definition (root of half pi).
MEDIAN_ERROR = 1.2533
#: Median of the difference of two normal values over their standard deviation; by definition (0.6745 root 2).
NEIGHBOURS_MEDIAN = 0.9539
#: Changes of one cause lie no further apart than so many units, or than so large a part of the batch; our choice.
TOGETHER, TOGETHER_SHARE = 5, 0.02
#: Units on either side whose bench, person and so on are looked at, and the share that must have it; our choice.
NEIGHBOURS, MOST = 20, 0.9


@dataclass(frozen=True, eq=False)
class Series:
    """One row of values, a unit each, that is charted."""

    key: Key
    unit: str
    values: Floats
    #: Principal component of a curve, from 1; 0: a number.
    component: int = 0
    stack: Stack | None = None


@dataclass(frozen=True)
class Change:
    """One change of one series."""

    series: Series
    #: Which charts cried.
    charts: tuple[str, ...]
    #: Units before it in the batch: most likely, at least, at most.
    before: int
    earliest: int
    latest: int
    #: The units that it was found among.
    window: tuple[int, int]
    mean_before: float
    mean_after: float
    standard_error: float
    sigma: float
    is_drift: bool
    #: Of a curve, where it moved most; NaN else.
    at_hz: float
    moved: Mover = "unknown"
    #: Why that is said.
    why: str = ""

    @property
    def step(self) -> float:
        """How much higher the values are after it."""
        return self.mean_after - self.mean_before

    @property
    def size(self) -> float:
        """The step in standard deviations of the readings around it."""
        return abs(self.step) / self.sigma if self.sigma > 0 else math.inf


@dataclass(frozen=True)
class Drift:
    """What the charts of a batch say."""

    series: tuple[Series, ...]
    limits: change.Limits | None
    changes: tuple[Change, ...]
    #: Odd units: series or curve, unit, robust standard deviations.
    odd: tuple[tuple[Series, int, float], ...]
    orders: int = 0


def series_of(numbers: Sequence[Spread], stacks: Sequence[Stack]) -> list[Series]:
    """What is charted: numbers that a limit judges, shifts that are taken out of curves, and curves' components."""
    found = [Series(one.key, one.unit, one.values) for one in numbers if one.is_chartable]
    for stack in stacks:
        check, quantity, subject = stack.key
        shift = stack.shift_db
        if np.isfinite(shift).any() and np.nanstd(shift) > 0:
            found.append(Series((check, f"{quantity} shift", subject), "dB", shift))
        scores = stack.components()
        found += [Series(stack.key, stack.unit, row, n, stack) for n, row in enumerate(scores, 1)]
    return [one for one in found if np.isfinite(one.values).sum() >= 2 * change.LEAST]


def drift(
    series: Sequence[Series], units: "pd.DataFrame", daily: Mapping[str, Sequence[Stored]], orders: int = change.ORDERS
) -> Drift:
    """Chart everything, and tell what moved.

    Parameters
    ----------
    series : sequence of Series
    units
        As of `batch.units_of`.
    daily
        Bench -> its daily checks, oldest first.
    orders
        How many orders of the units are drawn for the limits.
    """
    if not series:
        return Drift((), None, (), ())
    scores = change.normal_scores(np.array([one.values for one in series]))
    orders = min(orders, max(FEWEST_ORDERS, int(VALUES_DRAWN / scores.size)))
    limits = change.limits(scores, orders)
    changes = [one for row, of in zip(scores, series, strict=True) for one in _changes(of, row, limits)]
    judged = (replace(one, moved=moved, why=why) for one in changes for moved, why in [who_moved(one, units, daily)])
    changes = sorted(judged, key=lambda one: -one.size)
    return Drift(tuple(series), limits, tuple(changes), _odd(series), orders)


def _odd(series: Sequence[Series]) -> tuple[tuple[Series, int, float], ...]:
    """Units that lie apart from all others, in a number or in a whole curve."""
    whole = [one for one in series if one.component <= 1]
    share = ODD_FALSE_ALARMS / max(1, len(whole))
    found: list[tuple[Series, int, float]] = []
    for one in whole:
        if one.stack is not None:
            found += [(one, place, far) for place, far in one.stack.odd(share)]
            continue
        known = np.flatnonzero(np.isfinite(one.values))
        values = one.values[known]
        sigma = float(change.robust_sigma(values))
        odd = change.odd_values(values, share) if sigma > 0 else []
        found += [(one, int(known[at]), float(abs(values[at] - np.median(values)) / sigma)) for at in odd]
    return tuple(found)


def _changes(of: Series, scores: Floats, limits: change.Limits) -> list[Change]:
    """The changes of one series: where steps are, or where the best one is if another chart cries."""
    known = np.flatnonzero(np.isfinite(of.values))
    values = of.values[known]
    charts = cries(scores, limits)
    if not charts:
        return []
    whole = change.change_point(values)
    places = change.steps(change.normal_scores(values[np.newaxis])[0], limits.step)
    if whole.is_drift or not places:
        places = [whole.before]
    found = []
    # Each between the one before and the one after it.
    for first, last in zip([0, *places[:-1]], [*places[1:], values.size], strict=True):
        point = change.change_point(values[first:last])

        def unit_at(count: int, first: int = first) -> int:
            return int(known[min(first + count, known.size - 1)])

        means = point.mean_before, point.mean_after, point.standard_error
        window = (int(known[first]), int(known[last - 1]) + 1)
        at_hz = math.nan
        if of.stack is not None:
            at_hz, means = _of_curve(of.stack, window, unit_at(point.before))
        places_of = unit_at(point.before), unit_at(point.earliest), unit_at(point.latest)
        found.append(Change(of, charts, *places_of, window, *means, point.sigma, point.is_drift, at_hz))
    return found


def cries(scores: Floats, limits: change.Limits) -> tuple[str, ...]:
    """Which charts find something in a row of scores, shape (n,)."""
    average = np.abs(change.moving_average(scores) / change.moving_average_sigma(scores.size))
    found = {
        "step": change.step_sizes(scores).max() > limits.step,
        "moving average": average.max() > limits.average,
        "run": change.run_lengths(scores).max() >= limits.run,
    }
    return tuple(chart for chart, is_beyond in found.items() if is_beyond)


def _of_curve(stack: Stack, window: tuple[int, int], before: int) -> tuple[float, tuple[float, float, float]]:
    """Where a curve moved most against its spread; its means there before and after, and their standard error."""
    one, other = stack.values[window[0] : before], stack.values[before : window[1]]
    error = np.sqrt(np.nanvar(one, axis=0) / max(1, len(one) - 1) + np.nanvar(other, axis=0) / max(1, len(other) - 1))
    means = np.nanmean(one, axis=0), np.nanmean(other, axis=0)
    size = np.abs(means[1] - means[0]) / np.where(error > 0, error, np.inf)
    at = int(np.nanargmax(size))
    return float(stack.frequency_hz[at]), (float(means[0][at]), float(means[1][at]), float(error[at]))


def at_one_place(changes: Sequence[Change], units: int) -> list[list[Change]]:
    """Changes by where they are, in the order of the units: those whose likely places meet stand together."""
    groups: list[list[Change]] = []
    for one in sorted(changes, key=lambda one: one.before):
        near = groups[-1] if groups else []
        reach = max(TOGETHER, TOGETHER_SHARE * units)
        meets = one.earliest <= max((other.latest for other in near), default=-1)
        if near and (meets or one.before - near[-1].before <= reach):
            near.append(one)
        else:
            groups.append([one])
    return groups


def who_moved(of: Change, units: "pd.DataFrame", daily: Mapping[str, Sequence[Stored]]) -> tuple[Mover, str]:
    """Whether the units moved or the bench, by its daily checks over the same units; and why that is said.

    What is in decibels is heard, and watched by the level of the reference build; what is not is read at the leads, and
    watched by the known resistor. A reading in decibels or in ohms moves with them by as much; a frequency, a shape or
    a Q does not move with a gain, and of them the daily checks tell only whether the bench stood still just then.
    """
    series, (first, last) = of.series, of.window
    one, other = units.iloc[first : of.before], units.iloc[of.before : last]
    benches = [bench for bench in one["bench"].unique() if bench in set(other["bench"])]
    if not benches:
        return "unknown", "the units before and after it were measured on different benches"
    alone = _on_one_bench(of, units, benches)
    if alone:
        return "bench", alone
    quantity = "level" if series.unit.startswith("dB") else "resistor"
    found = [step for bench in benches for step in _daily_steps(daily.get(bench, ()), quantity, of, units)]
    days = f"the daily checks of {', '.join(map(str, benches))}" if any(benches) else "the daily checks"
    if not found:
        return "unknown", f"no daily checks of a {quantity} on both sides of it, which could tell units from bench"
    if series.component or not (quantity == "level" or series.unit == "ohm"):
        if not any(step.is_here for step in found):
            return "units", f"{days} stood still"
        return "unknown", f"{days} moved at the same time; look at the bench first"
    return _by_amount(of, found, days, abs(of.mean_before) if quantity == "resistor" else 1.0)


def _by_amount(of: Change, found: Sequence["_DailyStep"], days: str, scale: float) -> tuple[Mover, str]:
    """Who moved, of a reading that a gain moves as it moves the daily checks."""
    moved, error = (scale * float(x) for x in (np.mean([s.moved for s in found]), np.max([s.error for s in found])))
    rest, rest_error = of.step - moved, math.hypot(of.standard_error, error)
    moved_too = f"{days} moved by {moved:+.2g} {of.series.unit.split(' ')[0].split('(')[0]} at the same time"
    if abs(moved) <= CLEAR * error:
        is_clear = abs(rest) > CLEAR * rest_error
        return ("units", f"{days} stood still") if is_clear else ("unknown", f"{days} scatter too much to tell")
    if abs(rest) <= CLEAR * rest_error or abs(rest) < abs(of.step) / 4:
        return "bench", moved_too
    if moved * of.step > 0:
        return "both", f"{moved_too}, which explains a part of it"
    return "units", f"{moved_too}, the other way"


def _on_one_bench(of: Change, units: "pd.DataFrame", benches: Sequence[str]) -> str:
    """In words that a change shows on one bench alone while the units of the others stand still; empty: it does not."""
    steps = {}
    values, (first, last) = of.series.values, of.window
    for bench in benches:
        is_there = (units["bench"] == bench).to_numpy() & np.isfinite(values)
        one, other = (values[a:b][is_there[a:b]] for a, b in ((first, of.before), (of.before, last)))
        if min(one.size, other.size) >= 2 * change.LEAST:
            error = math.hypot(np.std(one, ddof=1) / math.sqrt(one.size), np.std(other, ddof=1) / math.sqrt(other.size))
            steps[bench] = (float(np.median(other) - np.median(one)), error)
    clear = [bench for bench, (step, error) in steps.items() if abs(step) > CLEAR * MEDIAN_ERROR * error]
    if len(steps) < 2 or len(clear) != 1:
        return ""
    [bench] = clear
    step, error = steps[bench]
    if all(
        abs(step - step_of) > CLEAR * MEDIAN_ERROR * math.hypot(error, of_)
        for b, (step_of, of_) in steps.items()
        if b != bench
    ):
        return f"it shows on {bench} alone; the units on the other benches stand still"
    return ""


@dataclass(frozen=True)
class _DailyStep:
    """How far a daily check moved where a reading changed, its standard error, and whether it moved just then."""

    #: Of a level in decibels, of a resistor as a part of it.
    moved: float
    error: float
    is_here: bool


def _daily_steps(daily: Sequence[Stored], quantity: str, of: Change, units: "pd.DataFrame") -> list[_DailyStep]:
    """How far each daily check of a quantity moved with a change; only of its own channel, if there is one of it."""
    import pandas as pd

    around, at = pd.Timedelta(days=DAY_AROUND), units["started_at"].iloc[of.before]
    low, high = (units["started_at"].iloc[place] for place in (of.window[0], of.window[1] - 1))
    points: dict[str, list[Stored]] = {}
    for check in daily:
        if check.quantity == quantity and low - around <= check.moment <= high + around:
            points.setdefault(check.of, []).append(check)
    own = {name: checks for name, checks in points.items() if name.split(" ")[-1] == of.series.key[2].split(" ")[0]}
    likely = [units["started_at"].iloc[place] for place in (of.earliest, of.latest)]
    steps = [_daily_step(checks, at, likely, is_part=quantity == "resistor") for checks in (own or points).values()]
    return [step for step in steps if step]


def _daily_step(
    checks: Sequence[Stored], at: datetime, likely: Sequence[datetime], *, is_part: bool
) -> _DailyStep | None:
    """How far one daily check moved at a time, and whether it may have between the two likely ones; None: too few."""
    values = np.array([check.value for check in checks])
    before = sum(check.moment < at for check in checks)
    if min(before, values.size - before) < 2:
        return None
    # By the median of neighbours' differences, which a jump or two do not widen.
    sigma = float(np.median(np.abs(np.diff(values)))) / NEIGHBOURS_MEDIAN
    error = MEDIAN_ERROR * sigma * math.sqrt(1 / before + 1 / (values.size - before))
    moved = float(np.median(values[before:]) - np.median(values[:before]))
    is_here = abs(moved) > CLEAR * error
    if values.size >= 2 * change.LEAST and is_here:
        point = change.change_point(values)
        least, most = (sum(check.moment < time for check in checks) for time in likely)
        is_here = point.is_drift or (point.earliest <= most and least <= point.latest)
    scale = float(np.mean(values)) if is_part else 1.0
    return _DailyStep(moved / scale, error / scale, is_here)


def went_along(units: "pd.DataFrame", before: int) -> list[str]:
    """What else changed there with the runs, in words: bench, person, revision, version, lot, a calibration."""
    names = {"bench": "the bench", "by": "who measured", "revision": "the kit's revision", "batch": "the lot"}
    names |= {"software": "the version of kitproof", "calibrated": "the newest calibration"}
    found = []
    for column, words in names.items():
        if column not in units:
            continue
        one = units[column].iloc[max(0, before - NEIGHBOURS) : before].astype(str)
        other = units[column].iloc[before : before + NEIGHBOURS].astype(str)
        was, now = one.mode().iloc[0], other.mode().iloc[0]
        is_new = was != now and (one == was).mean() >= MOST and (other == now).mean() >= MOST
        if is_new:
            found.append(f"{words} ({was or 'not named'}, then {now or 'not named'})")
    return found
