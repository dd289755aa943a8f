"""Levels in decibels, their conversions, and the alignment of one curve to another."""

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats, Singles

#: Reference sound pressure in air (ISO 1683).
REFERENCE_PRESSURE_PA = 20e-6


def db(ratio: ArrayLike) -> Floats:
    """Level of amplitude ratios, ``20 lg |ratio|`` in dB; minus infinity at 0; real or complex, any shape."""
    with np.errstate(divide="ignore"):
        level: Floats = 20 * np.log10(np.abs(np.asarray(ratio)).astype(np.float64))
    return level


def power_db(ratio: ArrayLike) -> Floats:
    """Level of power ratios, ``10 lg ratio`` in dB; minus infinity at 0."""
    power = np.asarray(ratio, np.float64)
    with np.errstate(divide="ignore"):
        level: Floats = 10 * np.log10(power)
    return level


def amplitude_ratio(level_db: ArrayLike) -> Floats:
    """Amplitude ratio of a level in dB, ``10**(level / 20)``."""
    ratio: Floats = 10 ** (np.asarray(level_db, np.float64) / 20)
    return ratio


def rms(signal: ArrayLike) -> Floats:
    """Root mean square over the last axis.

    Raises
    ------
    ValueError
        If the last axis is empty.
    """
    array = np.asarray(signal, np.float64)
    if array.ndim == 0 or array.shape[-1] == 0:
        raise ValueError(f"rms needs frames on the last axis, found shape {array.shape}")
    root: Floats = np.sqrt(np.mean(array**2, axis=-1))
    return root


def db_spl(pressure_rms_pa: ArrayLike) -> Floats:
    """Sound pressure level in dB re 20 uPa of an rms pressure in Pa."""
    return db(np.asarray(pressure_rms_pa, np.float64) / REFERENCE_PRESSURE_PA)


def pressure_pa(level_db_spl: ArrayLike) -> Floats:
    """Rms pressure in Pa of a sound pressure level in dB re 20 uPa."""
    return REFERENCE_PRESSURE_PA * amplitude_ratio(level_db_spl)


def align_level_db(
    curve_db: ArrayLike, reference_db: ArrayLike, frequency_hz: ArrayLike, band_hz: tuple[float, float]
) -> Floats:
    """Mean difference between curves and a reference over the logarithm of frequency in a band.

    Parameters
    ----------
    curve_db : array_like, shape (..., frequencies)
        Curves in dB.
    reference_db : array_like, shape (frequencies,) or broadcastable
        Reference in dB on the same frequencies.
    frequency_hz : array_like, shape (frequencies,)
        Ascending frequencies in Hz.
    band_hz : tuple of float
        Band over which the mean is taken, within the frequencies. Its ends are interpolated.

    Returns
    -------
    ndarray, shape (...)
        Mean of curve minus reference in dB; subtract it from the curve to lay it on the reference. NaN if the
        curve or reference is NaN in the band.

    Raises
    ------
    ValueError
        If the band is empty or reaches outside the frequencies, or these do not ascend from above 0 Hz.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    if frequency.size < 2 or not (frequency[0] > 0 and np.all(np.diff(frequency) > 0)):
        raise ValueError("frequency_hz must ascend from above 0 Hz and hold at least 2 frequencies")
    low, high = band_hz
    if not frequency[0] * (1 - 1e-9) <= low < high <= frequency[-1] * (1 + 1e-9):
        raise ValueError(
            f"band_hz must lie within {frequency[0]} Hz to {frequency[-1]} Hz, found {low} Hz to {high} Hz"
        )
    difference = np.asarray(curve_db, np.float64) - np.asarray(reference_db, np.float64)
    inner = frequency[(frequency > low) & (frequency < high)]
    at = np.log(np.clip(np.concatenate(([low], inner, [high])), frequency[0], frequency[-1]))
    grid = np.log(frequency)
    index = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, grid.size - 2)
    part = (at - grid[index]) / (grid[index + 1] - grid[index])
    # At a grid point, take the point alone: a neighbour outside the band may be NaN.
    left = np.where(part < 1, difference[..., index], 0.0) * (1 - part)
    right = np.where(part > 0, difference[..., index + 1], 0.0) * part
    mean: Floats = np.trapezoid(left + right, at, axis=-1) / (at[-1] - at[0])
    return mean


#: Steps from zero to the peak of what is kept to be listened to: 16 bits, as on a compact disc; finer ones would take
#: half of the room and nobody hears them; our choice.
HEARD_STEPS = 1 << 15


def to_listen_to(samples: ArrayLike) -> Singles:
    """Samples, shape (n,), rounded to what an ear can tell below their own peak; unchanged where one is not finite.

    The step is a power of two, so that it stays whole at any level.
    """
    exact = np.asarray(samples, np.float64)
    peak = float(np.max(np.abs(exact), initial=0.0))
    if not 0 < peak < np.inf:
        return exact.astype(np.float32)
    step = 2.0 ** np.ceil(np.log2(peak)) / HEARD_STEPS
    # A zero without a sign, which no format of audio has.
    heard: Floats = np.round(exact / step) * step + 0.0
    return heard.astype(np.float32)
