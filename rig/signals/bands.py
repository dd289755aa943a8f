"""Fractional-octave bands of the base-ten system, IEC 61260-1:2014, clause 5."""

import math

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats

#: G, the frequency ratio of an octave in the base-ten system (IEC 61260-1, 5.2).
OCTAVE_RATIO = 10**0.3
#: Reference frequency (IEC 61260-1, 5.3).
REFERENCE_HZ = 1000.0
_NOMINAL_DECADE = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def mid_band_hz(index: ArrayLike, fraction: int) -> Floats:
    """Exact mid-band frequencies (IEC 61260-1, 5.4).

    Parameters
    ----------
    index : array_like of int
        Band numbers x, counted from the reference frequency; any shape.
    fraction : int
        Bands per octave b: 1 for octaves, 3 for thirds of an octave.

    Returns
    -------
    ndarray
        ``1000 G**(x / b)`` for odd b, ``1000 G**((2 x + 1) / (2 b))`` for even b, in Hz.
    """
    shift = 0.0 if fraction % 2 else 0.5
    mid: Floats = REFERENCE_HZ * OCTAVE_RATIO ** ((np.asarray(index, np.float64) + shift) / fraction)
    return mid


def band_edges_hz(mid_hz: ArrayLike, fraction: int) -> tuple[Floats, Floats]:
    """Lower and upper edges of bands, ``mid G**(-+1 / (2 b))`` (IEC 61260-1, 5.6)."""
    mid = np.asarray(mid_hz, np.float64)
    half = OCTAVE_RATIO ** (0.5 / fraction)
    return mid / half, mid * half


def mid_bands_hz(start_hz: float, stop_hz: float, fraction: int) -> Floats:
    """Exact mid-bands of all bands that lie wholly within a range.

    Parameters
    ----------
    start_hz, stop_hz : float
        Range in Hz. A band counts as inside if its edges pass the ends by no more than 1 part in 10**6.
    fraction : int
        Bands per octave.

    Returns
    -------
    ndarray, shape (bands,)
        Mid-band frequencies in Hz, ascending; empty if no band fits.
    """
    first, last = (math.log(end / REFERENCE_HZ, OCTAVE_RATIO) * fraction for end in (start_hz, stop_hz))
    mids = mid_band_hz(np.arange(math.floor(first) - 1, math.ceil(last) + 2), fraction)
    lower, upper = band_edges_hz(mids, fraction)
    return mids[(lower >= start_hz * (1 - 1e-6)) & (upper <= stop_hz * (1 + 1e-6))]


def nominal_hz(mid_hz: ArrayLike) -> Floats:
    """Nominal frequencies of octave and one-third-octave bands (IEC 61260-1, annex E; ISO 266).

    Parameters
    ----------
    mid_hz : array_like
        Exact mid-bands in Hz, to within a tenth of a one-third octave.

    Returns
    -------
    ndarray
        Nominal frequencies in Hz, in the shape of mid_hz.
    """
    steps = 10 * np.log10(np.asarray(mid_hz, np.float64) / REFERENCE_HZ)
    index = np.round(steps)
    decade, place = np.divmod(index.astype(np.int64), 10)
    nominal: Floats = np.asarray(_NOMINAL_DECADE)[place] * 10.0 ** (decade + 3)
    return nominal
