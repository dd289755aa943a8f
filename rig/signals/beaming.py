"""How wide a piston beams: its size out of levels aside of its axis. Arrays in, numbers out."""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.uncertainty import INDEPENDENT_PER_OCTAVE

#: Radii that are tried, over the expected one, and how many: steps of 0.6 %; numerical.
NARROWEST, WIDEST, TRIED = 0.3, 3.0, 400


@dataclass(frozen=True)
class Piston:
    """A radius as a fit found it."""

    radius_m: float
    #: Standard uncertainty from what the fit leaves.
    uncertainty_m: float
    #: RMS of what it leaves, in parts of the level on the axis.
    misfit: float


def piston_pattern(lag: ArrayLike) -> Floats:
    """Far-field pressure of a piston in a baffle over that on its axis, 2 J1(x) / x, for x = k a sin(angle).

    References
    ----------
    L. L. Beranek, "Acoustics" (1954), 4.5: -3 dB at x = 1.616, -6 dB at x = 2.215, nothing at x = 3.832.
    """
    x = np.maximum(np.abs(np.asarray(lag, np.float64)), 1e-9)
    return np.asarray(2 * scipy.special.j1(x) / x)


def fit_piston(
    ratio: ArrayLike, lag: ArrayLike, lag_on_axis: ArrayLike, expected_m: float, frequency_hz: ArrayLike
) -> Piston:
    """The radius whose pattern lies nearest to a measured one, times a constant (distances differ a little).

    Least squares of magnitudes, not of decibels: where a wide piston gives next to nothing its level is anything.

    Parameters
    ----------
    ratio : array_like, shape (n,)
        Magnitude aside over that on the axis.
    lag, lag_on_axis : array_like, shape (n,)
        k a sin(angle) of the expected radius a, at both places: a driver may stand beside the axis itself.
    expected_m : float
        That radius.
    frequency_hz : array_like, shape (n,)
        Ascending, evenly spaced on a logarithmic axis.
    """
    measured, frequency = np.asarray(ratio, np.float64), np.asarray(frequency_hz, np.float64)
    over = np.geomspace(NARROWEST, WIDEST, TRIED)
    aside, ahead = (piston_pattern(np.multiply.outer(over, np.asarray(one, np.float64))) for one in (lag, lag_on_axis))
    patterns = np.abs(aside) / np.maximum(np.abs(ahead), 0.1)
    gains = (patterns @ measured) / np.sum(patterns**2, axis=1)
    left = np.sum((measured - gains[:, np.newaxis] * patterns) ** 2, axis=1)
    best = int(np.argmin(left))
    # The curvature of the sum of squares over the logarithm of the radius.
    inner = min(max(best, 1), TRIED - 2)
    step = np.log(over[1] / over[0])
    curvature = float(left[inner - 1] - 2 * left[inner] + left[inner + 1]) / step**2
    moved = float(left[inner - 1] - left[inner + 1]) / 2 / step / curvature if curvature > 0 else 0.0
    independent = max(3.0, INDEPENDENT_PER_OCTAVE * float(np.log2(frequency[-1] / frequency[0])))
    variance = float(left[best]) / measured.size
    relative = np.sqrt(variance * measured.size / independent * 2 / curvature) if curvature > 0 else np.inf
    radius_m = expected_m * float(over[inner] * np.exp(np.clip(moved, -step, step)))
    return Piston(radius_m, radius_m * float(relative), float(np.sqrt(variance)))
