"""Noise: its density in silence, its level in bands, and what it does to a response measured with a sweep."""

from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.bands import band_edges_hz
from rig.signals.smoothing import smooth_power
from rig.signals.sweep import LOWER_FADE, LOWER_MARGIN, ExponentialSweep

#: Default length of the segments whose spectra are averaged: lines 5 Hz apart; our choice.
SEGMENT_S = 0.2


def power_spectral_density(
    silence: ArrayLike, sample_rate_hz: float, segment_s: float = SEGMENT_S
) -> tuple[Floats, Floats]:
    """One-sided power spectral density (Welch, IEEE Trans. Audio Electroacoust. 15(2), 1967; Hann, half overlap).

    Parameters
    ----------
    silence : array_like, shape (..., frames)
        Recording with nothing played. Its mean is removed in every segment.
    sample_rate_hz : float
        Sample rate in Hz.
    segment_s : float
        Length of a segment in seconds; the whole recording where that is shorter.

    Returns
    -------
    frequency_hz : ndarray, shape (frequencies,)
        Frequencies in Hz.
    density : ndarray, shape (..., frequencies)
        Density in squared units of the recording per Hz.

    Raises
    ------
    ValueError
        If the recording is shorter than 64 frames or not finite.
    """
    recording = np.asarray(silence, np.float64)
    if recording.ndim == 0 or recording.shape[-1] < 64:
        raise ValueError(f"silence needs at least 64 frames, found shape {recording.shape}")
    if not np.all(np.isfinite(recording)):
        raise ValueError("silence must be finite")
    frames = min(round(segment_s * sample_rate_hz), recording.shape[-1])
    # As `scipy.signal.welch`, which spends ten times as long on its arguments as on their transform.
    window = _hann(frames)
    segments = np.lib.stride_tricks.sliding_window_view(recording, frames, axis=-1)[..., :: frames - frames // 2, :]
    spectra = scipy.fft.rfft((segments - segments.mean(axis=-1, keepdims=True)) * window)
    density = np.mean(spectra.real**2 + spectra.imag**2, axis=-2) / (sample_rate_hz * np.sum(window**2))
    # One-sided: what lies at negative frequencies is added; 0 Hz and half the sample rate have no such twin.
    density[..., 1 : (frames + 1) // 2] *= 2
    return np.asarray(scipy.fft.rfftfreq(frames, 1 / sample_rate_hz), np.float64), density


@lru_cache(maxsize=8)
def _hann(frames: int) -> Floats:
    return np.asarray(scipy.signal.get_window("hann", frames))


def band_power(density: ArrayLike, frequency_hz: ArrayLike, mid_hz: ArrayLike, fraction: int) -> Floats:
    """Power in fractional-octave bands of a density.

    Parameters
    ----------
    density : array_like, shape (..., frequencies)
        One-sided density in squared units per Hz, on equally spaced frequencies from 0 Hz.
    frequency_hz : array_like, shape (frequencies,)
        Its frequencies in Hz. Each line stands for the interval of one spacing around it.
    mid_hz : array_like, shape (bands,)
        Mid-bands in Hz, from `bands.mid_bands_hz`.
    fraction : int
        Bands per octave.

    Returns
    -------
    ndarray, shape (..., bands)
        Power in squared units of the recording.

    Raises
    ------
    ValueError
        If a band reaches above the last frequency.
    """
    frequency, values = np.asarray(frequency_hz, np.float64), np.asarray(density, np.float64)
    lower, upper = band_edges_hz(mid_hz, fraction)
    if upper.size and np.max(upper) > frequency[-1] * (1 + 1e-9):
        raise ValueError(f"bands reach to {np.max(upper)} Hz, the density only to {frequency[-1]} Hz")
    step_hz = frequency[1] - frequency[0]
    running = np.concatenate((np.zeros_like(values[..., :1]), np.cumsum(values, axis=-1)), axis=-1) * step_hz

    def upto(edge_hz: Floats) -> Floats:
        position = np.clip(edge_hz / step_hz + 0.5, 0, values.shape[-1])
        index = np.minimum(position.astype(np.int64), values.shape[-1] - 1)
        below: Floats = running[..., index] + (position - index) * step_hz * values[..., index]
        return below

    power: Floats = upto(upper) - upto(lower)
    return power


def response_noise_power(
    silence: ArrayLike,
    reference: ArrayLike,
    window: ArrayLike,
    sent: ExponentialSweep,
    frequency_hz: ArrayLike,
) -> Floats:
    """Expected squared magnitude that noise adds to a deconvolved and gated frequency response.

    Noise of density G per Hz, divided by the reference's spectrum X and seen through a window w, leaves
    ``G sample_rate / 2 * sum(w**2) / |X|**2``: deconvolution turns stationary noise into stationary noise of density
    G / |X|**2, and a window of a stationary noise has the expected squared spectrum of density times sum(w**2), as
    for a modified periodogram (Welch 1967), where the density changes little over the width of the window's spectrum.

    Parameters
    ----------
    silence : array_like, shape (..., frames)
        Recording with nothing played, same gain as the capture.
    reference : array_like, shape (frames,)
        Reference that the capture was divided by.
    window : array_like, shape (window_frames,) or (..., window_frames)
        Window that the impulse response was multiplied by: `gating.Gated.window`, or
        `deconvolution.harmonic_window` for the noise in a harmonic, with the harmonic's own frequencies.
    sent : ExponentialSweep
        What was played.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies in Hz, within start_hz to stop_hz.

    Returns
    -------
    ndarray, shape (..., frequencies)
        Expected squared magnitude, in squared units of the response.

    Raises
    ------
    ValueError
        If a frequency lies outside the band, or as `power_spectral_density`.
    """
    frequency, sample_rate_hz = np.asarray(frequency_hz, np.float64), sent.sample_rate_hz
    if frequency.size and not (np.min(frequency) >= sent.start_hz and np.max(frequency) <= sent.stop_hz):
        raise ValueError(
            f"frequencies must lie in the band {sent.start_hz} Hz to {sent.stop_hz} Hz, "
            f"found {np.min(frequency)} Hz to {np.max(frequency)} Hz"
        )
    of_silence = power_spectral_density(silence, sample_rate_hz)
    return noise_through(of_silence, reference_power(reference, sent), window, sample_rate_hz, frequency)


def reference_power(reference: ArrayLike, sent: ExponentialSweep) -> tuple[Floats, Floats]:
    """Frequencies and squared spectrum of a reference, shape (frames,), where the sweep plays."""
    known = np.asarray(reference, np.float64)
    length = scipy.fft.next_fast_len(known.shape[-1], real=True)
    spectrum = scipy.fft.rfft(known, length)
    power_hz = scipy.fft.rfftfreq(length, 1 / sent.sample_rate_hz)
    inside = (power_hz > LOWER_FADE * sent.start_hz / LOWER_MARGIN) & (power_hz < sent.sample_rate_hz / 2)
    return power_hz[inside], spectrum[inside].real ** 2 + spectrum[inside].imag ** 2


def noise_through(
    of_silence: tuple[Floats, Floats],
    of_reference: tuple[Floats, Floats],
    window: ArrayLike,
    sample_rate_hz: float,
    frequency_hz: Floats,
) -> Floats:
    """`response_noise_power` out of `power_spectral_density` of the silence and `reference_power`."""
    (grid_hz, density), (power_hz, power) = of_silence, of_reference
    gain = np.sum(np.asarray(window, np.float64) ** 2, axis=-1)[..., np.newaxis]
    noise: Floats = _on_grid(density, grid_hz, frequency_hz) * 0.5 * sample_rate_hz * gain
    return noise / _on_grid(power, power_hz, frequency_hz)


def _on_grid(power: Floats, frequency_hz: Floats, targets_hz: Floats) -> Floats:
    """Sixth-octave means of a power spectrum at other frequencies."""
    return smooth_power(power, frequency_hz, targets_hz, 6)


def snr_db(response: ArrayLike, noise_power: ArrayLike) -> Floats:
    """Signal to noise ratio of a measured response, ``10 lg(|H|**2 / noise)``.

    Parameters
    ----------
    response : array_like, shape (..., frequencies)
        Measured complex response or its magnitude, noise included.
    noise_power : array_like, shape (..., frequencies)
        Expected squared magnitude of the noise, from `response_noise_power`.

    Returns
    -------
    ndarray, shape (..., frequencies)
        Ratio in dB; infinite where there is no noise, NaN where there is neither. Pure noise reads near 0 dB.
    """
    square = np.abs(np.asarray(response)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio: Floats = 10 * np.log10(square / np.asarray(noise_power, np.float64))
    return ratio
