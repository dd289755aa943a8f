"""How a process fills its limits: the performance indices Pp and Ppk, with intervals, and how far readings are normal.

The spread is six standard deviations of all readings. Of normal readings the indices tell how many will be outside, and
the intervals are known in closed form; of others they tell the room that is left alone, and samples drawn from the
readings themselves tell the intervals. Quantiles of 0.135 %, by which ISO 22514-2 defines the indices of others, are
not to be had from some hundred readings whose distribution nobody knows.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Half the spread in standard deviations; ISO 22514-2.
SIGMAS = 3.0
#: Readings that chance alone makes look so little normal less often than this are taken for not normal; common
#: practice, no source.
NORMAL_ABOVE = 0.05
CONFIDENCE = 0.95
#: From fewer readings no index is told: its interval would reach from poor to excellent; our choice.
FEWEST = 10
#: Samples drawn again; numerical.
SAMPLES = 1000
NAN = float("nan")


@dataclass(frozen=True)
class Index:
    """An index and its interval; NaN: there is none."""

    value: float = NAN
    lower: float = NAN
    upper: float = NAN


@dataclass(frozen=True)
class Performance:
    """How readings fill their limits."""

    #: NaN with one limit only.
    pp: Index
    ppk: Index
    #: Probability of looking so little normal by chance (Anderson-Darling).
    normal_p: float

    @property
    def is_normal(self) -> bool:
        """Whether normal formulas were used (Bissell), or a bootstrap."""
        return self.normal_p >= NORMAL_ABOVE


def anderson_darling(values: Floats) -> tuple[float, float]:
    """A-squared against a normal distribution of unknown mean and spread, for its size, and its probability.

    Parameters
    ----------
    values : shape (n,)
        Eight or more, not all equal.

    References
    ----------
    D'Agostino, Stephens, Goodness-of-fit techniques (1986), table 4.9.
    """
    n = values.size
    z = np.sort((values - values.mean()) / values.std(ddof=1))
    both = scipy.special.log_ndtr(z) + scipy.special.log_ndtr(-z[::-1])
    a2 = -n - float(np.sum((2 * np.arange(1, n + 1) - 1) * both)) / n
    a2 *= 1 + 0.75 / n + 2.25 / n**2
    if a2 >= 0.6:
        # The parabola turns up again far out, where the probability is nothing.
        p = math.exp(1.2937 - 5.709 * min(a2, 13.0) + 0.0186 * min(a2, 13.0) ** 2)
    elif a2 > 0.34:
        p = math.exp(0.9177 - 4.279 * a2 - 1.38 * a2**2)
    elif a2 > 0.2:
        p = 1 - math.exp(-8.318 + 42.796 * a2 - 59.938 * a2**2)
    else:
        p = 1 - math.exp(-13.436 + 101.14 * a2 - 223.73 * a2**2)
    return a2, p


def bissell(ppk: float, n: int, confidence: float = CONFIDENCE) -> Index:
    """Ppk of n normal readings with its interval.

    References
    ----------
    Bissell, How reliable is your capability index?, Applied Statistics 39 (1990).
    """
    z = float(scipy.stats.norm.ppf((1 + confidence) / 2))
    reach = z * math.sqrt(1 / (9 * n) + ppk**2 / (2 * (n - 1)))
    return Index(ppk, ppk - reach, ppk + reach)


def normal_pp(pp: float, n: int, confidence: float = CONFIDENCE) -> Index:
    """Pp of n normal readings with its interval: the standard deviation's, by chi-squared."""
    low, high = scipy.stats.chi2.ppf([(1 - confidence) / 2, (1 + confidence) / 2], n - 1)
    return Index(pp, pp * math.sqrt(low / (n - 1)), pp * math.sqrt(high / (n - 1)))


def performance(values: Floats, lower: float, upper: float) -> Performance:
    """Pp and Ppk of readings between limits.

    Parameters
    ----------
    values : shape (n,)
        `FEWEST` or more finite readings, not all equal.
    lower, upper
        -inf or +inf where that side is open.

    References
    ----------
    ISO 22514-2:2017.
    """
    _, normal_p = anderson_darling(values)
    if normal_p < NORMAL_ABOVE:
        return Performance(*_drawn_again(values, lower, upper), normal_p)
    mean, sigma = np.mean(values), np.std(values, ddof=1)
    pp, ppk = (float(index) for index in _indices(mean, sigma, lower, upper))
    return Performance(normal_pp(pp, values.size), bissell(ppk, values.size), normal_p)


def _indices(mean: Any, sigma: Any, lower: float, upper: float) -> tuple[Any, Any]:
    is_closed = math.isfinite(lower) and math.isfinite(upper)
    pp = (upper - lower) / (2 * SIGMAS * sigma) if is_closed else NAN * sigma
    return pp, np.minimum(upper - mean, mean - lower) / (SIGMAS * sigma)


def _drawn_again(values: Floats, lower: float, upper: float) -> tuple[Index, Index]:
    """Both indices with intervals from samples drawn from the readings themselves (percentiles).

    References
    ----------
    Efron, Tibshirani, An introduction to the bootstrap (1993), chapter 13.
    """
    n = values.size
    off = values - np.mean(values)
    drawn = np.random.default_rng(0).multinomial(n, np.full(n, 1 / n), size=SAMPLES)
    counts = np.vstack([np.ones(n), drawn])
    mean = counts @ off / n
    # A sample's spread is too small by what its mean takes up, as that of the readings is by n - 1.
    sigma = np.sqrt(np.maximum(counts @ off**2 / n - mean**2, np.finfo(float).tiny) * n / (n - 1))
    sigma[1:] *= math.sqrt(n / (n - 1))
    pp, ppk = _indices(mean + np.mean(values), sigma, lower, upper)
    return _percentiles(pp), _percentiles(ppk)


def _percentiles(found: Floats) -> Index:
    if not np.all(np.isfinite(found)):
        return Index()
    edges = np.quantile(found[1:], [(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2])
    return Index(float(found[0]), float(edges[0]), float(edges[1]))
