"""The synchronised exponential sweep: what is played, and where its frequencies and harmonics lie in time.

The phase is ``2 pi start_hz L exp(t / L)`` with ``L = seconds / ln(stop_hz / start_hz)`` and t = 0 where the
sweep passes start_hz (Novak, Lotton and Simon, JAES 63(10), 2015). The N-th harmonic of such a sweep is the same
sweep advanced by ``L ln N``, in phase as well as in frequency.

The sweep runs beyond the band asked for, so that the band is usable to its very ends: from one and a quarter octaves
below start_hz, and to a quarter of an octave above stop_hz or 0.475 of the sample rate, whichever is lower. It fades
in over the first half octave, and out over the outer half (in octaves) of the upper margin. The lower margin is wide
because the second harmonic of start_hz must be told from the edge at which second harmonics begin.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.signals.gating import half_cosine

Array = NDArray[np.float64]

LOWER_MARGIN = 2.0**1.25
"""Frequency ratio from the first frequency played to start_hz."""
LOWER_FADE = 2.0**0.5
"""Frequency ratio over which the sweep fades in."""
UPPER_MARGIN = 2.0**0.25
"""Largest frequency ratio from stop_hz to the last frequency played."""
HIGHEST_OF_RATE = 0.475
"""The last frequency played never exceeds this part of the sample rate."""
HIGHEST_STOP_OF_RATE = 0.46
"""stop_hz may not exceed this part of the sample rate, or no room is left to fade out."""


def sweep_rate_s(start_hz: float, stop_hz: float, seconds: float) -> float:
    """Time in which the sweep's frequency grows by a factor e.

    Parameters
    ----------
    start_hz, stop_hz : float
        Ends of the band, in Hz.
    seconds : float
        Time from start_hz to stop_hz.

    Returns
    -------
    float
        L = seconds / ln(stop_hz / start_hz), in seconds (Farina, AES 108th Convention, 2000).

    Raises
    ------
    ValueError
        If the band is empty or not positive, or the time not positive.
    """
    if not (math.isfinite(start_hz) and math.isfinite(stop_hz) and 0 < start_hz < stop_hz):
        raise ValueError(f"a sweep needs 0 < start_hz < stop_hz, found {start_hz} Hz to {stop_hz} Hz")
    if not (math.isfinite(seconds) and seconds > 0):
        raise ValueError(f"a sweep needs a time above 0 s, found {seconds} s")
    return seconds / math.log(stop_hz / start_hz)


def played_band_hz(start_hz: float, stop_hz: float, sample_rate_hz: float) -> tuple[float, float]:
    """First and last frequency that is played, margins included.

    Parameters
    ----------
    start_hz, stop_hz : float
        Ends of the band, in Hz.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    tuple of float
        Lowest and highest frequency in Hz.

    Raises
    ------
    ValueError
        If the band is empty or stop_hz exceeds 0.46 of the sample rate.
    """
    sweep_rate_s(start_hz, stop_hz, 1.0)
    if not stop_hz <= HIGHEST_STOP_OF_RATE * sample_rate_hz:
        raise ValueError(
            f"stop_hz may be at most {HIGHEST_STOP_OF_RATE} of the sample rate "
            f"({HIGHEST_STOP_OF_RATE * sample_rate_hz:g} Hz at {sample_rate_hz:g} Hz), found {stop_hz:g} Hz"
        )
    return start_hz / LOWER_MARGIN, min(stop_hz * UPPER_MARGIN, HIGHEST_OF_RATE * sample_rate_hz)


def sweep_margins(start_hz: float, stop_hz: float, seconds: float, sample_rate_hz: float) -> tuple[int, int]:
    """Frames that are played before start_hz is reached and after stop_hz is passed.

    Parameters
    ----------
    start_hz, stop_hz, seconds : float
        Band in Hz and time from one end to the other.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    tuple of int
        Frames of the lead-in and of the lead-out. The sweep passes start_hz exactly at the frame whose number is
        the lead-in.

    Raises
    ------
    ValueError
        As `sweep_rate_s` and `played_band_hz`.
    """
    rate_s = sweep_rate_s(start_hz, stop_hz, seconds)
    lowest_hz, highest_hz = played_band_hz(start_hz, stop_hz, sample_rate_hz)
    lead_in = round(rate_s * math.log(start_hz / lowest_hz) * sample_rate_hz)
    lead_out = int(rate_s * math.log(highest_hz / stop_hz) * sample_rate_hz)
    return lead_in, lead_out


def sweep_frames(start_hz: float, stop_hz: float, seconds: float, sample_rate_hz: float) -> int:
    """Number of frames of `synchronised_sweep`, margins included (same parameters, same errors)."""
    lead_in, lead_out = sweep_margins(start_hz, stop_hz, seconds, sample_rate_hz)
    return lead_in + round(seconds * sample_rate_hz) + lead_out + 1


def sweep_times_s(start_hz: float, stop_hz: float, seconds: float, sample_rate_hz: float) -> Array:
    """Time of every frame of the sweep, in seconds from the passing of start_hz: negative in the lead-in."""
    lead_in, _ = sweep_margins(start_hz, stop_hz, seconds, sample_rate_hz)
    return (np.arange(sweep_frames(start_hz, stop_hz, seconds, sample_rate_hz)) - lead_in) / sample_rate_hz


def instantaneous_phase_rad(time_s: ArrayLike, start_hz: float, stop_hz: float, seconds: float) -> Array:
    """Phase of the sweep, ``2 pi start_hz L exp(t / L)`` (Novak, Lotton and Simon, JAES 63(10), 2015).

    Parameters
    ----------
    time_s : array_like
        Times in seconds from the passing of start_hz; any shape.
    start_hz, stop_hz, seconds : float
        Band in Hz and time from one end to the other.

    Returns
    -------
    ndarray
        Phase in radians, not wrapped, in the shape of time_s. The sweep is its sine.

    Raises
    ------
    ValueError
        As `sweep_rate_s`.
    """
    rate_s = sweep_rate_s(start_hz, stop_hz, seconds)
    phase: Array = 2 * np.pi * start_hz * rate_s * np.exp(np.asarray(time_s, dtype=np.float64) / rate_s)
    return phase


def instantaneous_frequency_hz(time_s: ArrayLike, start_hz: float, stop_hz: float, seconds: float) -> Array:
    """Frequency of the sweep, ``start_hz exp(t / L)``; parameters and errors as `instantaneous_phase_rad`."""
    rate_s = sweep_rate_s(start_hz, stop_hz, seconds)
    frequency: Array = start_hz * np.exp(np.asarray(time_s, dtype=np.float64) / rate_s)
    return frequency


def time_of_frequency_s(frequency_hz: ArrayLike, start_hz: float, stop_hz: float, seconds: float) -> Array:
    """Time from the passing of start_hz at which the sweep passes a frequency: ``L ln(f / start_hz)``.

    Raises
    ------
    ValueError
        As `sweep_rate_s`, or if a frequency is not positive.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(frequency > 0):
        raise ValueError(f"frequencies must be above 0 Hz, found {np.min(frequency)} Hz")
    time: Array = sweep_rate_s(start_hz, stop_hz, seconds) * np.log(frequency / start_hz)
    return time


def harmonic_advance_s(order: ArrayLike, start_hz: float, stop_hz: float, seconds: float) -> Array:
    """Time by which the response of a harmonic lies before the linear one: ``L ln(order)``.

    Parameters
    ----------
    order : array_like
        Order of the harmonic, 1 for the fundamental; any shape.
    start_hz, stop_hz, seconds : float
        Band in Hz and time from one end to the other.

    Returns
    -------
    ndarray
        Advance in seconds (Farina, AES 108th Convention, 2000).

    Raises
    ------
    ValueError
        As `sweep_rate_s`, or if an order is below 1.
    """
    orders = np.asarray(order, dtype=np.float64)
    if not np.all(orders >= 1):
        raise ValueError(f"orders of harmonics start at 1, found {np.min(orders)}")
    advance: Array = sweep_rate_s(start_hz, stop_hz, seconds) * np.log(orders)
    return advance


def fade(frequency_hz: ArrayLike, start_hz: float, stop_hz: float, sample_rate_hz: float) -> Array:
    """Amplitude with which the sweep plays each frequency.

    0 outside the played band; half a cosine over the logarithm of frequency in the first half octave and in the outer
    half of the upper margin; 1 between.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies in Hz, above 0; any shape.
    start_hz, stop_hz : float
        Ends of the band, in Hz.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray
        Values from 0 to 1 in the shape of frequency_hz.

    Raises
    ------
    ValueError
        As `played_band_hz`.
    """
    lowest_hz, highest_hz = played_band_hz(start_hz, stop_hz, sample_rate_hz)
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    rise = half_cosine(np.log(frequency / lowest_hz) / math.log(LOWER_FADE))
    return rise * half_cosine(2 * np.log(highest_hz / frequency) / math.log(highest_hz / stop_hz))


def synchronised_sweep(start_hz: float, stop_hz: float, seconds: float, sample_rate_hz: float) -> Array:
    """Synchronised exponential sweep with fades.

    Parameters
    ----------
    start_hz, stop_hz : float
        Band that the sweep must serve, in Hz.
    seconds : float
        Time from start_hz to stop_hz. The margins come on top: see `sweep_frames`.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (frames,)
        Sweep of amplitude 1.

    Raises
    ------
    ValueError
        If the band or the time is not usable at this sample rate.
    """
    time_s = sweep_times_s(start_hz, stop_hz, seconds, sample_rate_hz)
    frequency_hz = instantaneous_frequency_hz(time_s, start_hz, stop_hz, seconds)
    amplitude = fade(frequency_hz, start_hz, stop_hz, sample_rate_hz)
    return amplitude * np.sin(instantaneous_phase_rad(time_s, start_hz, stop_hz, seconds))


@lru_cache(maxsize=4)
def kept_sweep(start_hz: float, stop_hz: float, seconds: float, sample_rate_hz: float) -> Array:
    """`synchronised_sweep`, kept for the next call, so not to be written to; same parameters, same errors."""
    sent = synchronised_sweep(start_hz, stop_hz, seconds, sample_rate_hz)
    sent.flags.writeable = False
    return sent
