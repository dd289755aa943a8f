"""Did something change on the way? Many readings of units in the order of measuring, looked at together.

Three charts for each row of readings: the step that splits it best, the exponentially weighted moving average, and the
longest run on one side of the middle. What they find by chance is told by the same rows in other orders: the order of
the units is drawn again and again, the same for all rows, and a limit is what the furthest of all rows then exceeds as
seldom as is wanted (P. H. Westfall, S. S. Young, "Resampling-based multiple testing", 1993). So the limits hold
whatever the distributions are, and however much the readings hang together.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Weight of the newest value in the moving average; ISO 7870-6 recommends 0.1 to 0.25 for small shifts (from memory).
WEIGHT = 0.2
#: A step leaves at least so many units on either side; our choice.
LEAST = 3
#: Orders that are drawn; numerical.
ORDERS = 1000
#: How often all charts of a clean batch together may cry: steps, moving averages, runs. Our choice; what they do
#: together is measured by tests/benchmarks/batch_charts.py.
FALSE_ALARMS = {"step": 0.02, "moving average": 0.004, "run": 0.003}
CONFIDENCE = 0.95
#: Readings that lie further from the middle than so many standard deviations count as so far; our choice.
FARTHEST = 4.0
#: Interquartile range of a standard normal number; by definition.
NORMAL_QUARTILES = 1.349


def normal_scores(values: Floats) -> Floats:
    """Ranks of each row as if they were normal: no single odd value weighs much; NaN, not measured, becomes 0.

    Parameters
    ----------
    values : shape (rows, n)

    References
    ----------
    Conover, Practical nonparametric statistics, 3rd ed. (1999), 5.10 (van der Waerden's scores).
    """
    known = np.isfinite(values)
    ranks = scipy.stats.rankdata(np.where(known, values, np.inf), axis=1)
    count = np.sum(known, axis=1, keepdims=True)
    return np.where(known, scipy.special.ndtri(np.where(known, ranks, 0.5) / (count + 1)), 0.0)


def step_sizes(scores: Floats) -> Floats:
    """How far the units before a place lie from those after it, in standard deviations, for each place; shape as given.

    The last axis runs over the units. At place k the units up to and with k lie before; where fewer than `LEAST` lie
    before or after, 0.
    """
    n = scores.shape[-1]
    before = np.arange(1, n + 1)
    weight = np.zeros(n)
    inner = slice(LEAST - 1, n - LEAST)
    weight[inner] = np.sqrt(n / (before * (n - before))[inner])
    centred = scores - np.mean(scores, axis=-1, keepdims=True)
    spread = np.std(scores, axis=-1, keepdims=True)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(np.cumsum(centred, axis=-1)) * weight / np.where(spread > 0, spread, np.inf))


def moving_average(values: Floats, centre: float = 0.0, weight: float = WEIGHT) -> Floats:
    """The exponentially weighted moving average along the last axis, which begins at the centre."""
    smoothed, _ = scipy.signal.lfilter(
        [weight], [1, weight - 1], values - centre, axis=-1, zi=np.zeros((*values.shape[:-1], 1))
    )
    return np.asarray(smoothed + centre)


def moving_average_sigma(n: int, weight: float = WEIGHT) -> Floats:
    """Standard deviation of each of the first n moving averages, that of a value being 1.

    References
    ----------
    Roberts, Control chart tests based on geometric moving averages, Technometrics 1 (1959).
    """
    grown = 1 - (1 - weight) ** (2 * np.arange(1, n + 1))
    return np.asarray(np.sqrt(weight / (2 - weight) * grown))


def run_lengths(scores: Floats) -> NDArray[np.intp]:
    """How many units in a row, each with this one the last, lie on its side of the middle; shape as given."""
    side = np.sign(scores)
    places = np.arange(scores.shape[-1])
    is_new = np.ones(scores.shape, dtype=np.bool_)
    is_new[..., 1:] = side[..., 1:] != side[..., :-1]
    began = np.maximum.accumulate(np.where(is_new, places, 0), axis=-1)
    return np.asarray(np.where(side == 0, 0, places - began + 1))


@dataclass(frozen=True)
class Limits:
    """What all rows of clean units together exceed as seldom as `FALSE_ALARMS` has it."""

    #: In standard deviations, as `step_sizes`.
    step: float
    #: In standard deviations of the moving average.
    average: float
    #: So many in a row are too many.
    run: int


def limits(scores: Floats, orders: int = ORDERS) -> Limits:
    """The limits for rows of scores, shape (rows, n), from so many orders of their units."""
    random = np.random.default_rng(0)
    sigma = moving_average_sigma(scores.shape[1])
    found = np.empty((3, orders))
    for turn in range(orders):
        mixed = scores[:, random.permutation(scores.shape[1])]
        found[:, turn] = (
            step_sizes(mixed).max(),
            np.abs(moving_average(mixed) / sigma).max(),
            run_lengths(mixed).max(),
        )
    step, average, run = (
        np.quantile(row, 1 - FALSE_ALARMS[chart], method="higher")
        for row, chart in zip(found, FALSE_ALARMS, strict=True)
    )
    return Limits(float(step), float(average), int(run) + 1)


@dataclass(frozen=True)
class ChangePoint:
    """Where a row of values most likely changed, and by how much."""

    #: How many units lie before it, most likely, at least, and at most (`CONFIDENCE`).
    before: int
    earliest: int
    latest: int
    mean_before: float
    mean_after: float
    #: Standard error of the difference, and standard deviation of a value around both means.
    standard_error: float
    sigma: float
    #: It fits better as a steady drift over all these units than as a step.
    is_drift: bool


def change_point(values: Floats) -> ChangePoint:
    """The step that fits a row of values best, in the sense of least squares.

    Parameters
    ----------
    values : shape (n,)
        Finite, twice `LEAST` or more; odd ones count as no further than `FARTHEST` from the middle of all.

    References
    ----------
    Hinkley, Inference about the change-point in a sequence of random variables, Biometrika 57 (1970); the set of likely
    places is the smallest whose share of the likelihood, with means and variance integrated out, is `CONFIDENCE`.
    """
    values = tamed(values)
    n = values.size
    before = np.arange(LEAST, n - LEAST + 1)
    running = np.cumsum(values - np.mean(values))
    gained = running[before - 1] ** 2 * n / (before * (n - before))
    total = float(np.sum((values - np.mean(values)) ** 2))
    left = np.maximum(total - gained, 1e-12 * max(total, np.finfo(float).tiny))
    log = -(n - 2) / 2 * np.log(left / left.min()) - 0.5 * np.log(before * (n - before))
    share = np.exp(log - log.max())
    share /= share.sum()
    best = int(np.argmin(left))
    falling = np.argsort(-share)
    kept = falling[: int(np.searchsorted(np.cumsum(share[falling]), CONFIDENCE)) + 1]
    k = int(before[best])
    one, other = values[:k], values[k:]
    sigma = math.sqrt(float(left[best]) / (n - 2))
    error = sigma * math.sqrt(1 / k + 1 / (n - k))
    slope = np.polynomial.polynomial.polyfit(np.arange(n), values, 1)
    along = float(np.sum((values - np.polynomial.polynomial.polyval(np.arange(n), slope)) ** 2))
    return ChangePoint(
        k,
        int(before[kept].min()),
        int(before[kept].max()),
        float(one.mean()),
        float(other.mean()),
        error,
        sigma,
        along < float(left[best]),
    )


def robust_sigma(values: Floats) -> Floats:
    """The standard deviation along the first axis by the quartiles, were the values normal; NaN: not measured.

    Half of the values tell it: odd ones do not.
    """
    quarter, three_quarters = np.nanpercentile(values, [25, 75], axis=0)
    return np.asarray((three_quarters - quarter) / NORMAL_QUARTILES)


def tamed(values: Floats) -> Floats:
    """Values of which the odd ones lie no further than `FARTHEST` robust standard deviations from the median.

    The quartiles of all tell the spread: of two heaps they hold both. Where they are equal no value is moved.
    """
    middle = np.median(values)
    sigma = robust_sigma(values)
    if sigma == 0:
        return values
    return np.asarray(np.clip(values, middle - FARTHEST * sigma, middle + FARTHEST * sigma))


def steps(scores: Floats, limit: float) -> list[int]:
    """How many units lie before each step of a row, shape (n,): each part between steps is asked again for one.

    Parameters
    ----------
    scores : shape (n,)
    limit
        As of `Limits.step`; for a part, which has fewer places, it is a little wide.
    """
    found: list[int] = []
    parts = [(0, scores.size)]
    while parts:
        first, last = parts.pop()
        if last - first < 2 * LEAST:
            continue
        # Ranks anew: in a part they are other ones.
        part = normal_scores(scores[np.newaxis, first:last])[0]
        sizes = step_sizes(part)
        if sizes.max() > limit:
            at = first + int(np.argmax(sizes)) + 1
            found.append(at)
            parts += [(first, at), (at, last)]
    return sorted(found)


def odd_values(values: Floats, false_alarms: float, *, only_high: bool = False) -> list[int]:
    """Which of a row of values lie too far out to belong to the others, the furthest first.

    The quarter of the values on its side is taken to fall off as slowly as an exponential distribution does, which few
    readings exceed: then the excess of the furthest over the mean excess of the others follows F with 2 and 2 m degrees
    of freedom. So only what stands well apart is odd: of 300 normal values about ten standard deviations.

    Parameters
    ----------
    values : shape (n,)
        Finite.
    false_alarms
        How often any of a clean row may be called odd.
    only_high
        Ask for high values only.

    References
    ----------
    Barnett, Lewis, Outliers in statistical data, 3rd ed. (1994), 6.4.1 (a gamma sample's upper outliers).
    """
    sides = (values,) if only_high else (values, -values)
    odd = [(float(excess), place) for side in sides for excess, place in _apart(side, false_alarms / len(sides))]
    return [place for _, place in sorted(odd, reverse=True)]


def _apart(values: Floats, false_alarms: float) -> list[tuple[float, int]]:
    """High values that stand apart: by how much of the others' mean excess, and where."""
    quarter = np.quantile(values, 0.75)
    upper = np.argsort(values)[np.sum(values <= quarter) :]
    excess = values[upper] - quarter
    odd: list[tuple[float, int]] = []
    # The lowest of them on which all above stand apart: several odd ones must not hide each other.
    for place in range(1, min(upper.size // 2, max(1, values.size // 10)) + 1):
        others = upper.size - place
        mean = float(np.mean(excess[:-place]))
        share = false_alarms / (others + 1)
        if excess[-place] / mean > others * (share ** (-1 / others) - 1):
            odd = [(float(one / mean), int(at)) for one, at in zip(excess[-place:], upper[-place:], strict=True)]
    return odd
