"""Impulses in the residual of a sweep, told from noise.

The whitened residual's energy in a short sliding window is chi-squared distributed when there is only noise; its cube
root is very nearly normal (Wilson and Hilferty, Proc. Natl. Acad. Sci. 17, 1931). Against a mean taken nearby it gives
a score that is standard normal in noise of any level and colour.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals.arrays import Bools, Floats
from rig.signals.residual import Residual
from rig.signals.tracking import pass_band_hz, usable_until_s

#: Length over which energy is summed where single impulses are sought (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
EVENT_WINDOW_S = 0.0009
#: Steps in each window; numerical.
HOPS = 4
#: Length over which the mean of the noise is taken (our choice; tests/benchmarks/rub_and_buzz_detection.py).
BASELINE_S = 0.1
LEVELLINGS = 3
#: For that mean scores are levelled off from here on; what a normal variable loses by it is given back (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
LEVELLED = 0.5
#: The search ends where the tracking high-pass leaves less of the bandwidth (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
BAND_LEFT = 0.05
#: Impulses nearer to each other than this are one (our choice; tests/benchmarks/rub_and_buzz_detection.py).
MERGED_S = 0.003
RARE = 4.0
#: Scores above these count as impulses of their own; the second is met once in about two thousand good units (our
#: choice; tests/benchmarks/rub_and_buzz_detection.py).
EVENT = 5.6


#: Below this part of all values their ranks count, above it how far they lie out: a train raises less of them than the
#: rest (our choice; tests/benchmarks/rub_and_buzz_detection.py).
TAIL = 0.95


@dataclass(frozen=True, eq=False)
class Scores:
    """Scores of what a sliding window holds.

    Attributes
    ----------
    time_s : ndarray, shape (steps,)
        Centres of the windows in the capture, evenly spaced.
    score : ndarray, shape (steps,)
        Standard normal where there is only noise; with `ranked`, only the order of the values means anything.
    window_s : float
        Length of the window.
    ranked : bool
        Whether they become normal by their rank among all.
    trials : float
        So many times the trials of a train of these count.
    """

    time_s: Floats
    score: Floats
    window_s: float
    ranked: bool = False
    trials: float = 1.0

    def within(self, from_s: float, until_s: float) -> "Scores":
        """Those between two times."""
        kept = (self.time_s >= from_s) & (self.time_s <= until_s)
        return replace(self, time_s=self.time_s[kept], score=self.score[kept])


@dataclass(frozen=True, eq=False)
class Events:
    """Impulses that stand out by themselves, arrays of shape (impulses,).

    Attributes
    ----------
    time_s : ndarray
        Times in the capture of their greatest scores.
    lasts_s : ndarray
        How long they stay above the threshold.
    score : ndarray
        Their greatest scores.
    """

    time_s: Floats
    lasts_s: Floats
    score: Floats

    def kept(self, which: Bools) -> "Events":
        """Some of them."""
        return Events(self.time_s[which], self.lasts_s[which], self.score[which])


def events_above(scores: Scores, threshold: float) -> Events:
    """Impulses above a threshold."""
    above = np.flatnonzero(scores.score > threshold)
    if above.size == 0:
        return Events(np.zeros(0), np.zeros(0), np.zeros(0))
    groups = np.split(above, np.flatnonzero(np.diff(scores.time_s[above]) > MERGED_S) + 1)
    peak = np.array([group[np.argmax(scores.score[group])] for group in groups])
    lasts_s = np.array([_longest_run(group) for group in groups]) * float(scores.time_s[1] - scores.time_s[0])
    return Events(scores.time_s[peak], lasts_s, scores.score[peak])


def _longest_run(steps: NDArray[np.int64]) -> int:
    """Greatest number of consecutive steps."""
    breaks = np.flatnonzero(np.diff(steps) > 1) + 1
    return int(np.max(np.diff(np.concatenate(([0], breaks, [steps.size])))))


def degrees_of_freedom(window_s: float, bandwidth_hz: Floats) -> Floats:
    """Of the energy of band-limited noise in a window: 2 bandwidth time (Urkowitz, Proc. IEEE 55(4), 1967)."""
    freedom: Floats = np.maximum(2 * window_s * bandwidth_hz, 1.0)
    return freedom


def energy_scores(
    white: NDArray[np.floating],
    sample_rate_hz: float,
    windows_s: Sequence[float],
    bandwidth_at_hz: Callable[[Floats], Floats],
    between_s: tuple[float, float],
    baseline_s: float = BASELINE_S,
) -> list[Scores]:
    """Scores of the energy of whitened noise in sliding windows, against its mean nearby.

    Parameters
    ----------
    white : ndarray, shape (frames,)
        Whitened residual.
    sample_rate_hz : float
        Its sample rate in Hz.
    windows_s : sequence of float
        Lengths of the windows.
    bandwidth_at_hz : callable
        Bandwidth of the noise at times in seconds.
    between_s : tuple of float
        Times between which there is noise to be judged.
    baseline_s : float
        Length over which the mean is taken.

    Returns
    -------
    list of Scores
        Of windows that lie wholly between the two times; empty when less than the length of the mean is left.
    """
    begin, end = max(0, round(between_s[0] * sample_rate_hz)), min(white.size, round(between_s[1] * sample_rate_hz))
    piece = white[begin : max(begin, end)]
    running = np.zeros(piece.size + 1)
    np.cumsum(np.square(piece, dtype=np.float64), out=running[1:])
    found = []
    for window_s in windows_s:
        frames = max(2, round(window_s * sample_rate_hz))
        hop = max(1, frames // HOPS)
        length = max(3, round(baseline_s * sample_rate_hz / hop))
        if piece.size < frames + length * hop:
            found.append(Scores(np.zeros(0), np.zeros(0), frames / sample_rate_hz))
            continue
        energy = running[frames::hop] - running[:-frames:hop]
        time_s = np.asarray((begin + 0.5 * frames + hop * np.arange(energy.size)) / sample_rate_hz, np.float64)
        score = _against_mean(energy, np.maximum(bandwidth_at_hz(time_s), 1.0), frames / sample_rate_hz, length)
        found.append(Scores(time_s, score, frames / sample_rate_hz))
    return found


def _against_mean(energy: Floats, bandwidth_hz: Floats, window_s: float, length: int) -> Floats:
    """Normal scores of energies against their mean over so many steps."""
    spread = np.sqrt(2 / (9 * degrees_of_freedom(window_s, bandwidth_hz)))
    root = np.cbrt(np.maximum(energy, 0.0) / bandwidth_hz)
    mean: Floats = scipy.ndimage.uniform_filter1d(root, length)
    levelled_mean = math.exp(-0.5 * LEVELLED**2) / math.sqrt(2 * math.pi) - LEVELLED * float(
        scipy.special.ndtr(-LEVELLED)
    )
    # Impulses must not raise the mean that they are held against.
    for _ in range(LEVELLINGS):
        mean = scipy.ndimage.uniform_filter1d(np.minimum(root, mean * (1 + LEVELLED * spread)), length)
        mean *= 1 + levelled_mean * spread
    score = (root / np.maximum(mean, 1e-300) - 1) / spread
    # Noise that is rougher than Gaussian noise of this bandwidth spreads wider, to the lower side too, where impulses
    # never are: the scores shrink by as much.
    size = scipy.ndimage.uniform_filter1d(np.maximum(-score, 0.0), length)
    return np.asarray(score / np.maximum(1.0, size * math.sqrt(2 * math.pi)))


def normal_ranks(values: Floats, apart: Bools | None = None) -> Floats:
    """Normal scores of the ranks of values among all of them, or among those that are not set apart.

    Standard normal whatever the distribution of the noise (Blom, Statistical Estimates and Transformed Beta-Variables,
    1958). Ranks end at the greatest value, however far another lies beyond it: above `TAIL` the scores go on along the
    straight line from the median, as those of near normal values do. The tail of what is ranked must be no longer.

    Parameters
    ----------
    values : ndarray
        Values.
    apart : ndarray of bool, optional
        Those that the others are not ranked against, in the shape of values.
    """
    order = np.argsort(values)
    ascending = values[order]
    # How many of the others lie below each value; half way in between those that are alike.
    first = np.flatnonzero(np.concatenate(([True], ascending[1:] != ascending[:-1])))
    counted = np.concatenate(([0], np.cumsum(np.ones(values.size) if apart is None else ~apart[order])))
    last = np.append(first[1:], values.size)
    below, count = 0.5 * (counted[first] + counted[last]), counted[-1]
    each = np.repeat(scipy.special.ndtri(np.clip(below, 0.5, count - 0.5) / count), last - first)
    normal = np.empty(values.size)
    normal[order] = each
    others = ascending if apart is None else ascending[~apart[order]]
    # As `np.quantile`, which would sort once more.
    middle, high = np.interp(np.array((0.5, TAIL)) * (others.size - 1), np.arange(others.size), others)
    beyond = (values - high) / max(high - middle, 1e-300)
    return np.where(beyond > 0, float(scipy.special.ndtri(TAIL)) * (1 + beyond), normal)


def above_scores(residual: Residual, between_s: tuple[float, float], windows_s: Sequence[float]) -> list[Scores]:
    """Scores of the residual above the tracking high-pass, for each window, between two times of the capture."""
    chirp = residual.chirp

    def bandwidth_at_hz(time_s: Floats) -> Floats:
        low_hz, high_hz = pass_band_hz(chirp.frequency_at_hz(time_s), chirp)
        return high_hz - low_hz

    # At its ends a mean has neighbours on one side only, and what dies away there would look like impulses.
    wide_s = (between_s[0] - BASELINE_S / 2, min(between_s[1], usable_until_s(chirp, BAND_LEFT)))
    found = energy_scores(residual.white, chirp.sample_rate_hz, windows_s, bandwidth_at_hz, wide_s)
    return [each.within(*between_s) for each in found]
