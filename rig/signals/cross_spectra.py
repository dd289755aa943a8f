"""Spectra of overlapping segments, and how much averages of them scatter."""

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Complex, Floats


def segment_spectra(signals: ArrayLike, sample_rate_hz: float, segment_s: float) -> tuple[Floats, Complex]:
    """Spectra of segments half overlapping, each without its mean and under a Hann window (Welch 1967).

    Parameters
    ----------
    signals : array_like, shape (..., frames)
        Signals of any unit.
    sample_rate_hz : float
        Sample rate in Hz.
    segment_s : float
        Length of a segment in seconds.

    Returns
    -------
    frequency_hz : ndarray, shape (frequencies,)
        Frequencies in Hz from 0.
    spectra : ndarray, shape (..., segments, frequencies)
        Scaled so that the mean of their squared magnitudes over the segments is the one-sided power density per Hz.

    Raises
    ------
    ValueError
        If the signals hold fewer than two segments or are not finite.
    """
    array = np.asarray(signals, np.float64)
    length = max(2 * (round(segment_s * sample_rate_hz) // 2), 2)
    hop = length // 2
    if array.ndim == 0 or array.shape[-1] < length + hop:
        raise ValueError(f"signals need two segments of {segment_s} s, half overlapping, found shape {array.shape}")
    if not np.all(np.isfinite(array)):
        raise ValueError("signals must be finite")
    segments = np.lib.stride_tricks.sliding_window_view(array, length, axis=-1)[..., ::hop, :]
    window = scipy.signal.get_window("hann", length) * np.sqrt(2 / (sample_rate_hz * 0.375 * length))
    spectra = np.asarray(scipy.fft.rfft(segments * window, axis=-1, overwrite_x=True), np.complex128)
    # A segment's mean is in these two lines alone, under this window.
    means = np.mean(segments, axis=-1) * np.sum(window)
    spectra[..., 0] -= means
    spectra[..., 1] += means / 2
    return scipy.fft.rfftfreq(length, 1 / sample_rate_hz), spectra


def independent_segments(segments: int) -> float:
    """Number of independent averages that so many half-overlapping Hann segments are worth at one frequency.

    Their spectra are correlated by 1/6 (Welch 1967).
    """
    return segments / (1 + (segments - 1) / segments / 18)


def independent_lines(segments: int) -> float:
    """Number of neighbouring lines that are worth one independent line, in sums over many lines.

    From the correlations over lines and segments together, ``integral w(t)^2 w(t - T)^2 / (integral w^2)^2``: 35/18 for
    one Hann segment, 1/12 more to each half-overlapping neighbour.
    """
    return (35 / 18 + (segments - 1) / segments / 6) / (1 + (segments - 1) / segments / 18)
