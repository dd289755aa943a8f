"""A frequency weighting, IEC 61672-1:2013, annex E."""

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.levels import db_spl

#: IEC 61672-1:2013, annex E: where the weightings are 0 dB, and what their poles are made of.
_REFERENCE_HZ = 1000.0
_LOW_HZ, _HIGH_HZ, _A_HZ = 10**1.5, 10**3.9, 10**2.45


def pole_frequencies_hz() -> tuple[float, float, float, float]:
    """Pole frequencies f1 to f4 of the weightings, in Hz (IEC 61672-1:2013, E.2 to E.4)."""
    half = math.sqrt(0.5)
    b = _REFERENCE_HZ**2 + (_LOW_HZ * _HIGH_HZ / _REFERENCE_HZ) ** 2 - half * (_LOW_HZ**2 + _HIGH_HZ**2)
    b /= 1 - half
    root = math.sqrt(b**2 - 4 * (_LOW_HZ * _HIGH_HZ) ** 2)
    return (
        math.sqrt((-b - root) / 2),
        (3 - math.sqrt(5)) / 2 * _A_HZ,
        (3 + math.sqrt(5)) / 2 * _A_HZ,
        math.sqrt((-b + root) / 2),
    )


def _a_ratio(frequency_hz: Floats) -> Floats:
    first, second, third, fourth = pole_frequencies_hz()
    square = frequency_hz**2
    c_ratio = fourth**2 * square / ((square + first**2) * (square + fourth**2))
    ratio: Floats = c_ratio * square / np.sqrt((square + second**2) * (square + third**2))
    return ratio


def a_weighting(frequency_hz: ArrayLike) -> Floats:
    """A weighting as an amplitude factor, 1 at 1 kHz (IEC 61672-1:2013, equation E.6); any shape.

    Raises
    ------
    ValueError
        If a frequency is negative.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    if not np.all(frequency >= 0):
        raise ValueError(f"frequencies must not be negative, found {np.min(frequency)} Hz")
    return _a_ratio(frequency) / _a_ratio(np.asarray(_REFERENCE_HZ))


def a_weighting_db(frequency_hz: ArrayLike) -> Floats:
    """A weighting in dB, minus infinity at 0 Hz; errors as `a_weighting`."""
    with np.errstate(divide="ignore"):
        level: Floats = 20 * np.log10(a_weighting(frequency_hz))
    return level


def a_weighted_level_db_spl(pressure_pa: ArrayLike, sample_rate_hz: float) -> Floats:
    """Equivalent A-weighted level of recordings, LAeq.

    The weighting is applied to the spectrum of the whole recording, with the magnitudes of the standard's formula up
    to half the sample rate; the time weighting is that of the mean square over the recording.

    Parameters
    ----------
    pressure_pa : array_like, shape (..., frames)
        Sound pressure in Pa.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (...)
        Level in dB re 20 uPa; minus infinity for silence.

    Raises
    ------
    ValueError
        If a recording is empty.
    """
    pressure = np.asarray(pressure_pa, np.float64)
    frames = pressure.shape[-1]
    if frames == 0:
        raise ValueError("a recording of 0 frames has no level")
    gain = a_weighting(scipy.fft.rfftfreq(frames, 1 / sample_rate_hz))
    spectrum = scipy.fft.rfft(pressure, axis=-1)
    power = (spectrum.real**2 + spectrum.imag**2) * gain**2
    # Parseval: every line but the first, and the last of an even length, stands for two.
    mirrored = slice(1, -1 if frames % 2 == 0 else None)
    total = np.sum(power, axis=-1) + np.sum(power[..., mirrored], axis=-1)
    return db_spl(np.sqrt(total) / frames)
