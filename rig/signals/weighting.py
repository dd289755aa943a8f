"""A and C frequency weighting, IEC 61672-1:2013, annex E."""

import math
from typing import Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from rig.signals.levels import db_spl

Array = NDArray[np.float64]

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


def _c_ratio(frequency_hz: Array) -> Array:
    first, _, _, fourth = pole_frequencies_hz()
    square = frequency_hz**2
    ratio: Array = fourth**2 * square / ((square + first**2) * (square + fourth**2))
    return ratio


def _a_ratio(frequency_hz: Array) -> Array:
    _, second, third, _ = pole_frequencies_hz()
    square = frequency_hz**2
    ratio: Array = _c_ratio(frequency_hz) * square / np.sqrt((square + second**2) * (square + third**2))
    return ratio


def _gain(frequency_hz: ArrayLike, weighting: Literal["A", "C", "Z"]) -> Array:
    """Amplitude factor of a weighting, 1 at 1 kHz."""
    frequency, reference = np.asarray(frequency_hz, np.float64), np.asarray(_REFERENCE_HZ)
    if not np.all(frequency >= 0):
        raise ValueError(f"frequencies must not be negative, found {np.min(frequency)} Hz")
    if weighting == "A":
        return _a_ratio(frequency) / _a_ratio(reference)
    if weighting == "C":
        return _c_ratio(frequency) / _c_ratio(reference)
    if weighting == "Z":
        return np.ones_like(frequency)
    raise ValueError(f"weighting must be 'A', 'C' or 'Z', found {weighting!r}")


def a_weighting_db(frequency_hz: ArrayLike) -> Array:
    """A weighting in dB, 0 dB at 1 kHz (IEC 61672-1:2013, equation E.6); any shape, minus infinity at 0 Hz.

    Raises
    ------
    ValueError
        If a frequency is negative.
    """
    with np.errstate(divide="ignore"):
        level: Array = 20 * np.log10(_gain(frequency_hz, "A"))
    return level


def c_weighting_db(frequency_hz: ArrayLike) -> Array:
    """C weighting in dB, 0 dB at 1 kHz (IEC 61672-1:2013, equation E.1); any shape, minus infinity at 0 Hz.

    Raises
    ------
    ValueError
        If a frequency is negative.
    """
    with np.errstate(divide="ignore"):
        level: Array = 20 * np.log10(_gain(frequency_hz, "C"))
    return level


def weighted_level_db_spl(
    pressure_pa: ArrayLike, sample_rate_hz: float, weighting: Literal["A", "C", "Z"] = "A"
) -> Array:
    """Equivalent weighted level of recordings, e.g. LAeq.

    The weighting is applied to the spectrum of the whole recording, with the magnitudes of the standard's formula up
    to half the sample rate; the time weighting is that of the mean square over the recording.

    Parameters
    ----------
    pressure_pa : array_like, shape (..., frames)
        Sound pressure in Pa.
    sample_rate_hz : float
        Sample rate in Hz.
    weighting : {"A", "C", "Z"}
        Frequency weighting; Z is none.

    Returns
    -------
    ndarray, shape (...)
        Level in dB re 20 uPa; minus infinity for silence.

    Raises
    ------
    ValueError
        If the weighting is not known or a recording is empty.
    """
    pressure = np.asarray(pressure_pa, np.float64)
    frames = pressure.shape[-1]
    if frames == 0:
        raise ValueError("a recording of 0 frames has no level")
    gain = _gain(scipy.fft.rfftfreq(frames, 1 / sample_rate_hz), weighting)
    spectrum = scipy.fft.rfft(pressure, axis=-1)
    power = (spectrum.real**2 + spectrum.imag**2) * gain**2
    # Parseval: every line but the first, and the last of an even length, stands for two.
    mirrored = slice(1, -1 if frames % 2 == 0 else None)
    total = np.sum(power, axis=-1) + np.sum(power[..., mirrored], axis=-1)
    return db_spl(np.sqrt(total) / frames)
