"""Filters that follow a sweep: what lies well above it, and what lies between it and its second harmonic.

The capture is cut into overlapping blocks, so short that the sweep hardly moves within one; a block's spectrum is
multiplied by the filter that belongs to the sweep's frequency in its middle, and the blocks are laid together again.
The Kaiser-Bessel-derived window lets unfiltered blocks add up to what was cut, and its sidelobes lie more than 100 dB
down a few lines away (Princen and Bradley, IEEE Trans. ASSP 34(5), 1986; Fielder et al., AES 101st Convention, 1996).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats, Singles
from rig.signals.gating import half_cosine
from rig.signals.sweep import ExponentialSweep

#: The tracking high-pass is shut at so many times the sweep's frequency (common practice, no source).
SHUT_AT = 10.0
#: It is open at so many times that (our choice; tests/benchmarks/rub_and_buzz_detection.py).
OPENS_WITHIN = 1.2
#: It never opens below these: a rub is short, and a room is loudest below (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
LOWEST_HZ = (1000.0, 1400.0)
#: It is open to the first of these parts of the sample rate and shut at the second (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
HIGHEST_OF_RATE = (0.39, 0.43)
#: The filter between a sweep and its second harmonic opens from the first to the second of these times the sweep's
#: frequency, and shuts from the third to the fourth (our choice; tests/benchmarks/rub_and_buzz_detection.py).
BETWEEN = (1.25, 1.4, 1.65, 1.8)
#: Below this the tracking high-pass hears more (our choice; tests/benchmarks/rub_and_buzz_detection.py).
BETWEEN_FROM_HZ = 1000.0
#: A block lasts about so long, in parts of the time in which the sweep's frequency grows by a factor e (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
BLOCK_OF_RATE = 0.1
#: The window's parameter alpha (our choice; tests/benchmarks/rub_and_buzz_detection.py).
SIDELOBES = 6.0
#: The high-pass begins so long before the sweep passes its first frequency (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
EARLY_S = 0.3


@dataclass(frozen=True)
class Chirp(ExponentialSweep):
    """A sweep in a capture, and above what it is searched."""

    #: When it passes start_hz, in seconds from the capture's first frame.
    passes_start_s: float
    #: The tracking high-pass is shut at so many times the sweep's frequency.
    shut_at: float = SHUT_AT

    def time_of_cycle_s(self, cycle: ArrayLike) -> Floats:
        """When the sweep's phase is so many cycles: ``L ln(cycle / (start_hz L))`` after the passing of start_hz."""
        time: Floats = self.passes_start_s + self.rate_s * np.log(np.asarray(cycle) / (self.start_hz * self.rate_s))
        return time

    def time_of_frequency_s(self, frequency_hz: float) -> float:
        """When the sweep passes a frequency."""
        return float(self.time_of_cycle_s(frequency_hz * self.rate_s))

    @property
    def lowest_hz(self) -> tuple[float, float]:
        """Edges of the rise that the tracking high-pass never goes below; half as high where it is shut at half."""
        part = min(1.0, self.shut_at / SHUT_AT)
        return part * LOWEST_HZ[0], part * LOWEST_HZ[1]

    @property
    def high_pass_order(self) -> float:
        """Middle of the tracking high-pass's rise, in times of the sweep's frequency."""
        return self.shut_at * math.sqrt(OPENS_WITHIN)

    def frequency_at_hz(self, time_s: ArrayLike) -> Floats:
        """Frequency of the sweep at times in the capture."""
        return self.frequency_hz(np.asarray(time_s, np.float64) - self.passes_start_s)


@dataclass(frozen=True, eq=False)
class Tracking:
    """Filters of the blocks of a sweep.

    Attributes
    ----------
    first : int
        First frame of the first block, counted from the passing of start_hz.
    window : ndarray, shape (frames,)
        Window over a block; blocks are half a block apart.
    frequency_hz : ndarray, shape (lines,)
        Frequencies of a block's spectrum.
    filters : ndarray, shape (blocks, lines)
        Gains.
    """

    first: int
    window: Singles
    frequency_hz: Floats
    filters: Singles


def pass_band_hz(frequency_hz: ArrayLike, chirp: Chirp) -> tuple[Floats, float]:
    """Edges of the tracking high-pass while the sweep is at a frequency.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies of the sweep in Hz.
    chirp : Chirp
        The sweep.

    Returns
    -------
    low_hz : ndarray
        Lower edges, in the shape of frequency_hz; half a cosine rises about each of them.
    high_hz : float
        Upper edge.
    """
    lowest = math.sqrt(math.prod(chirp.lowest_hz))
    low: Floats = np.maximum(lowest, chirp.high_pass_order * np.asarray(frequency_hz, np.float64))
    return low, highest_hz(chirp.sample_rate_hz)


def highest_hz(sample_rate_hz: float) -> float:
    """Upper edge of all tracking filters."""
    return math.sqrt(HIGHEST_OF_RATE[0] * HIGHEST_OF_RATE[1]) * sample_rate_hz


def between_hz(frequency_hz: ArrayLike, sample_rate_hz: float) -> tuple[Floats, Floats]:
    """Edges of the filter between a sweep and its second harmonic, in the shape of frequency_hz."""
    at_hz, highest = np.asarray(frequency_hz, np.float64), highest_hz(sample_rate_hz)
    low: Floats = np.minimum(math.sqrt(BETWEEN[0] * BETWEEN[1]) * at_hz, highest)
    high: Floats = np.minimum(math.sqrt(BETWEEN[2] * BETWEEN[3]) * at_hz, highest)
    return low, high


def usable_until_s(chirp: Chirp, part: float) -> float:
    """When the tracking high-pass has left less than a part of the band up to its upper edge."""
    last_hz = (1 - part) * highest_hz(chirp.sample_rate_hz) / chirp.high_pass_order
    return chirp.time_of_frequency_s(min(last_hz, chirp.stop_hz))


def first_between_s(chirp: Chirp) -> float:
    """When the filter between the sweep and its second harmonic begins to tell them apart.

    Not before `BETWEEN_FROM_HZ`, and in a fast sweep, whose blocks are short, not before its lower edge lies outside
    the main lobe of the sweep's own line: half of it is ``sqrt(1 + alpha^2)`` lines wide (Kaiser's window; Harris,
    Proc. IEEE 66(1), 1978).
    """
    line_hz = chirp.sample_rate_hz / _block_frames(chirp)
    resolved_hz = math.sqrt(1 + SIDELOBES**2) * line_hz / (math.sqrt(BETWEEN[0] * BETWEEN[1]) - 1)
    return min(chirp.time_of_frequency_s(max(BETWEEN_FROM_HZ, resolved_hz)), last_between_s(chirp))


def last_between_s(chirp: Chirp) -> float:
    """When the filter between the sweep and its second harmonic has lost half of its band."""
    last_hz = highest_hz(chirp.sample_rate_hz) / math.sqrt(BETWEEN[1] * BETWEEN[2])
    return chirp.time_of_frequency_s(min(last_hz, chirp.stop_hz))


def _rise(frequency_hz: Floats, from_hz: Floats | float, to_hz: Floats | float) -> Floats:
    """Half a cosine over the logarithm of frequency."""
    return half_cosine(np.log(frequency_hz / from_hz) / np.log(np.asarray(to_hz) / from_hz))


def _block_frames(chirp: Chirp) -> int:
    """Length of a block."""
    return int(2 ** max(5, round(math.log2(BLOCK_OF_RATE * chirp.rate_s * chirp.sample_rate_hz))))


def _blocks(chirp: Chirp, first_s: float, last_s: float) -> tuple[int, Singles, Floats, Floats]:
    """First frame, window, frequencies of a block's lines, and frequencies of the sweep in the blocks' middles."""
    rate_hz, frames = chirp.sample_rate_hz, _block_frames(chirp)
    first = round((first_s - chirp.passes_start_s) * rate_hz) - frames // 2
    count = max(1, math.ceil(((last_s - chirp.passes_start_s) * rate_hz - first) / (frames // 2)))
    window = scipy.signal.windows.kaiser_bessel_derived(frames, beta=SIDELOBES * np.pi).astype(np.float32)
    line_hz = np.maximum(np.asarray(scipy.fft.rfftfreq(frames, 1 / rate_hz), np.float64), 1.0)
    middle_s = chirp.passes_start_s + (first + frames / 2 * (1 + np.arange(count))) / rate_hz
    return first, window, line_hz, chirp.frequency_at_hz(middle_s)


@lru_cache(maxsize=8)
def high_pass(chirp: Chirp) -> Tracking:
    """The tracking high-pass of a sweep; `passes_start_s` may be any."""
    ends_s = usable_until_s(chirp, 0.0)
    first, window, line_hz, at_hz = _blocks(chirp, chirp.passes_start_s - EARLY_S, ends_s)
    part = line_hz / chirp.sample_rate_hz
    fixed = _rise(line_hz, *chirp.lowest_hz) * half_cosine(np.interp(part, HIGHEST_OF_RATE, (1.0, 0.0)))
    shut_hz = chirp.shut_at * at_hz[:, np.newaxis]
    gains = fixed * _rise(line_hz, shut_hz, OPENS_WITHIN * shut_hz)
    return Tracking(first, window, line_hz, gains.astype(np.float32))


@lru_cache(maxsize=8)
def between(chirp: Chirp) -> Tracking:
    """The filter between a sweep and its second harmonic; `passes_start_s` may be any."""
    first, window, line_hz, at_hz = _blocks(chirp, first_between_s(chirp), last_between_s(chirp))
    edge = [order * at_hz[:, np.newaxis] for order in BETWEEN]
    part = line_hz / chirp.sample_rate_hz
    gains = _rise(line_hz, edge[0], edge[1]) * (1 - _rise(line_hz, edge[2], edge[3]))
    gains *= half_cosine(np.interp(part, HIGHEST_OF_RATE, (1.0, 0.0)))
    return Tracking(first, window, line_hz, gains.astype(np.float32))


def tracked(
    capture: Singles, tracking: Tracking, passes_start: int, gains: Sequence[ArrayLike | None]
) -> list[Singles]:
    """A capture behind a tracking filter, once for each of several filters on top.

    Parameters
    ----------
    capture : ndarray, shape (frames,)
        Capture.
    tracking : Tracking
        The filter.
    passes_start : int
        Frame in which the sweep passes start_hz.
    gains : sequence of array_like, shape (lines,) or (blocks, lines), or None
        Further filters on the frequencies of the blocks' spectra; real or complex. None: no more than the one.

    Returns
    -------
    list of ndarray, shape (frames,)
        0 outside the blocks.
    """
    size = tracking.window.size
    hop = size // 2
    first = passes_start + tracking.first
    length = hop * (tracking.filters.shape[0] + 1)
    inside = slice(max(0, first), max(0, min(capture.size, first + length)))
    piece = np.zeros(length, np.float32)
    piece[inside.start - first : inside.stop - first] = capture[inside]
    cut = np.lib.stride_tricks.sliding_window_view(piece, size)[::hop]
    spectra = scipy.fft.rfft(cut * tracking.window, axis=1) * tracking.filters
    found = []
    for gain in gains:
        filtered = spectra if gain is None else spectra * np.asarray(gain)
        blocks = scipy.fft.irfft(filtered, size, axis=1)
        blocks *= tracking.window
        laid = np.zeros((blocks.shape[0] + 1, hop), np.float32)
        laid[:-1] = blocks[:, :hop]
        laid[1:] += blocks[:, hop:]
        whole = np.zeros(capture.size, np.float32)
        whole[inside] = laid.ravel()[inside.start - first : inside.stop - first]
        found.append(whole)
    return found
