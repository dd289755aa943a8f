"""Time windows on impulse responses, and the frequency response of what is left.

Times are counted from the first sample of the array that is passed in.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from rig.signals.arrays import Complex, Floats
from rig.signals.kept import kept_by_value, planned_length

#: Part of the gate, at its end, over which it falls; our choice.
FALL_OF_GATE = 0.5
#: Periods of the lowest valid frequency that the gate must hold after the arrival; our choice.
VALID_PERIODS = 2.0


@dataclass(frozen=True)
class Gated:
    """An impulse response behind a gate, cut to the gate.

    Attributes
    ----------
    response : ndarray, shape (..., frames)
        Windowed impulse response.
    window : ndarray, shape (..., frames)
        The window it was multiplied by.
    first_s : float
        Time of the first frame in the array that was gated.
    time_zero_s : ndarray, shape (...)
        Arrival, counted from the first frame of `response`.
    length_s : float
        Length of the gate: from the arrival to its end.
    lowest_valid_hz : float
        Lowest frequency that the gated response can speak of: 2 / length_s.
    """

    response: Floats
    window: Floats
    first_s: float
    time_zero_s: Floats
    length_s: float
    lowest_valid_hz: float


def as_floats(signal: ArrayLike) -> NDArray[Any]:
    """Signal as it is where it is of single precision, and in double precision otherwise."""
    array = np.asarray(signal)
    return array if array.dtype == np.float32 else array.astype(np.float64, copy=False)


def half_cosine(position: ArrayLike) -> Floats:
    """Half a cosine rising from 0 at position 0 to 1 at position 1; constant outside."""
    at = np.asarray(position, dtype=np.float64)
    rise: Floats = np.array(np.clip(at, 0.0, 1.0))
    between = (rise > 0) & (rise < 1)
    # The flat parts of a window are most of it, and need no cosine.
    rise[between] = 0.5 - 0.5 * np.cos(np.pi * at[between])
    return rise


def gate_window(time_s: ArrayLike, rise_s: float, before_s: float, after_s: float, fall_s: float) -> Floats:
    """Window over time: half-cosine start, flat, half-cosine end.

    Parameters
    ----------
    time_s : array_like
        Times relative to the arrival, in seconds.
    rise_s : float
        Length of the rise, which begins at -before_s.
    before_s, after_s : float
        The window is 0 before -before_s and after after_s.
    fall_s : float
        Length of the fall, which ends at after_s.

    Returns
    -------
    ndarray
        Values from 0 to 1 in the shape of time_s.

    Raises
    ------
    ValueError
        If rise and fall are not positive or overlap.
    """
    if not (rise_s > 0 and fall_s > 0 and rise_s + fall_s <= before_s + after_s):
        raise ValueError(
            f"rise ({rise_s} s) and fall ({fall_s} s) must be above 0 and fit into the window "
            f"of {before_s} s before and {after_s} s after the arrival"
        )
    time = np.asarray(time_s, dtype=np.float64)
    return half_cosine((time + before_s) / rise_s) * half_cosine((after_s - time) / fall_s)


def gate(
    impulse_response: ArrayLike,
    sample_rate_hz: float,
    arrival_s: ArrayLike,
    before_s: float,
    after_s: float,
    fall_part: float = FALL_OF_GATE,
) -> Gated:
    """Keep what arrives within a gate around the arrival.

    The gate rises as half a cosine from before_s before the arrival to half of it, is flat, and falls as half a
    cosine over the last part of after_s.

    Parameters
    ----------
    impulse_response : array_like, shape (..., frames)
        Impulse responses.
    sample_rate_hz : float
        Sample rate in Hz.
    arrival_s : array_like, shape (...) or ()
        Arrival of each response, counted from its first frame.
    before_s : float
        Time kept before the arrival. At 48 kHz, 1 ms keeps the ringing of a band's edge at 20 kHz (0.1 dB there);
        with less room between stop_hz and half the sample rate, 2 ms does.
    after_s : float
        Time kept after the arrival: the length of the gate. Choose it shorter than the first reflection's delay.
    fall_part : float
        Part of after_s over which the gate falls, above 0 and at most 1.

    Returns
    -------
    Gated
        The windowed response and the lowest frequency it is valid at, 2 / after_s: the flat half of the gate holds
        one period of it (common practice, no source).

    Raises
    ------
    ValueError
        If the gate does not fit into the response, or an arrival is not finite.
    """
    response = np.asarray(impulse_response, dtype=np.float64)
    arrival = np.asarray(arrival_s, dtype=np.float64)
    frames = response.shape[-1]
    if not np.all(np.isfinite(arrival)):
        raise ValueError(f"arrival_s must be finite, found {arrival}")
    first = int(np.floor((np.min(arrival) - before_s) * sample_rate_hz))
    last = int(np.ceil((np.max(arrival) + after_s) * sample_rate_hz))
    if first < 0 or last >= frames:
        raise ValueError(
            f"a gate from {before_s} s before to {after_s} s after the arrival at {arrival} s does not fit "
            f"into a response of {frames / sample_rate_hz} s"
        )
    time_s = np.arange(first, last + 1) / sample_rate_hz - arrival[..., np.newaxis]
    window = gate_window(time_s, 0.5 * before_s, before_s, after_s, fall_part * after_s)
    return Gated(
        response=response[..., first : last + 1] * window,
        window=window,
        first_s=first / sample_rate_hz,
        time_zero_s=arrival - first / sample_rate_hz,
        length_s=after_s,
        lowest_valid_hz=VALID_PERIODS / after_s,
    )


def frequency_response(
    impulse_response: ArrayLike, sample_rate_hz: float, frequency_hz: ArrayLike, time_zero_s: ArrayLike = 0.0
) -> Complex:
    """Frequency response of an impulse response on any grid, its phase referred to a time zero.

    The transform is computed on a fine regular grid (four times zero padded) and interpolated between its points
    with cubics, after the turn of phase up to the time zero is taken out.

    Parameters
    ----------
    impulse_response : array_like, shape (..., frames)
        Impulse responses, gated or long. Those of single precision are transformed in single precision.
    sample_rate_hz : float
        Sample rate in Hz.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies in Hz, from 0 to half the sample rate.
    time_zero_s : array_like, shape (...) or ()
        Time that the phase refers to, counted from the first frame.

    Returns
    -------
    ndarray, shape (..., frequencies)
        Complex response.

    Raises
    ------
    ValueError
        If a frequency lies outside 0 to half the sample rate.
    """
    response = as_floats(impulse_response)
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if frequency.size and not (np.min(frequency) >= 0 and np.max(frequency) <= sample_rate_hz / 2):
        raise ValueError(
            f"frequencies must lie from 0 Hz to {sample_rate_hz / 2} Hz, "
            f"found {np.min(frequency)} Hz to {np.max(frequency)} Hz"
        )
    length = scipy.fft.next_fast_len(4 * max(response.shape[-1], 1024), real=True)
    step_hz = sample_rate_hz / length
    lines, weights = _cubics(length, step_hz, frequency)
    spectrum = scipy.fft.rfft(response, length, axis=-1)
    zero_s = np.asarray(time_zero_s, dtype=np.float64)[..., np.newaxis, np.newaxis]
    turned = weights * np.exp(2j * np.pi * step_hz * zero_s * lines)
    result: Complex = np.sum(turned * spectrum[..., lines], axis=-2)
    return result


def frequency_responses(
    impulse_responses: Sequence[NDArray[np.floating]],
    sample_rate_hz: float,
    frequency_hz: Floats,
    time_zero_s: Floats,
) -> Complex:
    """As `frequency_response`, of impulse responses of their own lengths at frequencies of their own.

    Neighbours of like length are transformed together.

    Parameters
    ----------
    impulse_responses : sequence of ndarray, shape (frames,) each
        All of the first one's precision.
    sample_rate_hz : float
        Sample rate in Hz.
    frequency_hz : ndarray, shape (responses, frequencies)
        From 0 to half the sample rate.
    time_zero_s : ndarray, shape (responses,)
        Time that the phase refers to, of each from its own first frame.

    Returns
    -------
    ndarray, shape (responses, frequencies)
    """
    lengths = tuple(planned_length(4 * max(each.size, 1024)) for each in impulse_responses)
    spectra, first = [], 0
    for length, alike in groupby(lengths):
        rows = np.zeros((len(tuple(alike)), length), impulse_responses[0].dtype)
        for row, each in zip(rows, impulse_responses[first:], strict=False):
            row[: each.size] = each
        first += rows.shape[0]
        spectra.append(scipy.fft.rfft(rows, axis=-1, overwrite_x=True).ravel())
    lines, weights = _turned_cubics(lengths, sample_rate_hz, frequency_hz, time_zero_s)
    return np.asarray(np.einsum("ij,ij->j", weights, np.concatenate(spectra)[lines]).reshape(frequency_hz.shape))


@kept_by_value(16)
def _turned_cubics(
    lengths: tuple[int, ...], sample_rate_hz: float, frequency_hz: Floats, time_zero_s: Floats
) -> tuple[NDArray[np.int64], Complex]:
    """`_cubics` of several transforms, one behind the other, with the turn of phase up to each one's time zero."""
    lines, weights, first = [], [], 0
    for length, at_hz, zero_s in zip(lengths, frequency_hz, time_zero_s, strict=True):
        step_hz = sample_rate_hz / length
        own, weight = _cubics(length, step_hz, at_hz)
        lines.append(first + own)
        weights.append(weight * np.exp(2j * np.pi * step_hz * zero_s * own))
        first += length // 2 + 1
    return np.concatenate(lines, axis=1), np.concatenate(weights, axis=1)


@kept_by_value(128)
def _cubics(length: int, step_hz: float, frequency_hz: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Four lines of a transform around each frequency, and the weights of the cubic through them."""
    position = frequency_hz / step_hz
    first = np.clip(np.floor(position).astype(np.int64) - 1, 0, length // 2 - 3)
    offset = position - first
    weights = np.empty((4, position.size))
    for tap in range(4):
        weights[tap] = math.prod((offset - other) / (tap - other) for other in range(4) if other != tap)
    return first + np.arange(4)[:, np.newaxis], weights
