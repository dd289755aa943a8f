"""Does a measured value conform? Probability of conformity and decision rules after JCGM 106:2012."""

from typing import Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

Rule = Literal["simple", "guarded", "risk"]
Floats = NDArray[np.float64]


def probability_of_conformity(value: ArrayLike, uncertainty: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> Floats:
    """Probability that the true value lies within its limits, given a normally distributed measured one.

    ``Phi((upper - value) / u) - Phi((lower - value) / u)``, JCGM 106:2012, 7.2 to 7.4, with no knowledge of the
    quantity but the measurement. An uncertainty of zero gives 1 inside and on the limits, 0 outside.

    Parameters
    ----------
    value, uncertainty, lower, upper : array_like
        Measured value, its standard uncertainty, the limits (infinite where there is none); broadcast together.

    Returns
    -------
    ndarray
        NaN where the value or its uncertainty is NaN.

    Raises
    ------
    ValueError
        If an uncertainty is negative.
    """
    y, u, low, high = (np.asarray(x, np.float64) for x in (value, uncertainty, lower, upper))
    if np.any(u < 0):
        raise ValueError(f"an uncertainty cannot be negative, found {np.min(u):g}")
    inside = ((y >= low) & (y <= high)).astype(np.float64)
    safe = np.where(u > 0, u, 1.0)
    # Both tails from the side on which they are small; far out the quotient may be infinite, and rightly so.
    with np.errstate(over="ignore"):
        below, above = scipy.special.ndtr((low - y) / safe), scipy.special.ndtr((y - high) / safe)
    probability = np.where(u > 0, np.clip(1 - below - above, 0, 1), inside)
    return np.where(np.isnan(y) | np.isnan(u), np.nan, probability)


def decide(
    value: ArrayLike,
    uncertainty: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    rule: Rule = "simple",
    *,
    guard: float = 1.0,
    risk: float = 0.025,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether values are accepted, and whether they are rejected; what is neither is too near to a limit to tell.

    simple
        Accepted within the limits, both included, whatever the uncertainty; rejected outside (JCGM 106:2012, 8.2).
    guarded
        A guard band of ``guard`` times the expanded uncertainty (k = 2) on both sides of each limit (JCGM 106:2012,
        8.3.2 and 8.3.3): accepted when inside by it, rejected when outside by it.
    risk
        Accepted when the probability of not conforming is at most ``risk``, rejected when that of conforming is.

    Parameters
    ----------
    value, uncertainty, lower, upper : array_like
        As for `probability_of_conformity`.
    rule, guard, risk
        The decision rule and what belongs to it.

    Returns
    -------
    accepted, rejected : ndarray of bool
        Neither where the value, or under the last two rules the uncertainty, is NaN.
    """
    y, u, low, high = np.broadcast_arrays(*(np.asarray(x, np.float64) for x in (value, uncertainty, lower, upper)))
    margin = np.minimum(y - low, high - y)
    if rule == "simple":
        return np.asarray(margin >= 0), np.asarray(margin < 0)
    if rule == "guarded":
        band = guard * 2 * u
        return np.asarray(margin >= band), np.asarray(margin < -band)
    conform = probability_of_conformity(y, u, low, high)
    return np.asarray(conform >= 1 - risk), np.asarray(conform <= risk)
