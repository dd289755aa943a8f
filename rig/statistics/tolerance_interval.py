"""Tolerance factors of the normal distribution: limits around a few builds that hold for most of those to come.

With the mean m and the standard deviation s of n builds, the interval m - k s to m + k s holds at least a share p of
all builds (the coverage) with the probability gamma (the confidence).
"""

import math
from collections.abc import Callable

import numpy as np
import scipy
from numpy.typing import NDArray

#: Standard normal deviations beyond this have no weight (1e-18); numerical.
FARTHEST = 9.0


def two_sided_factor(builds: int, coverage: float, confidence: float) -> float:
    """Factor k of a two-sided tolerance interval, exact by integration over the mean.

    Parameters
    ----------
    builds : int
        n, at least 2.
    coverage : float
        p, the share of all builds that the interval is to hold; above 0.5 and below 1.
    confidence : float
        gamma; from 0.5 and below 1.

    Notes
    -----
    Between the mean of the builds and the true mean lie z / sqrt(n) standard
    deviations, z normal; the interval then holds the share p if it reaches out to r(z), where
    ``Phi(z / sqrt(n) + r) - Phi(z / sqrt(n) - r) = p``. k solves
    ``E_z[P(chi2_(n-1) > (n - 1) r(z)**2 / k**2)] = gamma``.

    Raises
    ------
    ValueError
        If a parameter is out of its range.

    References
    ----------
    Odeh, Owen, Tables for Normal Tolerance Limits, Sampling Plans, and Screening, Marcel Dekker 1980; ISO 16269-6:2014.
    """
    _check(builds, coverage, confidence)
    z, step = np.linspace(-FARTHEST, FARTHEST, 1801, retstep=True)
    weights = scipy.stats.norm.pdf(z) * step
    reach = _reach(z / math.sqrt(builds), coverage)

    def excess(k: float) -> float:
        held = scipy.stats.chi2.sf((builds - 1) * (reach / k) ** 2, builds - 1)
        return float(np.sum(weights * held)) - confidence

    return _solved(excess)


def _reach(off: NDArray[np.float64], coverage: float) -> NDArray[np.float64]:
    """Half the width of the interval around `off` that holds a share of the standard normal distribution.

    Newton's method from below on a curve that is concave there: it never overshoots.
    """
    reach = np.abs(off) + scipy.stats.norm.ppf(coverage)
    for _ in range(40):
        held = scipy.stats.norm.cdf(off + reach) - scipy.stats.norm.cdf(off - reach)
        reach = reach + (coverage - held) / (scipy.stats.norm.pdf(off + reach) + scipy.stats.norm.pdf(off - reach))
    return np.asarray(reach, dtype=np.float64)


def _check(builds: int, coverage: float, confidence: float) -> None:
    if builds != int(builds) or not 2 <= builds <= 100000:
        raise ValueError(f"builds: found {builds}; allowed: a whole number, 2 to 100000")
    if not 0.5 < coverage < 1:
        raise ValueError(f"coverage: found {coverage}; allowed: above 0.5 and below 1")
    if not 0.5 <= confidence < 1:
        raise ValueError(f"confidence: found {confidence}; allowed: from 0.5 and below 1")


def _solved(excess: Callable[[float], float]) -> float:
    """The factor at which a confidence, which grows with it, is the wanted one."""
    low, high = 1e-3, 10.0
    while excess(high) < 0:
        low, high = high, 10 * high
    return float(scipy.optimize.brentq(excess, low, high, xtol=1e-10, rtol=1e-12))
