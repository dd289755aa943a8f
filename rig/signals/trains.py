"""Trains: impulses that come back once a cycle of the sweep at one phase.

Scores are folded over the cycles of the sweep; what comes back at one phase adds up over the cycles of a band. Scores
are clipped before they add up, so that one loud event can never make a train. Every threshold is a probability: that
noise alone gives as much anywhere in the sweep.
"""

import functools
import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals.arrays import Bools, Floats, Singles
from rig.signals.impulsive import BASELINE_S, Scores, normal_ranks
from rig.signals.residual import Residual, standard_pulse
from rig.signals.tracking import Chirp, pass_band_hz, usable_until_s

Index = NDArray[np.int64]

#: The burst of a rub is shorter than its jitter: it may come so far about its phase, from first to last (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
REACH_S = 0.0008
#: Length over which energy is summed for a burst of unknown waveform (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
PEAK_WINDOW_S = 0.0003
#: Power of the bursts over the noise's, in that window, for which the search is most powerful: what is just heard over
#: some twenty cycles (our choice; tests/benchmarks/rub_and_buzz_detection.py).
BURST_RATIO = 1.0
#: From here on a likelihood counts as certain; numerical.
CERTAIN = 60.0
#: Steps in which the greatest value within reach is taken; numerical.
STEP_S = 0.0001
LEVEL_BLOCK_S = 0.002
#: The level of the noise is the geometric mean over so long of the mean squares of such blocks: it follows the decay of
#: a room, and bursts hardly raise it (our choice; tests/benchmarks/rub_and_buzz_detection.py).
LEVEL_S = 0.2
#: Lengths over which energy is summed for trains of longer bursts: a rub's in a room, the noise of air (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
WINDOWS_S = (0.003, 0.009)
#: Scores are clipped here before they add up over cycles (our choice; tests/benchmarks/rub_and_buzz_detection.py).
CLIP = 4.0
#: Up to here a cycle is long enough to tell phases apart (our choice; tests/benchmarks/rub_and_buzz_detection.py).
HIGHEST_HZ = 500.0
#: A cycle must last so many windows (our choice; tests/benchmarks/rub_and_buzz_detection.py).
SHORTEST_CYCLE = 2.5
#: The search for trains ends where the tracking high-pass leaves less of the bandwidth (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
BAND_LEFT = 0.15
#: A train's impulses are looked for up to so far beyond the band in which it was found (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
BEYOND = 1.5
#: Phases in a cycle; numerical.
BINS = 64
#: Numbers of cycles that are added up; numerical.
WIDTHS = (5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 28, 34, 40, 48, 56, 67, 80)
#: Frequency ratio that a train must hold on for: a steady tone of the room, such as a voice, runs along with a sweep
#: for no more than 15 % (our choice; tests/benchmarks/rub_and_buzz_detection.py).
NARROWEST = 2**0.25
#: Drift of the phase in cycles per octave: about a resonance the cone turns by half a cycle over two octaves;
#: numerical.
SLOPES = np.linspace(-0.35, 0.35, 9)
#: Each half of a train must hold at least this part of it (our choice; tests/benchmarks/rub_and_buzz_detection.py).
HALF_SHARE = 0.25
#: Independent values of a matched filter's output within reach of a phase (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
PULSES_WITHIN_REACH = 12.0
#: Part of the trains of a peak that is detectable which are caught; our choice.
CAUGHT = 0.99
#: For pulses trials count so many times: their scores have a longer tail in noise. Chosen on 3,160 good units, of which
#: it leaves two void that failed without it (our choice; tests/benchmarks/good_units.py).
PULSE_TRIALS = 20.0
#: Of a pulse's peak behind the matched filter so much counts: jitter, the steps of the search and the tracking high-
#: pass cost the rest (counted) (our choice; tests/benchmarks/rub_and_buzz_detection.py).
PULSE_LEFT = 0.8


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


def peak_scores(residual: Residual, between_s: tuple[float, float]) -> list[Scores]:
    """The greatest values within reach, between two times of the capture; they are for `folded` to rank.

    Of a filter matched to the standard pulse, with either sign, since a contact comes each time from the same side; and
    of the energy of a burst of any waveform.
    """
    chirp, rate_hz = residual.chirp, residual.chirp.sample_rate_hz
    begins_s, ends_s = between_s[0] - BASELINE_S / 2, min(between_s[1], usable_until_s(chirp, BAND_LEFT))
    step = max(1, round(STEP_S * rate_hz))
    first, frames = max(0, round(begins_s * rate_hz)), round((ends_s - begins_s) * rate_hz) // step * step
    if frames < BASELINE_S * rate_hz:
        return [Scores(np.zeros(0), np.zeros(0), REACH_S, ranked=True)] * 3
    pulses, white = (each[first : first + frames] for each in (residual.pulse, residual.white))
    time_s = np.asarray((first + step * (np.arange(frames // step) + 0.5)) / rate_hz, np.float64)
    low_hz, high_hz = pass_band_hz(chirp.frequency_at_hz(time_s), chirp)
    window = max(2, round(PEAK_WINDOW_S * rate_hz))
    # Half a window earlier: a burst has begun then.
    summed = np.asarray(scipy.ndimage.uniform_filter1d(white * white, window, origin=-(window // 2)), np.float32)
    steady = summed * np.repeat(1 / (high_hz - low_hz), step).astype(np.float32)
    pulse = pulses / np.sqrt(_level(pulses * pulses, rate_hz))
    length = max(1, round(REACH_S * rate_hz / step))
    found = [scipy.ndimage.maximum_filter1d(np.max(each.reshape(-1, step), axis=1), length) for each in (pulse, -pulse)]
    found.append(_burst_likelihood(window * steady / _level(steady, rate_hz), step, rate_hz))
    # Of the greatest of several the logarithm has the tail of a normal value, or nearly.
    logs = (np.log(np.maximum(each, 1e-3), dtype=np.float64) for each in found)
    trials = (PULSE_TRIALS, PULSE_TRIALS, 1.0)
    return [Scores(time_s, each, REACH_S, True, times) for each, times in zip(logs, trials, strict=True)]


def _burst_likelihood(energy: Singles, step: int, sample_rate_hz: float) -> Singles:
    """Log likelihood ratio of a burst about every step against noise alone.

    Of a Gaussian burst of known power it goes with the energy; over its time, that is known to `REACH_S`, likelihoods
    are averaged (Van Trees, Detection, Estimation, and Modulation Theory III, 1971, 2.1 and 4.1; from memory). Between
    the mean of the energies within reach, which is best for the faintest bursts, and the greatest, which is best for
    loud ones.

    Parameters
    ----------
    energy : ndarray, shape (steps * step,)
        Energy of the window that begins at each frame, over the noise's mean in one frame.
    step : int
        Frames in a step.
    """
    exponent = np.minimum(BURST_RATIO / (2 * (1 + BURST_RATIO)) * energy, CERTAIN)
    likelihood = np.mean(np.exp(exponent).reshape(-1, step), axis=1)
    about = scipy.ndimage.gaussian_filter1d(likelihood, REACH_S / 4 * sample_rate_hz / step)
    return np.asarray(np.log(about), np.float32)


def _level(power: Singles, sample_rate_hz: float) -> Singles:
    """Level of the noise about every frame of a squared signal, steady by itself.

    Over so long a time that its own error, which all cycles in that time share, does not add up to a train.
    """
    block, length = max(1, round(LEVEL_BLOCK_S * sample_rate_hz)), round(LEVEL_S / LEVEL_BLOCK_S)
    whole = power[: power.size // block * block].reshape(-1, block).mean(axis=1)
    # A decay goes on at either end as it does within.
    reach = min(length // 2, whole.size - 1)
    size = np.pad(np.log(np.maximum(whole, 1e-30)), reach, mode="reflect", reflect_type="odd")
    level = np.exp(scipy.ndimage.uniform_filter1d(size, 2 * reach + 1)[reach : size.size - reach])
    held = np.repeat(level, block)
    return np.pad(held, (0, power.size - held.size), mode="edge")


@functools.lru_cache(maxsize=16)
def _bins(start_hz: float, rate_s: float, high_hz: float) -> tuple[Floats, Floats]:
    """Numbers of the cycles, and times of their bins after the passing of start_hz."""
    first, last = math.ceil(start_hz * rate_s), math.floor(high_hz * rate_s)
    cycle = np.arange(first, last, dtype=np.float64)
    place = cycle[:, np.newaxis] + (np.arange(BINS) + 0.5) / BINS
    return cycle, rate_s * np.log(place / (start_hz * rate_s))


def folded(scores: Scores, chirp: Chirp, high_hz: float, known: Train | None = None) -> tuple[Floats, Floats]:
    """Scores over the cycles of the sweep and the phases in each.

    Parameters
    ----------
    scores : Scores
        Scores; those to be ranked are ranked here, among all that are folded.
    chirp : Chirp
        The sweep.
    high_hz : float
        Up to here.
    known : Train, optional
        A train that ranks are not counted among: its own impulses would hold each other down.

    Returns
    -------
    cycle : ndarray, shape (cycles,)
        Numbers of the cycles; cycle n begins where the sweep's frequency is n / L.
    score : ndarray, shape (cycles, BINS)
        Scores, not clipped. 0 where there are none.
    """
    cycle, after_s = _bins(chirp.start_hz, chirp.rate_s, high_hz)
    if scores.time_s.size < 2 or cycle.size == 0:
        return cycle, np.zeros(after_s.shape)
    step_s = (scores.time_s[-1] - scores.time_s[0]) / (scores.time_s.size - 1)
    at = np.rint((after_s + (chirp.passes_start_s - scores.time_s[0])) / step_s).astype(np.int64)
    inside = (at >= 0) & (at < scores.score.size)
    score = np.zeros(after_s.shape)
    values = scores.score[at[inside]]
    if scores.ranked and known is None:
        values = normal_ranks(values)
    elif scores.ranked and known is not None:
        values = normal_ranks(values, _of_train(cycle, chirp, known)[inside])
    score[inside] = values
    return cycle, score


def _of_train(cycle: Floats, chirp: Chirp, train: Train) -> Bools:
    """Which of the folded scores a train may have raised, shape (cycles, BINS); it may reach beyond its band."""
    frequency_hz = (cycle + 0.5) / chirp.rate_s
    inside = (frequency_hz > train.low_hz / BEYOND) & (frequency_hz < train.high_hz * BEYOND)
    off = (np.arange(BINS) + 0.5) / BINS - place_of(train, frequency_hz)[:, np.newaxis]
    off_s = np.abs(off - np.round(off)) / frequency_hz[:, np.newaxis]
    return inside[:, np.newaxis] & (off_s < train.window_s)


def place_of(train: Train, frequency_hz: Floats) -> Floats:
    """Phase of a train in cycles at frequencies of the sweep."""
    middle_hz = math.sqrt(train.low_hz * train.high_hz)
    place: Floats = train.phase + train.slope * np.log2(frequency_hz / middle_hz)
    return place


@functools.lru_cache(maxsize=16)
def _places(first: float, cycles: int) -> Index:
    """For each drift, which of the flattened scores stand below each other, shape (cycles, drifts * BINS).

    What drifts out of its cycle goes on in the next one: no score stands twice in a column. One beyond the last is -1.
    """
    octave = np.log2((first + np.arange(cycles) + 0.5) / first)
    turn = np.round(np.multiply.outer(octave, SLOPES) * BINS).astype(np.int64)
    place = np.arange(BINS) + turn[..., np.newaxis] + BINS * np.arange(cycles)[:, np.newaxis, np.newaxis]
    return np.where((place >= 0) & (place < BINS * cycles), place, -1).reshape(cycles, -1)


def find_train(cycle: Floats, score: Floats, chirp: Chirp, window_s: float, times: float = 1.0) -> Train:
    """The train of impulses that stands out most over all bands, phases and drifts.

    The mean clipped score over n cycles, times the root of n, is standard normal in noise. The probability of the
    greatest is bounded by the sum over all trials (Bonferroni): windows of n cycles n / 16 apart, phases half a window
    apart, and drifts. So near to each other trials still count one by one at scores as high as matter here (Siegmund
    and Yakir, Bernoulli 6(2), 2000, on scans).

    Parameters
    ----------
    cycle, score : ndarray
        From `folded`.
    chirp : Chirp
        The sweep.
    window_s, times : float
        Window of the scores; so many times the trials count.
    """
    clipped = np.minimum(score, CLIP).astype(np.float32)
    lined = np.append(clipped, np.float32(0.0)).take(_places(float(cycle[0]), cycle.size))
    total = np.zeros((cycle.size + 1, len(SLOPES) * BINS), np.float32)
    # Row by row: a cumulative sum down the columns takes twice as long.
    for row, own in enumerate(lined):
        np.add(total[row], own, out=total[row + 1])
    value, width, at = -math.inf, 0, (0, 0)
    kept = np.empty_like(total)
    for cycles in WIDTHS:
        found, where = _best_window(total, kept, cycle, cycles, value * math.sqrt(cycles))
        if found > value * math.sqrt(cycles):
            value, width, at = found / math.sqrt(cycles), cycles, where
    rate_s = chirp.rate_s
    if not width:
        return Train(0.0, 0.0, chirp.start_hz, chirp.start_hz, 0.0, 0.0, window_s)
    low, high = cycle[at[0]], cycle[at[0]] + width
    drift, column = divmod(at[1], BINS)
    trials = times * _trials(float(cycle[0]), cycle.size, chirp.rate_s, window_s)
    evidence = -(scipy.special.log_ndtr(-value) + math.log(trials)) / math.log(10)
    slope = float(SLOPES[drift])
    phase = ((column + 0.5) / BINS + slope * math.log2(math.sqrt(low * high) / cycle[0])) % 1.0
    return Train(max(0.0, evidence), value, low / rate_s, high / rate_s, phase, slope, window_s)


def _best_window(
    total: Singles, kept: Singles, cycle: Floats, width: int, least: float
) -> tuple[float, tuple[int, int]]:
    """Greatest sum of `width` cycles, with the first cycle and the column; minus infinity when not above `least`.

    The sums are made in `kept`, which is of the shape of the total.
    """
    starts, none = _starts(cycle, width), (-math.inf, (0, 0))
    if starts < 1:
        return none
    sums = np.subtract(total[width : width + starts], total[:starts], out=kept[:starts])
    if float(sums.max()) <= max(least, 0.0):
        return none
    half = total[width // 2 : width // 2 + starts] - total[:starts]
    sums[np.abs(half - 0.5 * sums) > (0.5 - HALF_SHARE) * sums] = -np.inf
    start, column = divmod(int(np.argmax(sums)), sums.shape[1])
    return float(sums[start, column]), (start, column)


@functools.lru_cache(maxsize=16)
def _trials(first: float, cycles: int, rate_s: float, window_s: float) -> float:
    """Independent trials among all that `find_train` looks at in so many cycles from a first one on.

    Two drifts are told apart where, over a band, they move the phase by half a window.
    """
    cycle, total = np.asarray(first + np.arange(cycles), np.float64), 0.0
    for width in (width for width in WIDTHS if width <= cycles):
        begin = cycle[: _starts(cycle, width)]
        phases = np.maximum(1.0, 2 * rate_s / (np.sqrt(begin * (begin + width)) * window_s))
        drifts = 1 + float(np.ptp(SLOPES)) / 2 * np.log2(1 + width / begin) * phases
        total += min(1.0, 16 / width) * float(np.sum(phases * np.minimum(drifts, len(SLOPES))))
    return max(1.0, total)


def _starts(cycle: Floats, width: int) -> int:
    """Number of bands of so many cycles that are wide enough."""
    return max(0, min(cycle.size + 1 - width, int(np.searchsorted(cycle, width / (NARROWEST - 1), "right"))))


def locked(score: Floats) -> Floats:
    """Scores held against the other phases of their own cycle.

    A sliding mean over one cycle is taken out, and each cycle is scaled to a standard deviation of 1 at least: under
    the hypothesis that impulses come at random phases, or that a whole cycle is loud, sums of these over cycles are
    standard normal again, however loud the impulses are.

    Parameters
    ----------
    score : ndarray, shape (cycles, BINS)
        From `folded`.
    """
    left = score - scipy.ndimage.uniform_filter1d(score.ravel(), BINS, mode="nearest").reshape(score.shape)
    left -= np.mean(left, axis=1, keepdims=True)
    scaled: Floats = left / np.maximum(1.0, np.std(left, axis=1, keepdims=True))
    return scaled


def trains(residual: Residual, all_scores: list[Scores], lock: bool = False) -> list[Train]:
    """The best train in each window that the sweep's cycles are long enough for; `lock`: of `locked` scores."""
    found = []
    for scores in all_scores:
        high_hz = min(HIGHEST_HZ, residual.chirp.stop_hz, 1 / (SHORTEST_CYCLE * scores.window_s))
        cycle, score = folded(scores, residual.chirp, high_hz)
        if cycle.size < WIDTHS[0]:
            continue
        searched = residual.chirp, scores.window_s, scores.trials
        train = find_train(cycle, score, *searched)
        if scores.ranked and train.evidence > 0:
            _, score = folded(scores, residual.chirp, high_hz, train)
            train = find_train(cycle, score, *searched)
        found.append(find_train(cycle, locked(score), *searched) if lock else train)
    return found


def detectable_peak(noise: tuple[Floats, Floats], chirp: Chirp, frequency_hz: Floats, evidence: float) -> Floats:
    """Peak of the impulses of a train that is still caught: one a cycle over one octave of the sweep.

    Each impulse is the standard pulse. A matched filter gives it, in parts of the noise's standard deviation,
    ``d = peak sqrt(4 integral |P|**2 / N df)`` (North, 1943; Turin, IRE Trans. Inf. Theory 6(3), 1960). So many cycles
    of it must reach the score that gives the evidence asked for, and the fluctuation of the sum on top.

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

    Returns
    -------
    ndarray, shape (frequencies,)
        Peak in the units of the silence.
    """
    line_hz, spectrum = standard_pulse(chirp.sample_rate_hz)
    ratio = 4 * np.abs(spectrum) ** 2 / np.interp(line_hz, *noise) * (line_hz[1] - line_hz[0])
    low_hz, high_hz = pass_band_hz(frequency_hz, chirp)
    upto = np.concatenate(([0.0], np.cumsum(ratio)))
    per_peak = upto[np.searchsorted(line_hz, high_hz)] - upto[np.searchsorted(line_hz, low_hz)]
    cycles = np.maximum(WIDTHS[0], chirp.rate_s * frequency_hz / math.sqrt(2))
    cycle, _ = _bins(chirp.start_hz, chirp.rate_s, HIGHEST_HZ)
    trials = PULSE_TRIALS * _trials(float(cycle[0]), cycle.size, chirp.rate_s, REACH_S)
    needed = -scipy.special.ndtri_exp(-evidence * math.log(10) - math.log(trials)) + scipy.special.ndtri(CAUGHT)
    # The rank of the greatest of several values: each alone must reach further.
    alone = -scipy.special.ndtri(-np.expm1(scipy.special.log_ndtr(needed / np.sqrt(cycles)) / PULSES_WITHIN_REACH))
    peak: Floats = alone / (PULSE_LEFT * np.sqrt(np.maximum(per_peak, 1e-300)))
    return peak
