"""When sound arrives, how far one recording lags another, and moving recordings in time by parts of a sample."""

import itertools
import math
from functools import lru_cache
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from rig.signals.arrays import Floats
from rig.signals.gating import as_floats

#: An arrival begins where the response first comes this close to its peak (ISO 3382-1: 20 dB below the maximum).
ONSET_DB = -20.0
#: Standard deviation of the Gaussian low-pass of `arrival_s`, as part of the sample rate; numerical.
LOW_PASS_OF_RATE = 0.1
#: A response whose peak is below this many standard deviations of its own noise has no arrival; our choice.
OVER_NOISE = 6.0
#: Samples on each side that `resample_by` interpolates over; numerical.
HALF_TAPS = 32
#: Kaiser window of `resample_by`: side lobes near -118 dB; numerical.
KAISER_BETA = 12.0
#: Positions between two samples at which the kernel of `resample_by` is tabulated; numerical.
PHASES = 2048
#: Frames that `resample_by` makes at once, at most; numerical.
BATCH_FRAMES = 8192


def arrival_s(impulse_response: ArrayLike, sample_rate_hz: float) -> Floats:
    """Time at which the sound of an impulse response begins, counted from its first frame.

    The response is smoothed by a Gaussian low-pass (standard deviation 0.1 of the sample rate), which removes the
    ringing of the band's upper edge; the first crossing of the threshold is interpolated, and the known time by which
    the smoothed pulse of a perfect unit crosses the threshold before its centre is added. A band-limited pulse
    is so dated at its centre, to a small part of a sample; a slower unit at its onset.

    Parameters
    ----------
    impulse_response : array_like, shape (..., frames)
        Impulse responses; of single precision where they came so.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (...)
        Arrival in seconds; NaN where a response is silent, not finite, or nowhere rises above six standard
        deviations of its noise.
    """
    response = as_floats(impulse_response)
    frames = response.shape[-1]
    length = int(scipy.fft.next_fast_len(frames + 64, real=True))
    shape = _low_pass(length, response.dtype)
    finite = np.all(np.isfinite(response), axis=-1, keepdims=True)
    spectrum = scipy.fft.rfft(np.where(finite, response, 0.0), length, axis=-1)
    magnitude = np.abs(scipy.fft.irfft(spectrum * shape, length, axis=-1)[..., :frames])
    peak = np.max(magnitude, axis=-1, keepdims=True)
    noise = np.median(magnitude, axis=-1, keepdims=True) / 0.6745
    threshold = np.maximum(peak * 10 ** (ONSET_DB / 20), OVER_NOISE * noise)
    is_present = (peak > 0) & (peak > threshold) & finite
    first = np.argmax(magnitude > threshold, axis=-1)[..., np.newaxis]
    at = np.take_along_axis(magnitude, first, -1)
    ahead = np.take_along_axis(magnitude, np.maximum(first - 1, 0), -1)
    with np.errstate(divide="ignore", invalid="ignore"):
        # A Gaussian is a parabola in decibels, but over one sample a straight line in decibels is close enough.
        part = np.where(ahead > 0, np.log(at / threshold) / np.log(at / ahead), 0.0)
        lead = np.sqrt(2 * np.log(peak / threshold)) / (2 * np.pi * LOW_PASS_OF_RATE)
    time_s = (first - np.clip(part, 0.0, 1.0) + lead) / sample_rate_hz
    arrival: Floats = np.where(is_present, time_s, np.nan)[..., 0]
    return arrival


@lru_cache(maxsize=8)
def _low_pass(length: int, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Gaussian low-pass over the lines of a transform."""
    return np.asarray(np.exp(-0.5 * (scipy.fft.rfftfreq(length) / LOW_PASS_OF_RATE) ** 2), dtype)


def delay_s(captured: ArrayLike, reference: ArrayLike, sample_rate_hz: float) -> Floats:
    """Time by which a capture lags a reference, from the greatest magnitude of their cross-correlation.

    The peak is found on whole samples and then refined by Newton steps on the exactly interpolated correlation (the
    sum of the cross-spectrum at a fractional lag). Magnitude, so that an inverted capture has the same delay.

    Parameters
    ----------
    captured : array_like, shape (..., frames)
        Captures.
    reference : array_like, shape (frames,) or broadcastable
        What they are copies of.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (...)
        Delay in seconds, negative if the capture is early; NaN where a capture is silent or not finite.

    Raises
    ------
    ValueError
        If the reference is silent or not finite.
    """
    capture = np.asarray(captured, dtype=np.float64)
    known = np.asarray(reference, dtype=np.float64)
    if not (np.all(np.isfinite(known)) and np.all(np.any(known != 0, axis=-1))):
        raise ValueError("reference is silent or not finite")
    usable = np.all(np.isfinite(capture), axis=-1) & np.any(capture != 0, axis=-1)
    capture = np.where(usable[..., np.newaxis], capture, 0.0)
    length = scipy.fft.next_fast_len(capture.shape[-1] + known.shape[-1], real=True)
    cross = scipy.fft.rfft(capture, length, axis=-1) * scipy.fft.rfft(known, length, axis=-1).conj()
    magnitude = np.abs(scipy.fft.irfft(cross, length, axis=-1))
    lags = np.arange(length)
    lags[lags > length - known.shape[-1]] -= length
    lag = lags[np.argmax(magnitude, axis=-1)].astype(np.float64)
    omega = 2 * np.pi * np.arange(cross.shape[-1]) / length
    for _ in range(3):
        turned = cross * np.exp(1j * omega * lag[..., np.newaxis])
        slope = -np.sum(omega * turned.imag, axis=-1)
        bend = -np.sum(omega**2 * turned.real, axis=-1)
        step = np.divide(slope, bend, out=np.zeros_like(slope), where=bend != 0)
        lag = lag - np.clip(step, -0.5, 0.5)
    delay: Floats = np.where(usable, lag / sample_rate_hz, np.nan)
    return delay


def resample_by(signal: ArrayLike, ratio: float, first: float = 0.0, frames: int | None = None) -> Floats:
    """Read signals at every `ratio` samples, band-limited, to undo a small difference between two clocks.

    Output frame n is the input at position ``first + n * ratio``. A capture in which two marks lie ``1 + e`` times as
    many frames apart as they were played is brought back to the played clock by ``ratio = 1 + e``.

    Parameters
    ----------
    signal : array_like, shape (..., frames)
        Signals, zero outside their frames.
    ratio : float
        Step in input samples, from 0.99 to 1.01: no low-pass is applied, so this is not for changing sample rates.
    first : float
        Position of output frame 0, in input samples; may lie before the input.
    frames : int, optional
        Frames of the output; as far as the input reaches if not given.

    Returns
    -------
    ndarray, shape (..., frames) or (..., 1 + floor((frames - 1 - first) / ratio))
        Resampled signals: windowed-sinc interpolation over 64 samples (Kaiser window), good to -90 dB up to 0.42
        of the sample rate.

    Raises
    ------
    ValueError
        If the ratio is out of range, or `first` is not finite.
    """
    if not 0.99 <= ratio <= 1.01:
        raise ValueError(f"ratio must be from 0.99 to 1.01, found {ratio}")
    if not math.isfinite(first):
        raise ValueError(f"first must be finite, found {first}")
    array = np.asarray(signal, dtype=np.float64)
    size = array.shape[-1]
    count = max(0, 1 + math.floor((size - 1 - first) / ratio)) if frames is None else frames
    position = first + np.arange(count) * ratio
    whole = np.floor(position).astype(np.int64)
    result = np.zeros((*array.shape[:-1], count))
    # Over many frames the input advances with the output, frame by frame: there its windows lie side by side.
    slips = 1 + np.flatnonzero(np.diff(whole) != 1)
    cuts = np.unique(np.concatenate((np.arange(0, count, BATCH_FRAMES), slips, [count])))
    for start, stop in itertools.pairwise(cuts):
        begin = int(whole[start]) - (HALF_TAPS - 1)
        piece = _stretch(array, begin, int(stop - start) + 2 * HALF_TAPS - 1)
        windows = np.lib.stride_tricks.sliding_window_view(piece, 2 * HALF_TAPS, axis=-1)
        weights = _weights(position[start:stop] - whole[start:stop])
        np.einsum("ij,...ij->...i", weights, windows, out=result[..., start:stop])
    return result


def _stretch(array: Floats, begin: int, length: int) -> Floats:
    """Frames of signals, zero where they end."""
    piece = np.zeros((*array.shape[:-1], length))
    part = array[..., max(begin, 0) : max(begin + length, 0)]
    piece[..., max(-begin, 0) : max(-begin, 0) + part.shape[-1]] = part
    return piece


def _weights(part: Floats) -> Floats:
    """Windowed-sinc weights at parts of a sample, shape (positions,): one row a position, one column a tap."""
    slot = part * PHASES
    row = np.minimum(slot.astype(np.int64), PHASES - 1)
    table = _kernels()
    weights: Floats = table[row]
    weights += (slot - row)[:, np.newaxis] * (table[row + 1] - weights)
    return weights


@lru_cache(maxsize=1)
def _kernels() -> Floats:
    """Windowed-sinc weights: one row a position between two samples, one column a tap."""
    part = np.arange(PHASES + 1)[:, np.newaxis] / PHASES
    distance = np.arange(2 * HALF_TAPS)[np.newaxis, :] - (HALF_TAPS - 1) - part
    inside = np.sqrt(np.maximum(1 - (distance / HALF_TAPS) ** 2, 0.0))
    kernel: Floats = np.sinc(distance) * np.i0(KAISER_BETA * inside) / np.i0(KAISER_BETA)
    return kernel
