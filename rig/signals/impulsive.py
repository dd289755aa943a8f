"""Impulses in the residual of a sweep: told from noise, and by their place in the sweep's cycles from each other.

The whitened residual's energy in a short sliding window is chi-squared distributed when there is only noise; its cube
root is very nearly normal (Wilson and Hilferty, Proc. Natl. Acad. Sci. 17, 1931). Against a mean taken nearby it gives
a score that is standard normal in noise of any level and colour. A rub's burst is shorter than its jitter: there the
greatest score within reach counts, by its rank among all. What comes back once a cycle at one phase adds up over the
cycles of a band; what does not is counted. Scores are clipped before they add up, so that one loud event can never
make a train. Every threshold is a probability: that noise alone gives as much anywhere in the sweep.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, special
from scipy import signal as filters

from rig.signals.residual import Chirp, Residual, last_heard_s, pass_band_hz

Array = NDArray[np.float64]

EVENT_WINDOW_S = 0.0009
"""Length over which energy is summed where single impulses are sought."""
PEAK_WINDOW_S = 0.0002
PEAK_REACH_S = 0.0007
"""The bare burst of a rub, and how far about its phase it may come."""
TRAIN_WINDOWS_S = (0.003, 0.009)
"""Lengths over which energy is summed for trains of longer bursts: a rub's in a room, the noise of air."""
HOPS = 4
"""Steps in each window."""
BASELINE_S = 0.1
"""Length over which the mean of the noise is taken."""
CLIP = 4.0
"""Scores are clipped here before they add up over cycles."""
LEVELLINGS = 3
LEVELLED = 0.5
"""For that mean scores are levelled off from here on; what a normal variable loses by it is given back."""
HIGHEST_HZ = 500.0
"""Up to here a cycle is long enough to tell phases apart."""
SHORTEST_CYCLE = 2.5
"""A cycle must last so many windows."""
BAND_LEFT = 0.15
EVENT_BAND_LEFT = 0.05
"""The search for trains, and for single impulses, ends where the tracking high-pass leaves less of the bandwidth."""
BINS = 64
"""Phases in a cycle."""
WIDTHS = (5, 7, 10, 14, 20, 28, 40, 56, 80)
"""Numbers of cycles that are added up."""
NARROWEST = 2**0.25
"""Frequency ratio that a train must hold on for: a steady tone of the room, such as a voice, runs along with a sweep
for no more than 15 %."""
SLOPES = np.linspace(-0.35, 0.35, 9)
"""Drift of the phase in cycles per octave: about a resonance the cone turns by half a cycle over two octaves."""
HALF_SHARE = 0.25
"""Each half of a train must hold at least this part of it."""
STANDARD_DECAY_S = 0.00025
STANDARD_HIGH_PASS_HZ = 1500.0
PEAKS_WITHIN_REACH = 12.0
"""Independent windows within reach of a phase."""
WITHIN_WINDOW = 0.8
"""Part of an impulse's energy that falls into the window it is looked for in."""
RARE = 4.0
EVENT = 5.6
"""Scores above these count as impulses of their own; the second is met once in about two thousand good units."""


@dataclass(frozen=True, eq=False)
class Scores:
    """Normal scores of the energy in a sliding window.

    Attributes
    ----------
    time_s : ndarray, shape (steps,)
        Centres of the windows in the capture.
    score : ndarray, shape (steps,)
        Standard normal where there is only noise.
    window_s : float
        Length of the window.
    """

    time_s: Array
    score: Array
    window_s: float


@dataclass(frozen=True)
class Train:
    """The best train of impulses, once a cycle at one phase, that a residual holds.

    Attributes
    ----------
    evidence : float
        -lg of the probability that noise alone holds such a train anywhere in the sweep; 0 at least.
    score : float
        Standard normal in noise, for one train that is given beforehand.
    low_hz, high_hz : float
        Band of the sweep over which it was found.
    phase : float
        Its place in the cycle of the sweep at the microphone, in cycles, at the geometric middle of the band.
    slope : float
        Drift of that place in cycles per octave.
    window_s : float
        The window it stands out best in.
    """

    evidence: float
    score: float
    low_hz: float
    high_hz: float
    phase: float
    slope: float
    window_s: float


def degrees_of_freedom(window_s: float, bandwidth_hz: Array) -> Array:
    """Of the energy of band-limited noise in a window: 2 bandwidth time (Urkowitz, Proc. IEEE 55(4), 1967)."""
    freedom: Array = np.maximum(2 * window_s * bandwidth_hz, 1.0)
    return freedom


def energy_scores(
    white: Array,
    sample_rate_hz: float,
    window_s: float,
    bandwidth_at_hz: Callable[[Array], Array],
    between_s: tuple[float, float],
    baseline_s: float = BASELINE_S,
) -> Scores:
    """Scores of the energy of whitened noise in a sliding window, against its mean nearby.

    Parameters
    ----------
    white : ndarray, shape (frames,)
        Whitened residual.
    sample_rate_hz : float
        Its sample rate in Hz.
    window_s : float
        Length of the window.
    bandwidth_at_hz : callable
        Bandwidth of the noise at times in seconds.
    between_s : tuple of float
        Times between which there is noise to be judged.
    baseline_s : float
        Length over which the mean is taken.

    Returns
    -------
    Scores
        Of windows that lie wholly between the two times; empty when less than the length of the mean is left.
    """
    begin, end = max(0, round(between_s[0] * sample_rate_hz)), min(white.size, round(between_s[1] * sample_rate_hz))
    frames = max(2, round(window_s * sample_rate_hz))
    hop = max(1, frames // HOPS)
    length = max(3, round(baseline_s * sample_rate_hz / hop))
    if end - begin < frames + length * hop:
        return Scores(np.zeros(0), np.zeros(0), frames / sample_rate_hz)
    running: Array = np.concatenate(([0.0], np.cumsum(white[begin:end] ** 2)))
    energy = running[frames::hop] - running[:-frames:hop]
    time_s = np.asarray((begin + 0.5 * frames + hop * np.arange(energy.size)) / sample_rate_hz, np.float64)
    bandwidth = np.maximum(bandwidth_at_hz(time_s), 1.0)
    spread = np.sqrt(2 / (9 * degrees_of_freedom(frames / sample_rate_hz, bandwidth)))
    root = np.asarray(np.cbrt(np.maximum(energy, 0.0) / bandwidth), np.float64)
    mean: Array = ndimage.uniform_filter1d(root, length)
    levelled_mean = math.exp(-0.5 * LEVELLED**2) / math.sqrt(2 * math.pi) - LEVELLED * float(special.ndtr(-LEVELLED))
    # Impulses must not raise the mean that they are held against.
    for _ in range(LEVELLINGS):
        mean = ndimage.uniform_filter1d(np.minimum(root, mean * (1 + LEVELLED * spread)), length)
        mean *= 1 + levelled_mean * spread
    score = (root / np.maximum(mean, 1e-300) - 1) / spread
    # Noise that is rougher than Gaussian noise of this bandwidth spreads wider, to the lower side too, where impulses
    # never are: the scores shrink by as much.
    size = ndimage.uniform_filter1d(np.maximum(-score, 0.0), length)
    return Scores(time_s, score / np.maximum(1.0, size * math.sqrt(2 * math.pi)), frames / sample_rate_hz)


def ranked_peaks(scores: Scores, reach_s: float) -> Scores:
    """The greatest score within reach_s about each time, as the normal score of its rank in the whole search.

    Ranks are standard normal whatever the distribution of the noise (Blom, Statistical Estimates and Transformed
    Beta-Variables, 1958).
    """
    if scores.score.size < 2:
        return Scores(scores.time_s, scores.score, reach_s)
    hop_s = float(scores.time_s[1] - scores.time_s[0])
    greatest = ndimage.maximum_filter1d(scores.score, max(1, round(reach_s / hop_s)))
    normal = np.empty(greatest.size)
    normal[np.argsort(greatest)] = _normal_scores(greatest.size)
    return Scores(scores.time_s, normal, reach_s)


@lru_cache(maxsize=8)
def _normal_scores(count: int) -> Array:
    """Quantiles of the standard normal distribution, evenly spaced in probability."""
    return np.asarray(special.ndtri((np.arange(count) + 0.5) / count))


def train_scores(residual: Residual, between_s: tuple[float, float]) -> list[Scores]:
    """The scores that trains are sought in, for each length of burst, between two times of the capture."""
    peaks, *longer = above_scores(residual, between_s, (PEAK_WINDOW_S, *TRAIN_WINDOWS_S), BAND_LEFT)
    return [ranked_peaks(peaks, PEAK_REACH_S), *longer]


def folded(scores: Scores, chirp: Chirp, high_hz: float) -> tuple[Array, Array]:
    """Scores over the cycles of the sweep and the phases in each.

    Returns
    -------
    cycle : ndarray, shape (cycles,)
        Numbers of the cycles; cycle n begins where the sweep's frequency is n / L.
    score : ndarray, shape (cycles, BINS)
        Scores, not clipped.
    """
    first, last = math.ceil(chirp.start_hz * chirp.rate_s), math.floor(high_hz * chirp.rate_s)
    cycle = np.arange(first, last, dtype=np.float64)
    time_s = chirp.time_of_cycle_s(cycle[:, np.newaxis] + (np.arange(BINS) + 0.5) / BINS)
    if scores.time_s.size == 0:
        return cycle, np.zeros(time_s.shape)
    return cycle, np.interp(time_s, scores.time_s, scores.score, 0.0, 0.0)


def find_train(cycle: Array, score: Array, chirp: Chirp, window_s: float) -> Train:
    """The train of impulses that stands out most over all bands, phases and drifts.

    The mean clipped score over n cycles, times the root of n, is standard normal in noise. The probability of the
    greatest is bounded by the sum over all independent trials (Bonferroni): windows of n cycles a quarter of n
    apart, phases half a window apart, and drifts.

    Parameters
    ----------
    cycle, score : ndarray
        From `folded`.
    chirp : Chirp
        The sweep.
    window_s : float
        Window of the scores.
    """
    octave = np.log2((cycle + 0.5) / cycle[0])
    clipped = np.minimum(score, CLIP)
    best = (-np.inf, 0, 0, 0, 0.0)
    for slope in SLOPES:
        turn = np.round(slope * octave * BINS).astype(np.int64)
        place = (np.arange(BINS) + turn[:, np.newaxis]) % BINS
        total = np.concatenate((np.zeros((1, BINS)), np.cumsum(np.take_along_axis(clipped, place, axis=1), axis=0)))
        for width in WIDTHS:
            if width <= cycle.size:
                found = _best_window(total, cycle, width)
                best = max(best, (*found, width, float(slope)))
    value, start, column, width, slope = best
    if not np.isfinite(value):
        return Train(0.0, 0.0, chirp.start_hz, chirp.start_hz, 0.0, 0.0, window_s)
    low, high = cycle[start], cycle[start] + width
    middle = math.log2(math.sqrt(low * high) / cycle[0])
    trials = _trials(cycle, chirp, window_s)
    evidence = -(special.log_ndtr(-value) + math.log(trials)) / math.log(10)
    phase = ((column + 0.5) / BINS + slope * middle) % 1.0
    rate_s = chirp.rate_s
    return Train(max(0.0, evidence), value, low / rate_s, high / rate_s, phase, slope, window_s)


def _best_window(total: Array, cycle: Array, width: int) -> tuple[float, int, int]:
    """Greatest score of windows of `width` cycles, with the first cycle and the phase."""
    sums = total[width:] - total[:-width]
    half = total[width // 2 :][: sums.shape[0]] - total[: sums.shape[0]]
    long = (cycle[: sums.shape[0]] + width) / cycle[: sums.shape[0]] >= NARROWEST
    uneven = np.abs(half - 0.5 * sums) > (0.5 - HALF_SHARE) * sums
    sums[uneven | ~long[:, np.newaxis]] = -np.inf
    at = divmod(int(np.argmax(sums)), sums.shape[1])
    return float(sums[at]) / math.sqrt(width), *at


def _trials(cycle: Array, chirp: Chirp, window_s: float) -> float:
    """Independent trials among all that `find_train` looks at."""
    lasts_s = float(chirp.time_of_cycle_s(cycle[-1] + 1) - chirp.time_of_cycle_s(cycle[0]))
    phases = lasts_s / cycle.size / (window_s / 2)
    starts = sum(4 * max(1.0, cycle.size / width) for width in WIDTHS if width <= cycle.size)
    return starts * phases * len(SLOPES)


def locked(score: Array) -> Array:
    """Scores held against the other phases of their own cycle.

    A sliding mean over one cycle is taken out, and each cycle is scaled to a standard deviation of 1 at least: under
    the hypothesis that impulses come at random phases, or that a whole cycle is loud, sums of these over cycles are
    standard normal again, however loud the impulses are.

    Parameters
    ----------
    score : ndarray, shape (cycles, BINS)
        From `folded`.
    """
    left = score - ndimage.uniform_filter1d(score.ravel(), BINS, mode="nearest").reshape(score.shape)
    left -= np.mean(left, axis=1, keepdims=True)
    scaled: Array = left / np.maximum(1.0, np.std(left, axis=1, keepdims=True))
    return scaled


def trains(residual: Residual, all_scores: list[Scores], lock: bool = False) -> list[Train]:
    """The best train in each window that the sweep's cycles are long enough for; `lock`: of `locked` scores."""
    found = []
    for scores in all_scores:
        high_hz = min(HIGHEST_HZ, residual.chirp.stop_hz, 1 / (SHORTEST_CYCLE * scores.window_s))
        cycle, score = folded(scores, residual.chirp, high_hz)
        if cycle.size >= WIDTHS[0]:
            score = locked(score) if lock else score
            found.append(find_train(cycle, score, residual.chirp, scores.window_s))
    return found


@lru_cache(maxsize=4)
def _standard_pulse(sample_rate_hz: float) -> tuple[Array, Array]:
    """Frequencies and energy density of an exponential behind a high-pass, its peak at 1."""
    pulse = np.exp(-np.arange(4096) / sample_rate_hz / STANDARD_DECAY_S)
    high_pass = filters.butter(4, STANDARD_HIGH_PASS_HZ, "high", fs=sample_rate_hz, output="sos")
    pulse = filters.sosfilt(high_pass, pulse)
    pulse = pulse / np.max(np.abs(pulse)) / sample_rate_hz
    line_hz = np.asarray(fft.rfftfreq(pulse.size, 1 / sample_rate_hz), np.float64)
    return line_hz, np.abs(fft.rfft(pulse)) ** 2


def detectable_peak(
    noise: tuple[Array, Array], chirp: Chirp, frequency_hz: Array, evidence: float, caught: float = 0.99
) -> Array:
    """Peak of the impulses of a train that is still caught: one a cycle over one octave of the sweep.

    Each impulse is an exponential of 0.25 ms behind a high-pass at 1.5 kHz: what is dull and short is hardest to find.
    Its energy over the noise's density, within one window, raises the score; so many cycles of it must reach the
    score that gives the evidence asked for, and the fluctuation of the sum on top.

    Parameters
    ----------
    noise : tuple of ndarray
        Frequencies and density from `residual.noise_density`.
    chirp : Chirp
        The sweep.
    frequency_hz : ndarray, shape (frequencies,)
        Middles of the octaves, in Hz.
    evidence : float
        -lg of the probability that noise gives such a train anywhere.
    caught : float
        Part of such trains that are to be caught.

    Returns
    -------
    ndarray, shape (frequencies,)
        Peak in the units of the silence.
    """
    rate_hz, window_s = chirp.sample_rate_hz, PEAK_WINDOW_S
    line_hz, energy = _standard_pulse(rate_hz)
    ratio = 2 * energy / np.interp(line_hz, *noise) * (line_hz[1] - line_hz[0])
    low_hz, high_hz = pass_band_hz(frequency_hz, rate_hz)
    upto = np.concatenate(([0.0], np.cumsum(ratio)))
    per_peak = WITHIN_WINDOW * (upto[np.searchsorted(line_hz, high_hz)] - upto[np.searchsorted(line_hz, low_hz)])
    bandwidth_hz = np.maximum(high_hz - low_hz, 1.0)
    cycles = np.maximum(WIDTHS[0], chirp.rate_s * frequency_hz / math.sqrt(2))
    cycle = np.arange(math.ceil(chirp.start_hz * chirp.rate_s), math.floor(HIGHEST_HZ * chirp.rate_s), dtype=np.float64)
    chance = -evidence * math.log(10) - math.log(_trials(cycle, chirp, PEAK_REACH_S))
    needed = -special.ndtri_exp(chance) + special.ndtri(caught)
    # The rank of the greatest of several windows: each alone must reach further.
    alone = -special.ndtri(-np.expm1(special.log_ndtr(needed / np.sqrt(cycles)) / PEAKS_WITHIN_REACH))
    spread = np.sqrt(2 / (9 * degrees_of_freedom(window_s, bandwidth_hz)))
    raised = (1 + alone * spread) ** 3 - 1
    peak: Array = np.sqrt(raised * window_s * bandwidth_hz / np.maximum(per_peak, 1e-300))
    return peak


def above_scores(
    residual: Residual,
    between_s: tuple[float, float],
    windows_s: tuple[float, ...] = (EVENT_WINDOW_S,),
    band_left: float = EVENT_BAND_LEFT,
) -> list[Scores]:
    """Scores of the residual above the tracking high-pass, for each window, between two times of the capture."""
    chirp = residual.chirp

    def bandwidth_at_hz(time_s: Array) -> Array:
        low_hz, high_hz = pass_band_hz(chirp.frequency_at_hz(time_s), chirp.sample_rate_hz)
        return high_hz - low_hz

    # At its ends a mean has neighbours on one side only, and what dies away there would look like impulses.
    wide_s = (between_s[0] - BASELINE_S / 2, min(between_s[1], last_heard_s(chirp, band_left)))
    found = [
        energy_scores(residual.white, chirp.sample_rate_hz, window_s, bandwidth_at_hz, wide_s) for window_s in windows_s
    ]
    kept = [each.time_s >= between_s[0] for each in found]
    return [Scores(each.time_s[k], each.score[k], each.window_s) for each, k in zip(found, kept, strict=True)]
