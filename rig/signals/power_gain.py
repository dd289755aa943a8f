"""Gain from each of several noises to a receiver on a clock of its own, told from how their powers fluctuate.

The power of noise in a short block is never the same twice. Each channel plays a noise of its own, so what is received
follows now the one, now the other: the regression of its power in a band, block by block, on the powers that were sent
gives the squared gain of each channel. That needs the two streams side by side to a part of a block, some milliseconds,
where coherence would need a part of a period.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.bands import band_edges_hz

#: A block lasts so many periods of the middle of a band, and at least so long: shorter ones fluctuate more, but tell
#: less of a low band and ask for a better alignment (our choice; tests/signals/test_power_gain.py).
BLOCK_PERIODS, SHORTEST_BLOCK_S = 6.0, 0.02
#: Step in which the two streams are laid side by side; our choice.
ALIGNED_S = 0.0025
#: Rounds of the weighted fit, and the least part of the mean that a block's expected power is taken for; numerical.
ROUNDS, LEAST_PART = 4, 0.1


@dataclass(frozen=True, eq=False)
class BlockPowers:
    """Powers in the blocks of some seconds.

    Attributes
    ----------
    seconds : float
        How long it was.
    bands : tuple of ndarray, one for each band, shape (channels + 1, blocks)
        Of what was sent on each channel, then of what was received, in squared units of the signals times the same
        factor for all.
    """

    seconds: float
    bands: tuple[Floats, ...]


def block_powers(
    sent: ArrayLike, received: ArrayLike, sample_rate_hz: float, centres_hz: ArrayLike, longest_s: float
) -> BlockPowers:
    """Powers of what was sent and received, laid side by side.

    Parameters
    ----------
    sent : array_like, shape (channels, frames)
        Independent noises.
    received : array_like, shape (frames,)
        What was received; it may begin up to longest_s earlier or later.
    sample_rate_hz : float
        Sample rate in Hz, of both to a part in a thousand.
    centres_hz : array_like, shape (bands,)
        Exact mid-bands of octaves in Hz.
    longest_s : float
        See `received`.
    """
    both = np.vstack((np.asarray(sent, np.float64), np.asarray(received, np.float64)))
    late = _lateness(both, sample_rate_hz, longest_s)
    frames = both.shape[1] - abs(late)
    aligned = np.vstack((both[:-1, max(0, -late) :][:, :frames], both[-1:, max(0, late) :][:, :frames]))
    centres = np.asarray(centres_hz, np.float64)
    lower, upper = band_edges_hz(centres, 1)
    # Of an octave few lines of so short a block are enough: powers of two are quick.
    block_s = np.maximum(SHORTEST_BLOCK_S, BLOCK_PERIODS / centres)
    sizes = 2 ** np.round(np.log2(block_s * sample_rate_hz)).astype(np.int64)
    bands: list[Floats] = [np.empty(0)] * centres.size
    for size in np.unique(sizes):
        blocks = np.lib.stride_tricks.sliding_window_view(aligned, size, axis=-1)[:, :: size // 2]
        spectra = scipy.fft.rfft(blocks * np.hanning(size), axis=-1)
        power = spectra.real**2 + spectra.imag**2
        line_hz = np.arange(power.shape[-1]) * sample_rate_hz / size
        for band in np.flatnonzero(sizes == size):
            bands[band] = power[..., (line_hz >= lower[band]) & (line_hz < upper[band])].sum(axis=-1)
    return BlockPowers(frames / sample_rate_hz, tuple(bands))


def _lateness(signals: Floats, sample_rate_hz: float, longest_s: float) -> int:
    """Frames by which the last signal is late, where the courses of its level and of the others' are most alike."""
    step = max(1, round(ALIGNED_S * sample_rate_hz))
    # Differences whiten: else the loud low frequencies, whose level changes slowly, would hide the rest.
    steps = np.diff(signals, prepend=0.0)[:, : signals.shape[1] // step * step]
    power = np.square(steps).reshape(signals.shape[0], -1, step).sum(axis=-1)
    # Moments of digital silence must not outweigh all others.
    level = np.log(power + LEAST_PART * power.mean(axis=1, keepdims=True) + np.finfo(np.float64).tiny)
    level -= level.mean(axis=1, keepdims=True)
    spectra = scipy.fft.rfft(level, 2 * level.shape[1], axis=-1)
    alike = scipy.fft.irfft(np.sum(spectra[:-1].conj(), axis=0) * spectra[-1], 2 * level.shape[1])
    lags = np.arange(-round(longest_s / ALIGNED_S), round(longest_s / ALIGNED_S) + 1)
    return int(lags[np.argmax(alike[lags])]) * step


def power_gain(rows: Sequence[BlockPowers]) -> tuple[Floats, Floats]:
    """Squared gain of each channel in each band, with its standard uncertainty.

    Weighted least squares with an intercept, for the noise of the room and what echoes too late to follow; the scatter
    of a power goes with the power (a gamma model; McCullagh and Nelder, Generalized Linear Models, 1989, 8 (from
    memory)). Echoes within about a block count.

    Returns
    -------
    gain, uncertainty : ndarray, shape (channels, bands)
        About 0 of a channel that is not heard, below it too; NaN where nothing was sent.
    """
    fits = [_fitted(np.concatenate(parts, axis=1)) for parts in zip(*(row.bands for row in rows), strict=True)]
    gain, uncertainty = (np.stack(each, axis=-1) for each in zip(*fits, strict=True))
    return gain, uncertainty


def _fitted(powers: Floats) -> tuple[Floats, Floats]:
    """Slopes of the last row over each of the others, and their standard uncertainties, shape (channels,)."""
    sent, received = powers[:-1], powers[-1]
    scale = sent.mean(axis=1)
    unknown = np.full(scale.size, np.nan)
    if not np.all(scale > 0) or not np.any(received > 0) or received.size < 4 * powers.shape[0]:
        return unknown, unknown
    known = np.vstack((sent / scale[:, np.newaxis], np.ones(received.size))).T
    expected = np.full(received.size, received.mean())
    for _ in range(ROUNDS):
        weighted = known / expected[:, np.newaxis]
        slopes = np.linalg.lstsq(weighted, received / expected, rcond=None)[0]
        left = (received - known @ slopes) / expected
        expected = np.maximum(known @ slopes, LEAST_PART * received.mean())
    covariance = np.linalg.inv(weighted.T @ weighted) * float(np.sum(left**2)) / (received.size - powers.shape[0])
    return slopes[:-1] / scale, np.sqrt(np.diag(covariance)[:-1]) / scale
