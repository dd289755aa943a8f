"""Curves of a few builds, and a spread known before: how far good ones lie apart, and whether all belong together.

Neighbouring points of a curve hang together: a curve is worth few independent numbers, as many as the correlation of
its points leaves (Satterthwaite's degrees of freedom of a mean square). What is known before gives the shape of the
spread and its correlation, builds its scale: their variance is joined with the one known before, which counts as so
many degrees of freedom (an inverse chi-squared prior; A. Gelman et al., "Bayesian Data Analysis", 3rd edition (2013),
section 2.6), for the whole curve first and then, less firmly, around each point.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: The scale of the spread before is known as well as from so many degrees of freedom: to an eighth, as a curve hangs on
#: several parts whose spread is known to a quarter each. Common practice, no source.
DEGREES_BEFORE = 30.0
#: How firmly the scale of the whole curve holds around a point, in degrees of freedom: to a tenth. Common practice,
#: no source.
DEGREES_WHOLE = 60.0
#: Points count as around a point by this standard deviation; our choice.
AROUND_OCTAVES = 1 / 6
#: Median of the magnitude of a standard normal number; by definition.
NORMAL_MEDIAN = 0.6745
#: Sets of builds that the limit of a departure is found from, in portions that fit a small computer's memory;
#: numerical.
SETS, PORTION = 4000, 500


@dataclass(frozen=True, eq=False)
class SpreadBefore:
    """How a curve spreads, before any build."""

    frequency_hz: Floats
    #: Deviations of drawn units from the middle, the rig's own scatter included, shape (units, n).
    deviations: Floats
    #: Standard deviation at each point, shape (n,).
    sigma: Floats

    @cached_property
    def correlation2(self) -> Floats:
        """Square of the correlation of two points, shape (n, n)."""
        return np.asarray(np.corrcoef(self.deviations, rowvar=False) ** 2)


def spread_before(frequency_hz: Floats, deviations: Floats, scatter: float) -> SpreadBefore:
    """The spread of units drawn from tolerances, as a rig sees them that scatters by so much from point to point."""
    noise = scatter * np.random.default_rng(0).standard_normal(deviations.shape)
    seen = deviations + noise
    sigma = np.hypot(np.std(deviations, axis=0), scatter)
    return SpreadBefore(frequency_hz, seen, sigma)


def scatter(curves: Floats) -> float:
    """What curves scatter from point to point, robustly: standard deviation.

    How far each point lies off the line between its neighbours has 3/2 of the variance of a point; the median is that
    of normal numbers, and what a resonance bends does not count.

    Parameters
    ----------
    curves : shape (curves, n)
        Deviations from the mean of two or more.
    """
    rough = curves[:, 1:-1] - (curves[:, :-2] + curves[:, 2:]) / 2
    median = float(np.median(np.abs(rough))) / NORMAL_MEDIAN
    return median / float(np.sqrt(1.5 * (1 - 1 / len(curves))))


@dataclass(frozen=True, eq=False)
class JoinedSpread:
    """How a curve spreads, as builds and what was known before have it together."""

    #: Standard deviation at each point, shape (n,).
    sigma: Floats
    #: Degrees of freedom that its scale is known from: that of the whole curve, and that around each point over it,
    #: shape (n,).
    degrees: float
    degrees_around: Floats


def joined_spread(before: SpreadBefore, curves: Floats) -> JoinedSpread:
    """The spread that builds and what is known before have together.

    Parameters
    ----------
    before : SpreadBefore
    curves : shape (builds, n)
        In the unit of its deviations; from any middle.
    """
    freedom = len(curves) - 1
    if freedom == 0:
        return JoinedSpread(before.sigma, DEGREES_BEFORE, np.full(before.sigma.size, DEGREES_WHOLE))
    square = np.var(curves, axis=0, ddof=1) / before.sigma**2
    degrees = freedom * _of_whole_curve(before)
    whole = _scale2(np.mean(square), degrees)
    around = _around(before.frequency_hz)
    here = freedom * _independent(before.correlation2, around)
    near = around @ square / np.sum(around, axis=1)
    scale2 = (DEGREES_WHOLE * whole + here * near) / (DEGREES_WHOLE + here)
    return JoinedSpread(before.sigma * np.sqrt(scale2), float(DEGREES_BEFORE + degrees), DEGREES_WHOLE + here)


def _around(frequency_hz: Floats) -> Floats:
    """How much each point counts as around another one, shape (n, n)."""
    octaves = np.log2(frequency_hz)
    return np.asarray(np.exp(-0.5 * ((octaves[:, np.newaxis] - octaves) / AROUND_OCTAVES) ** 2))


def _scale2(square: Floats | float, degrees: float) -> Floats:
    """Scale of the whole curve, squared, from the mean square of builds over the spread before."""
    return np.asarray((DEGREES_BEFORE + degrees * square) / (DEGREES_BEFORE + degrees))


def _independent(correlation2: Floats, weights: Floats) -> Floats:
    """How many independent numbers each weighted mean square is worth; `weights` of shape (means, n)."""
    return np.asarray(np.sum(weights, axis=1) ** 2 / np.einsum("ij,jk,ik->i", weights, correlation2, weights))


def next_unit(before: SpreadBefore, joined: JoinedSpread, builds: int, random: np.random.Generator) -> Floats:
    """Deviations of units to come from the mean of the builds, shape (units, n): a sample of what is to be expected.

    In it are the unit's own deviation, that of the builds' mean, and what is not known of the scale, of the whole curve
    and around each point (the posterior predictive distribution; Gelman et al., section 3.2).
    """
    units = len(before.deviations)
    times = np.sqrt(joined.degrees / random.chisquare(joined.degrees, (units, 1)))
    around = _around(before.frequency_hz)
    known = np.sqrt(2 * joined.degrees_around * np.sum(around**2, axis=1))
    times = times * np.exp(random.standard_normal(before.deviations.shape) @ (around / known[:, np.newaxis]).T)
    own = before.deviations * (joined.sigma / before.sigma)
    return np.asarray(times * (own + own[random.permutation(units)] / np.sqrt(builds)))


def departures(before: SpreadBefore, curves: Floats) -> Floats:
    """How far each build lies from the mean of the others: root mean square over the curve, in standard deviations.

    The scale of the spread is that of the others, joined with what is known before: what one build does cannot hide it.

    Parameters
    ----------
    before : SpreadBefore
    curves : shape (..., builds, n)
        In the unit of its deviations, of two or more builds.

    Returns
    -------
    ndarray, shape (..., builds)
    """
    builds = curves.shape[-2]
    white = (curves - np.mean(curves, axis=-2, keepdims=True)) / before.sigma
    # The mean of the others lies opposite, and the variance of the difference is that of one and of their mean.
    off2 = np.mean(white**2, axis=-1)
    far2 = off2 * (builds / (builds - 1)) ** 2 / (1 + 1 / (builds - 1))
    if builds == 2:
        return np.asarray(np.sqrt(far2))
    total = np.sum(off2, axis=-1, keepdims=True)
    others = (total - off2 * builds / (builds - 1)) / (builds - 2)
    degrees = (builds - 2) * _of_whole_curve(before)
    return np.asarray(np.sqrt(far2 / _scale2(others, degrees)))


def departure_limit(before: SpreadBefore, builds: int, false_alarms: float) -> float:
    """What the furthest of so many good builds exceeds with this probability, found from drawn sets of builds."""
    random = np.random.default_rng(builds)
    furthest = []
    for _ in range(SETS // PORTION):
        chosen = random.integers(len(before.deviations), size=(PORTION, builds))
        scale = np.sqrt(DEGREES_BEFORE / random.chisquare(DEGREES_BEFORE, (PORTION, 1, 1)))
        furthest.append(np.max(departures(before, scale * before.deviations[chosen]), axis=-1))
    return float(np.quantile(np.concatenate(furthest), 1 - false_alarms))


def drift(before: SpreadBefore, former: Floats, latest: Floats) -> float:
    """How far the mean of the latest units lies from that of the former: root mean square, in standard deviations.

    Parameters
    ----------
    before : SpreadBefore
    former, latest : shape (units, n), one or more each
        In the unit of its deviations.
    """
    apart = (np.mean(latest, axis=0) - np.mean(former, axis=0)) / before.sigma
    far2 = np.mean(apart**2) / (1 / len(former) + 1 / len(latest))
    freedom = len(former) + len(latest) - 2
    if not freedom:
        return float(np.sqrt(far2))
    squares = [np.sum((units - np.mean(units, axis=0)) ** 2 / before.sigma**2) for units in (former, latest)]
    within = float(sum(squares)) / (freedom * apart.size)
    return float(np.sqrt(far2 / _scale2(within, freedom * _of_whole_curve(before))))


def drift_limit(before: SpreadBefore, units: int, false_alarms: float) -> float:
    """What the drift of a population of so many units that has none exceeds with this probability, from drawn means."""
    random = np.random.default_rng(units)
    chosen = before.deviations[random.integers(len(before.deviations), size=SETS)]
    # A mean of several units is more nearly normal than one: one overstates its tails a little.
    scale2 = DEGREES_BEFORE / random.chisquare(DEGREES_BEFORE, SETS)
    far2 = scale2 * np.mean((chosen / before.sigma) ** 2, axis=1)
    degrees = max(units - 2, 0) * _of_whole_curve(before)
    seen = scale2 * random.chisquare(degrees, SETS) / degrees if degrees else scale2
    return float(np.sqrt(np.quantile(far2 / _scale2(seen, degrees), 1 - false_alarms)))


def _of_whole_curve(before: SpreadBefore) -> float:
    return float(_independent(before.correlation2, np.ones((1, before.sigma.size)))[0])
