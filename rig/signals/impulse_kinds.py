"""What kind of impulses a residual holds: a rub, a loose particle, blowing air, or a noise from outside.

A train (`impulsive.find_train`) is the unit's own: nothing in a room keeps step with a sweep. Single impulses are
the unit's own, a loose particle's, where there are several short ones at no particular phase; where there are few, or
long ones, or where something sounds far below the sweep or before it has begun, the room was not quiet, and nothing
is said of the unit.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from rig.signals.gating import half_cosine
from rig.signals.impulsive import (
    BINS,
    EVENT,
    EVENT_WINDOW_S,
    RARE,
    Scores,
    Train,
    above_scores,
    degrees_of_freedom,
    energy_scores,
    folded,
    train_scores,
    trains,
)
from rig.signals.residual import HIGHEST_OF_RATE, UNDER_HZ, Residual, pass_band_hz

Array = NDArray[np.float64]
Kind = Literal["none", "rub or rattle", "loose particle", "blowing air", "disturbed"]

SIGNIFICANT = 3.0
"""Evidence that one in a thousand good units reaches."""
LOOKS = 6.0
"""Three windows for trains, one count of single impulses and two searches outside share the false alarms."""
MERGED_S = 0.003
"""Impulses nearer to each other than this are one."""
LONG_S = 0.012
"""What stays loud for longer is no impulse of a particle."""
PARTICLES = 5
"""So many single impulses make a loose particle; fewer may be anything."""
WEAK_EVIDENCE = 1.0
"""A faint train must stand out of its own cycles with at least this much evidence, when all else is quiet."""
FIRM_EVIDENCE = 5.0
FIRM_RATIO = 2**0.4
"""A train is believed in spite of noises beside it with this much evidence, over this frequency ratio at least."""
BEYOND = 1.5
"""A train's impulses are looked for up to so far beyond the band in which it was found."""
AIR_SHARE = 0.6
"""A train with less than this part of its energy within its own window about its phase is blowing air."""
OUTSIDE = 5.1
"""As `impulsive.EVENT`, for sounds outside the search: fewer windows are looked at there."""
UNDER_WINDOW_S = 0.005
UNDER_BASELINE_S = 0.5
SILENCE_WINDOW_S = 0.002


@dataclass(frozen=True, eq=False)
class Impulses:
    """What a residual holds.

    Attributes
    ----------
    kind : str
        "none", "rub or rattle", "loose particle", "blowing air" or "disturbed".
    evidence : float
        -lg of the probability that noise alone gives as much, anywhere in the sweep, of anything that is the unit's.
    train : Train
        The best train, significant or not.
    coherence : float
        Resultant length of the phases of the impulses in the train's band, 0 (random) to 1 (one phase).
    single_s : ndarray
        Times in the capture of impulses that belong to no train.
    outside_s : ndarray
        Times in the capture of sounds that cannot be the unit's.
    """

    kind: Kind
    evidence: float
    train: Train
    coherence: float
    single_s: Array
    outside_s: Array


@dataclass(frozen=True, eq=False)
class _Peaks:
    time_s: Array
    lasts_s: Array
    score: Array


def impulses_of(residual: Residual, silence: Array, begins_s: float, ends_s: float) -> Impulses:
    """Tell what a residual holds between two times of the capture.

    Parameters
    ----------
    residual : Residual
        From `residual.sweep_residual`.
    silence : ndarray, shape (silent_frames,)
        The silence before the sweep.
    begins_s, ends_s : float
        When the sweep begins and its tail ends at the microphone; no timing mark may sound between them.

    Returns
    -------
    Impulses

    Raises
    ------
    ValueError
        If the sweep has no cycles slow enough to tell phases in.
    """
    (scores,) = above_scores(residual, (begins_s, ends_s))
    periodic = train_scores(residual, (begins_s, ends_s))
    found = trains(residual, periodic)
    if not found:
        raise ValueError("the sweep has no five cycles below 500 Hz: no phase can be told")
    best = max(found, key=lambda train: (train.evidence, train.score))
    outside_s = np.concatenate(
        [_peaks(far, OUTSIDE).time_s for far in (_under_scores(residual, ends_s), _silence_scores(silence, residual))]
    )
    evidence = max(0.0, best.evidence - math.log10(LOOKS))
    rare = _peaks(scores, RARE)
    strange = outside_s.size > 0 or bool(np.any(rare.lasts_s[rare.score > EVENT] > LONG_S))
    trusted = False
    if evidence >= SIGNIFICANT:
        # Loud impulses at random phases raise the evidence as well: only against the rest of its cycle does a
        # train prove that it is one.
        best = max(trains(residual, periodic, lock=True), key=lambda train: (train.evidence, train.score))
        firm = best.evidence >= FIRM_EVIDENCE and best.high_hz >= FIRM_RATIO * best.low_hz
        rare = _beside(rare, best, residual, firm)
        quiet = not strange and not np.any(rare.score > EVENT)
        trusted = firm or (quiet and best.evidence >= WEAK_EVIDENCE)
    loose = max(0.0, _loose_evidence(rare, scores) - math.log10(LOOKS))
    events = rare.score > EVENT
    kind: Kind = "none"
    if trusted:
        kind = "blowing air" if _is_air(residual, scores, best) else "rub or rattle"
    elif loose >= SIGNIFICANT and not strange:
        kind = "loose particle"
    elif strange or events.any() or evidence >= SIGNIFICANT:
        kind = "disturbed"
    coherence = _coherence(residual, scores, best)
    single_s = rare.time_s[events | (kind == "loose particle")]
    return Impulses(kind, max(evidence, loose), best, coherence, single_s, outside_s)


def _peaks(scores: Scores, threshold: float) -> _Peaks:
    """Impulses above a threshold: times and values of their greatest scores, and how long they stay above 3."""
    above = np.flatnonzero(scores.score > threshold)
    if above.size == 0:
        return _Peaks(np.zeros(0), np.zeros(0), np.zeros(0))
    groups = np.split(above, np.flatnonzero(np.diff(scores.time_s[above]) > MERGED_S) + 1)
    peak = np.array([group[np.argmax(scores.score[group])] for group in groups])
    lasts_s = np.array([_longest_run(group) for group in groups]) * float(np.min(np.diff(scores.time_s)))
    return _Peaks(scores.time_s[peak], lasts_s, scores.score[peak])


def _longest_run(steps: NDArray[np.int64]) -> int:
    """Greatest number of consecutive steps."""
    breaks = np.flatnonzero(np.diff(steps) > 1) + 1
    return int(np.max(np.diff(np.concatenate(([0], breaks, [steps.size])))))


def _place(train: Train, frequency_hz: Array) -> Array:
    """Phase of a train in cycles at frequencies of the sweep."""
    middle_hz = math.sqrt(train.low_hz * train.high_hz)
    place: Array = train.phase + train.slope * np.log2(frequency_hz / middle_hz)
    return place


def _beside(peaks: _Peaks, train: Train, residual: Residual, firm: bool) -> _Peaks:
    """The impulses that a train does not explain; a firm one explains all in its band, echoes and double hits too."""
    chirp = residual.chirp
    frequency_hz = chirp.frequency_at_hz(peaks.time_s)
    off = frequency_hz * chirp.rate_s - _place(train, frequency_hz)
    off_s = np.abs(off - np.round(off)) / frequency_hz
    inside = (frequency_hz > train.low_hz / BEYOND) & (frequency_hz < train.high_hz * BEYOND)
    its_own = inside & (firm | (off_s < 1.5 * EVENT_WINDOW_S))
    return _Peaks(peaks.time_s[~its_own], peaks.lasts_s[~its_own], peaks.score[~its_own])


def _loose_evidence(peaks: _Peaks, scores: Scores) -> float:
    """-lg of the probability that noise gives so many impulses within so short a time.

    The number of excursions above u of energy in a sliding window of length w is about Poisson with the rate
    ``(u + 1 / u) phi(u) / w`` (Slepian process; Aldous, Probability Approximations via the Poisson Clumping Heuristic,
    1989, example B7). A cluster may begin with any impulse.
    """
    time_s = np.sort(peaks.time_s[peaks.lasts_s <= LONG_S])
    rate = (RARE + 1 / RARE) * math.exp(-0.5 * RARE**2) / math.sqrt(2 * math.pi) / scores.window_s
    total_s = float(scores.time_s[-1] - scores.time_s[0] if scores.time_s.size else 0.0)
    best = 0.0
    for count in range(PARTICLES, time_s.size + 1):
        lasts_s = float(np.min(time_s[count - 1 :] - time_s[: time_s.size - count + 1]))
        # So many more within the cluster's length of the first.
        chance = float(special.gammainc(count - 1, max(rate * lasts_s, 1e-12))) * rate * total_s
        best = max(best, -math.log10(max(chance, 1e-300)))
    return best


def _coherence(residual: Residual, scores: Scores, train: Train) -> float:
    """How near to one phase the impulses in a train's band are: the resultant length of their phases."""
    cycle, score = folded(scores, residual.chirp, train.high_hz)
    inside = cycle >= train.low_hz * residual.chirp.rate_s - 0.5
    place = _place(train, (cycle[inside] + 0.5) / residual.chirp.rate_s)
    weight = np.maximum(np.minimum(score[inside], 8.0) - 2.0, 0.0)
    turn = np.exp(2j * np.pi * ((np.arange(BINS) + 0.5) / BINS - place[:, np.newaxis]))
    total = float(np.sum(weight))
    return float(np.abs(np.sum(weight * turn)) / total) if total > 0 else 0.0


def _is_air(residual: Residual, scores: Scores, train: Train) -> bool:
    """Whether a train's energy is spread over a large part of the cycle rather than near its phase."""
    cycle, score = folded(scores, residual.chirp, train.high_hz)
    inside = cycle >= train.low_hz * residual.chirp.rate_s - 0.5
    frequency_hz = (cycle[inside] + 0.5) / residual.chirp.rate_s
    if np.count_nonzero(inside) == 0:
        return False
    place = np.round(_place(train, frequency_hz) * BINS).astype(np.int64)
    # Energies again, since scores go by the cube root: an echo that fills the cycle is loud in these alone.
    low_hz, high_hz = pass_band_hz(frequency_hz, residual.chirp.sample_rate_hz)
    spread = np.sqrt(2 / (9 * degrees_of_freedom(scores.window_s, high_hz - low_hz)))[:, np.newaxis]
    energy = np.maximum(1 + score[inside] * spread, 0.0) ** 3
    lined = np.take_along_axis(energy, (np.arange(BINS) + place[:, np.newaxis]) % BINS, axis=1)
    profile = np.mean(lined, axis=0)
    profile = np.maximum(profile - np.median(profile), 0.0)
    near = max(BINS / 20, scores.window_s * BINS * float(np.median(frequency_hz)))
    # A long window may have found the train a little beside its peak.
    distance = np.abs((np.arange(BINS) - int(np.argmax(profile)) + BINS // 2) % BINS - BINS // 2)
    return bool(np.sum(profile[distance <= near]) < AIR_SHARE * np.sum(profile))


def _under_scores(residual: Residual, ends_s: float) -> Scores:
    """Scores of what sounds well below the sweep."""
    chirp, rate_hz = residual.chirp, residual.under_rate_hz
    highest_hz = 0.9 * min(UNDER_HZ[1], chirp.stop_hz)
    after_s = residual.under_after_s + 0.025

    def bandwidth_at_hz(time_s: Array) -> Array:
        return np.minimum(chirp.frequency_at_hz(time_s - after_s), highest_hz) - 1.2 * UNDER_HZ[0]

    # The band that the sweep has left behind must be wide enough to tell noise in.
    begins_s = float(chirp.time_of_cycle_s(3.2 * UNDER_HZ[0] * chirp.rate_s)) + after_s
    between_s = (begins_s, ends_s)
    return energy_scores(residual.under, rate_hz, UNDER_WINDOW_S, bandwidth_at_hz, between_s, UNDER_BASELINE_S)


def _silence_scores(silence: Array, residual: Residual) -> Scores:
    """Scores of the silence before the sweep."""
    rate_hz = residual.chirp.sample_rate_hz
    length = fft.next_fast_len(silence.size, real=True)
    frequency_hz = np.asarray(fft.rfftfreq(length, 1 / rate_hz))
    high_hz = HIGHEST_OF_RATE[0] * rate_hz
    band = half_cosine(frequency_hz / 100 - 1) * half_cosine((high_hz - frequency_hz) / 500)
    band = band / np.sqrt(np.interp(frequency_hz, *residual.noise))
    white = fft.irfft(fft.rfft(silence - np.mean(silence), length) * band, length)[: silence.size]
    between_s = (0.01, silence.size / rate_hz - 0.01)
    return energy_scores(
        white, rate_hz, SILENCE_WINDOW_S, lambda time_s: np.full(time_s.shape, high_hz - 400), between_s
    )
