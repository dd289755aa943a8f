"""Levels in octave bands while noise plays, and the gain from each channel's noise to a microphone."""

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Complex, Floats
from rig.signals.bands import band_edges_hz
from rig.signals.cross_spectra import independent_lines, independent_segments, segment_spectra
from rig.signals.noise import band_power

#: Of the noise that is correlated at once, and the longest way from the output to an input that is sought; our choice.
SEGMENT_S = 0.5
LONGEST_DELAY_S = 0.1


def band_levels_ms(signals: ArrayLike, sample_rate_hz: float, centres_hz: ArrayLike) -> Floats:
    """Mean squares in octave bands.

    Parameters
    ----------
    signals : array_like, shape (..., frames)
        Signals of any unit, 0.75 s or longer.
    sample_rate_hz : float
        Sample rate in Hz.
    centres_hz : array_like, shape (bands,)
        Exact mid-bands of octaves in Hz (`bands.mid_bands_hz`).

    Returns
    -------
    ndarray, shape (..., bands)
        Mean squares in squared units of the signals; constant parts are left out.

    Raises
    ------
    ValueError
        As `segment_spectra` and `band_power`.
    """
    frequency, spectra = segment_spectra(signals, sample_rate_hz, SEGMENT_S)
    density = np.mean(spectra.real**2 + spectra.imag**2, axis=-2)
    return band_power(density, frequency, centres_hz, 1)


def delay_seconds(
    sent: ArrayLike, received: ArrayLike, sample_rate_hz: float, longest_s: float = LONGEST_DELAY_S
) -> float:
    """Delay of a received signal behind what was sent, where their cross-correlation is greatest.

    The cross-spectrum is whitened by the sent signal's own spectrum, as noise of few low frequencies has a broad peak.

    Parameters
    ----------
    sent : array_like, shape (channels, frames)
        Independent noises; the channel heard best tells the delay.
    received : array_like, shape (frames,)
        What was received, on the same clock, of either polarity.
    sample_rate_hz : float
        Sample rate in Hz.
    longest_s : float
        Longest delay in seconds; negative ones are not looked for.

    Returns
    -------
    float
        Delay in seconds, a whole number of frames.

    Raises
    ------
    ValueError
        If the signals are shorter than twice the longest delay, or their shapes do not fit.
    """
    out, received = _checked(sent, received)
    longest = round(longest_s * sample_rate_hz)
    # Two seconds tell a delay as well as a minute, and cost less.
    frames = min(received.size, max(4 * longest, round(2 * sample_rate_hz)))
    if frames < 2 * longest:
        raise ValueError(f"a delay of {longest_s} s needs signals twice as long, found {received.size} frames")
    length = scipy.fft.next_fast_len(frames + longest, real=True)
    spectra = scipy.fft.rfft(out[:, :frames], length, axis=-1)
    power = spectra.real**2 + spectra.imag**2
    # Below a thousandth of its mean density (30 dB) a channel sends nothing that whitening should bring up.
    floor = 1e-3 * np.mean(power, axis=-1, keepdims=True) + np.finfo(np.float64).tiny
    correlation = scipy.fft.irfft(
        spectra.conj() * scipy.fft.rfft(received[:frames], length) / (power + floor), length, axis=-1
    )
    return float(np.argmax(np.max(np.abs(correlation[:, : longest + 1]), axis=0)) / sample_rate_hz)


def coherent_gain(
    sent: ArrayLike,
    received: ArrayLike,
    sample_rate_hz: float,
    centres_hz: ArrayLike,
    delay_s: float | None = None,
) -> tuple[Floats, Floats]:
    """Gain from each of several independent noises to one receiver, in octave bands.

    All channels are fitted together line by line (ordinary least squares over the segments; J. S. Bendat and
    A. G. Piersol, "Random Data", chapter on multiple-input systems), so that one does not count as noise on another.
    What arrives of a channel in a band, less what noise alone would make of it, is set against what was sent. Noise,
    distortion, and echoes later than about half a second count as noise.

    Parameters
    ----------
    sent : array_like, shape (channels, frames)
        What was sent.
    received : array_like, shape (frames,)
        What was received, on the same clock.
    sample_rate_hz : float
        Sample rate in Hz.
    centres_hz : array_like, shape (bands,)
        Exact mid-bands of octaves in Hz.
    delay_s : float or None
        Delay of the received signal in seconds, to within some milliseconds; None looks for it up to 0.1 s.

    Returns
    -------
    gain : ndarray, shape (channels, bands)
        RMS of what arrives of a channel over RMS of what was sent in the band; NaN where nothing was sent or nothing is
        told from noise.
    standard_uncertainty : ndarray, shape (channels, bands)
        Standard uncertainty of the gain from the scatter of noise alone; NaN where the gain is.

    Raises
    ------
    ValueError
        If shapes do not fit, a delay is negative, a band reaches above half the sample rate, or the signals are shorter
        than half a second for every channel and one more.
    """
    out, received = _checked(sent, received)
    delay = delay_seconds(out, received, sample_rate_hz) if delay_s is None else delay_s
    shift = round(delay * sample_rate_hz)
    if not 0 <= shift < received.size:
        raise ValueError(f"a delay must be from 0 s to the signals' length, found {delay} s")
    both = np.concatenate((out[:, : received.size - shift], received[np.newaxis, shift:]))
    frequency, spectra = segment_spectra(both, sample_rate_hz, SEGMENT_S)
    lower, upper = band_edges_hz(centres_hz, 1)
    if np.max(upper) > frequency[-1]:
        raise ValueError(f"bands reach to {np.max(upper)} Hz, the signals only to {frequency[-1]} Hz")
    used = slice(*np.searchsorted(frequency, (np.min(lower), np.max(upper))))
    frequency, spectra = frequency[used], spectra[..., used]
    response, variance = _fitted(spectra[:-1], spectra[-1])
    power = np.mean(spectra[:-1].real ** 2 + spectra[:-1].imag ** 2, axis=1)
    square = response.real**2 + response.imag**2
    inside = ((frequency >= lower[:, np.newaxis]) & (frequency < upper[:, np.newaxis])).astype(np.float64)
    arrived = (power * (square - variance)) @ inside.T
    # Of |H + e|^2 for a complex Gaussian e of this variance.
    scatter = power**2 * (2 * np.maximum(square - variance, 0) * variance + variance**2)
    arrived_u = np.sqrt(independent_lines(spectra.shape[1]) * (scatter @ inside.T))
    with np.errstate(divide="ignore", invalid="ignore"):
        sent_power = power @ inside.T
        gain = np.sqrt(np.where(arrived > arrived_u, arrived, np.nan) / sent_power)
        return gain, arrived_u / (2 * gain * sent_power)


def _checked(sent: ArrayLike, received: ArrayLike) -> tuple[Floats, Floats]:
    out, received = np.asarray(sent, np.float64), np.asarray(received, np.float64)
    if out.ndim != 2 or received.ndim != 1 or out.shape[1] != received.size or out.shape[0] == 0:
        raise ValueError(f"sent and received need (channels, frames), (frames,), found {out.shape}, {received.shape}")
    return out, received


def _fitted(inputs: Complex, output: Complex) -> tuple[Complex, Floats]:
    """Least-squares responses (channels, lines) from inputs (channels, segments, lines), and their variances.

    Both are 0 on lines on which a channel sends nothing.
    """
    channels, segments, _ = inputs.shape
    averages = independent_segments(segments)
    if averages <= channels + 1:
        raise ValueError(f"{segments} segments of {SEGMENT_S} s are too few for {channels} channels")
    auto = np.stack([np.stack([_mean_product(a, b) for b in inputs], axis=-1) for a in inputs], axis=-2)
    cross = np.stack([_mean_product(a, output) for a in inputs], axis=-1)
    diagonal = np.einsum("fii->fi", auto).real
    least = np.maximum(np.max(diagonal, axis=0) * 1e-14, np.finfo(np.float64).tiny)
    silent = diagonal <= least
    auto = auto + np.eye(channels) * least
    inverse = np.linalg.inv(auto)
    response = np.einsum("fij,fj->fi", inverse, cross)
    total = np.mean(output.real**2 + output.imag**2, axis=0)
    left = np.maximum(total - np.einsum("fi,fi->f", cross.conj(), response).real, 0.0)
    variance = np.einsum("fii->fi", inverse).real * left[:, np.newaxis] / (averages - channels)
    response[silent], variance[silent] = 0.0, 0.0
    return response.T, variance.T


def _mean_product(first: Complex, second: Complex) -> Complex:
    """Cross-spectrum of segments (segments, lines)."""
    return np.asarray(np.einsum("sf,sf->f", first.conj(), second) / first.shape[0])
