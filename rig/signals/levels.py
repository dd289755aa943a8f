"""Levels in decibels, their conversions, and the alignment of one curve to another."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

REFERENCE_PRESSURE_PA = 20e-6
"""Reference sound pressure in air (ISO 1683)."""
REFERENCE_DBU_V = math.sqrt(0.6)
"""Voltage of 0 dBu: 1 mW into 600 ohm."""


def db(ratio: ArrayLike) -> Array:
    """Level of amplitude ratios, ``20 lg |ratio|`` in dB; minus infinity at 0; real or complex, any shape."""
    with np.errstate(divide="ignore"):
        level: Array = 20 * np.log10(np.abs(np.asarray(ratio)).astype(np.float64))
    return level


def power_db(ratio: ArrayLike) -> Array:
    """Level of power ratios, ``10 lg ratio`` in dB; minus infinity at 0.

    Raises
    ------
    ValueError
        If a ratio is negative.
    """
    power = np.asarray(ratio, np.float64)
    if np.any(power < 0):
        raise ValueError(f"power ratios must not be negative, found {np.min(power)}")
    with np.errstate(divide="ignore"):
        level: Array = 10 * np.log10(power)
    return level


def amplitude_ratio(level_db: ArrayLike) -> Array:
    """Amplitude ratio of a level in dB, ``10**(level / 20)``."""
    ratio: Array = 10 ** (np.asarray(level_db, np.float64) / 20)
    return ratio


def power_ratio(level_db: ArrayLike) -> Array:
    """Power ratio of a level in dB, ``10**(level / 10)``."""
    ratio: Array = 10 ** (np.asarray(level_db, np.float64) / 10)
    return ratio


def rms(signal: ArrayLike) -> Array:
    """Root mean square over the last axis.

    Raises
    ------
    ValueError
        If the last axis is empty.
    """
    array = np.asarray(signal, np.float64)
    if array.ndim == 0 or array.shape[-1] == 0:
        raise ValueError(f"rms needs frames on the last axis, found shape {array.shape}")
    root: Array = np.sqrt(np.mean(array**2, axis=-1))
    return root


def peak(signal: ArrayLike) -> Array:
    """Greatest magnitude over the last axis; errors as `rms`."""
    array = np.asarray(signal, np.float64)
    if array.ndim == 0 or array.shape[-1] == 0:
        raise ValueError(f"peak needs frames on the last axis, found shape {array.shape}")
    greatest: Array = np.max(np.abs(array), axis=-1)
    return greatest


def crest_factor_db(signal: ArrayLike) -> Array:
    """Peak over rms in dB over the last axis; NaN for silence; errors as `rms`."""
    with np.errstate(invalid="ignore"):
        return db(peak(signal) / rms(signal))


def db_spl(pressure_rms_pa: ArrayLike) -> Array:
    """Sound pressure level in dB re 20 uPa of an rms pressure in Pa."""
    return db(np.asarray(pressure_rms_pa, np.float64) / REFERENCE_PRESSURE_PA)


def pressure_pa(level_db_spl: ArrayLike) -> Array:
    """Rms pressure in Pa of a sound pressure level in dB re 20 uPa."""
    return REFERENCE_PRESSURE_PA * amplitude_ratio(level_db_spl)


def dbv(voltage_v: ArrayLike) -> Array:
    """Level of an rms voltage in dB re 1 V."""
    return db(voltage_v)


def dbu(voltage_v: ArrayLike) -> Array:
    """Level of an rms voltage in dB re 0.7746 V."""
    return db(np.asarray(voltage_v, np.float64) / REFERENCE_DBU_V)


def distance_change_db(from_m: ArrayLike, to_m: ArrayLike) -> Array:
    """Change of the level of a point source in the free field when the distance changes (inverse square law).

    Raises
    ------
    ValueError
        If a distance is not positive.
    """
    old, new = np.asarray(from_m, np.float64), np.asarray(to_m, np.float64)
    if not (np.all(old > 0) and np.all(new > 0)):
        raise ValueError(f"distances must be above 0 m, found {from_m!r} and {to_m!r}")
    return db(old / new)


def incoherent_sum_db(level_db: ArrayLike) -> Array:
    """Level of the sum of incoherent sources over the last axis: their powers add."""
    return power_db(np.sum(power_ratio(level_db), axis=-1))


def background_correction_db(total_db: ArrayLike, noise_db: ArrayLike) -> Array:
    """Correction to be added to a level that holds a known noise, ``10 lg(1 - 10**(-d / 10))``, d = total - noise.

    Returns
    -------
    ndarray
        Correction in dB, negative (ISO 3744:2010, K1 with the sign reversed); NaN where the noise is as loud as the
        total, since nothing is known of the signal then.
    """
    excess = np.asarray(total_db, np.float64) - np.asarray(noise_db, np.float64)
    left = 1 - power_ratio(-np.where(excess > 0, excess, np.nan))
    return power_db(left)


def align_level_db(
    curve_db: ArrayLike, reference_db: ArrayLike, frequency_hz: ArrayLike, band_hz: tuple[float, float]
) -> Array:
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
    mean: Array = np.trapezoid(left + right, at, axis=-1) / (at[-1] - at[0])
    return mean
