"""What rings in a unit: resonances of its cone, and the filter that takes their ringing out again.

A contact sets the cone ringing where it breaks up, for as long as its resonances last; so do the unit's own harmonics
when they pass there. The poles of these resonances are the same whatever excites them, and the sweep itself shows them:
an all-pole model of the linear response's fine structure is their ringing, its inverse a short filter that ends it
(linear prediction: Makhoul, Proc. IEEE 63(4), 1975; of resonances in the way of impulses: Endo and Randall, Mechanical
Systems and Signal Processing 21(2), 2007).
"""

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.gating import half_cosine
from rig.signals.smoothing import smooth_power
from rig.signals.tracking import HIGHEST_OF_RATE, LOWEST_HZ

#: Of the linear response so much is looked at: a resonance of a cone has died away by then, a room has not (our
#: choice).
LASTS_S = 0.02
EARLY_S = 0.0005
#: Coarser structure than this part of an octave is the unit's response, none of its ringing (our choice).
COARSE_FRACTION = 1
#: Poles: two a resonance, for more of these than a cone shows (common practice, no source).
POLES = 32


def ringing_filter(impulse: ArrayLike, sample_rate_hz: float, arrival_s: float) -> Floats:
    """Taps of a filter that takes the ringing of a unit's resonances out of its sound.

    Parameters
    ----------
    impulse : array_like, shape (frames,)
        Linear impulse response, from any time before its arrival.
    sample_rate_hz : float
        Sample rate in Hz.
    arrival_s : float
        When it arrives, from its first frame.

    Returns
    -------
    ndarray, shape (POLES + 1,)
        The first is 1. Of a response without resonances the others are near 0.
    """
    response = np.asarray(impulse, np.float64)
    first = max(0, round((arrival_s - EARLY_S) * sample_rate_hz))
    piece = response[first : first + round((EARLY_S + LASTS_S) * sample_rate_hz)]
    piece = piece * half_cosine(2 * (1 - np.arange(piece.size) / piece.size))
    size = 2 ** math.ceil(math.log2(4 * piece.size))
    power = np.abs(scipy.fft.rfft(piece, size)) ** 2
    line_hz = np.asarray(scipy.fft.rfftfreq(size, 1 / sample_rate_hz))
    low_hz, high_hz = LOWEST_HZ[0], HIGHEST_OF_RATE[1] * sample_rate_hz
    inside = (line_hz >= low_hz) & (line_hz <= high_hz)
    at_hz = np.geomspace(low_hz, high_hz, 48)
    coarse = np.interp(line_hz, at_hz, smooth_power(power[1:], line_hz[1:], at_hz, COARSE_FRACTION))
    fine = np.where(inside, power / np.maximum(coarse, 1e-300), 1.0)
    # Dips do not ring, and a filter that fills them would lift the noise there.
    alike = scipy.fft.irfft(np.maximum(fine, 1.0), size)[: POLES + 1]
    return np.concatenate(([1.0], -scipy.linalg.solve_toeplitz(alike[:-1], alike[1:])))
