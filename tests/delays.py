"""Delays by any number of samples, for signals whose delay a test must know."""

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def fractional_delay(signal: ArrayLike, delay_samples: ArrayLike) -> Array:
    """Delay signals by any number of samples, band-limited (a turn of phase of the zero-padded spectrum).

    Parameters
    ----------
    signal : array_like, shape (..., frames)
        Signals, zero outside their frames.
    delay_samples : array_like, shape (...) or ()
        Delays in samples; negative moves to earlier times.

    Returns
    -------
    ndarray, shape (..., frames)
        Delayed signals, cut to the frames they came in.

    Raises
    ------
    ValueError
        If a delay is not finite.
    """
    array = np.asarray(signal, dtype=np.float64)
    delay = np.asarray(delay_samples, dtype=np.float64)
    if not np.all(np.isfinite(delay)):
        raise ValueError(f"delay_samples must be finite, found {delay}")
    frames = array.shape[-1]
    room = min(math.ceil(float(np.max(np.abs(delay), initial=0.0))), frames) + 1024
    length = scipy.fft.next_fast_len(frames + room, real=True)
    turn = np.exp(-2j * np.pi * scipy.fft.rfftfreq(length) * delay[..., np.newaxis])
    moved: Array = scipy.fft.irfft(scipy.fft.rfft(array, length, axis=-1) * turn, length, axis=-1)[..., :frames]
    # A delay longer than the signal would come around again.
    return np.where(np.abs(delay[..., np.newaxis]) >= frames, 0.0, moved)
