"""The range of a few normally distributed readings: d2, d3 and d2* of control charts and gauge studies."""

import math
from functools import lru_cache

import numpy as np
import scipy


@lru_cache(maxsize=64)
def range_moments(count: int) -> tuple[float, float]:
    """Mean and mean square of the range of `count` readings with a standard deviation of 1.

    The mean is d2; d3 is the standard deviation, `sqrt(mean square - d2**2)`; d2* for a single range is the root of the
    mean square.

    Raises
    ------
    ValueError
        If count is below 2 or above 1000.

    References
    ----------
    Tippett, On the extreme individuals and the range of samples taken from a normal population, Biometrika 17 (1925).
    """
    if not 2 <= count <= 1000:
        raise ValueError(f"found {count} readings; allowed: 2 to 1000")
    # Density of the range r: n (n - 1) times the integral over the lowest reading x of phi(x) phi(x + r)
    # (Phi(x + r) - Phi(x))**(n - 2). In x all derivatives vanish at both ends, so that equal steps are exact enough.
    nodes, weights = np.polynomial.legendre.leggauss(120)
    ranges, weights = 8 * (nodes + 1), 8 * weights
    lowest = np.linspace(-12, 8, 2001)[:, np.newaxis]
    inside = scipy.stats.norm.cdf(lowest + ranges) - scipy.stats.norm.cdf(lowest)
    joint = scipy.stats.norm.pdf(lowest) * scipy.stats.norm.pdf(lowest + ranges) * inside ** (count - 2)
    density = count * (count - 1) * joint.sum(axis=0) * (lowest[1, 0] - lowest[0, 0])
    mean, square = (float(np.sum(weights * density * ranges**power)) for power in (1, 2))
    if not math.isclose(float(np.sum(weights * density)), 1.0, abs_tol=1e-9):
        raise ArithmeticError(f"the distribution of the range of {count} readings could not be integrated")
    return mean, square
