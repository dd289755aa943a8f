"""What kind of impulses a residual holds: a rub, a loose particle, blowing air, or a noise from outside.

A train (`trains.find_train`) is the unit's own: nothing in a room keeps step with a sweep. So is a noise that swells
and falls with the cone. Single impulses are the unit's own, a loose particle's, where there are several short ones at
no particular phase; where there are few, or long ones, or regular ones in a rhythm of their own, or where something
sounds where nothing of the sweep can (`outside`), the room was not quiet, and nothing is said of the unit.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals.arrays import Bools, Floats
from rig.signals.impulsive import (
    EVENT,
    EVENT_WINDOW_S,
    MERGED_S,
    RARE,
    Events,
    Scores,
    above_scores,
    degrees_of_freedom,
    events_above,
)
from rig.signals.outside import lead_s, outside_s
from rig.signals.residual import Residual
from rig.signals.swells import swell_evidence
from rig.signals.tracking import Chirp, pass_band_hz
from rig.signals.trains import BEYOND, BINS, WINDOWS_S, Train, folded, peak_scores, place_of, trains

Kind = Literal["none", "rub or rattle", "loose particle", "blowing air", "rub or harmonics", "disturbed"]

#: Evidence that one in a thousand good units reaches (our choice; tests/benchmarks/rub_and_buzz_detection.py).
SIGNIFICANT = 3.0
#: Five kinds of trains and one count of single impulses share the false alarms (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
LOOKS = 6.0
#: What stays loud for longer is no impulse of a particle (our choice; tests/benchmarks/rub_and_buzz_detection.py).
LONG_S = 0.012
#: So many single impulses make a loose particle; fewer may be anything (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
PARTICLES = 5
#: Intervals between impulses are alike when the logarithm of their ratio is no greater than this: of a voice whose
#: pitch moves, of one that holds it (our choice; tests/benchmarks/rub_and_buzz_detection.py).
ALIKE = (0.07, 0.05)
#: Impulses are regular when chance gives an interval that comes back so often so rarely (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
REGULAR = 0.01
#: A faint train must stand out of its own cycles with at least this much evidence, when all else is quiet (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
WEAK_EVIDENCE = 1.0
FIRM_EVIDENCE = 5.0
#: A train is believed in spite of noises beside it with this much evidence, over this frequency ratio at least (our
#: choice; tests/benchmarks/rub_and_buzz_detection.py).
FIRM_RATIO = 2**0.4
#: A train with less than this part of its energy within its own window about its phase is blowing air ... (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py)
AIR_SHARE = 0.6
#: ... if what lies elsewhere exceeds the noise by so many standard deviations (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
AIR_SURE = 3.0

#: Between two hits of a cycle it is quieter than this part of the weaker one (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
QUIET_BETWEEN = 0.3


@dataclass(frozen=True, eq=False)
class Impulses:
    """What a residual holds.

    Attributes
    ----------
    kind : str
        "none", "rub or rattle", "loose particle", "blowing air", "disturbed"; "rub or harmonics" where a train may be
        either (`breadth.breadth_of`).
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
    single_s: Floats
    outside_s: Floats

    @property
    def is_periodic(self) -> bool:
        """Whether a train, and nothing else, is what is found."""
        alone = not (self.single_s.size or self.outside_s.size)
        return self.kind in ("rub or rattle", "blowing air") or (self.kind == "disturbed" and alone)


def impulses_of(residual: Residual, silence: Floats, mark_ends_s: float, begins_s: float, ends_s: float) -> Impulses:
    """Tell what a residual holds between two times of the capture.

    Parameters
    ----------
    residual : Residual
        From `residual.sweep_residual`.
    silence : ndarray, shape (silent_frames,)
        The silence before the sweep.
    mark_ends_s : float
        When the timing mark before the sweep ends at the microphone.
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
    scores, *longer = above_scores(residual, (begins_s, ends_s), (EVENT_WINDOW_S, *WINDOWS_S))
    periodic = [*peak_scores(residual, (begins_s, ends_s)), *longer]
    found = trains(residual, periodic)
    if not found:
        raise ValueError("the sweep has no five cycles below 500 Hz: no phase can be told")
    best = max(found, key=lambda train: (train.evidence, train.score))
    outside, early = outside_s(residual, silence, ends_s), lead_s(residual, mark_ends_s, begins_s)
    evidence = max(0.0, best.evidence - math.log10(LOOKS))
    rare = events_above(scores, RARE)
    strange = outside.size > 0 or bool(np.any(rare.lasts_s[rare.score > EVENT] > LONG_S))
    kind: Kind = "none"
    if evidence >= SIGNIFICANT:
        # Loud impulses at random phases raise the evidence as well: only against the rest of its cycle does a
        # train prove that it is one.
        best = max(trains(residual, periodic, lock=True), key=lambda train: (train.evidence, train.score))
        kind, rare = _own(residual, scores, best, rare, strange)
    loose = max(0.0, _loose_evidence(rare, scores) - math.log10(LOOKS))
    events = rare.score > EVENT
    if kind == "none" and loose >= SIGNIFICANT and not strange and not _regular(rare, residual.chirp):
        kind = "loose particle"
    elif kind == "none" and (strange or events.any() or early.size or evidence >= SIGNIFICANT):
        kind = "disturbed"
    coherence = _coherence(residual, scores, best)
    single_s = np.append(early, rare.time_s[events | (kind == "loose particle")])
    return Impulses(kind, max(evidence, loose), best, coherence, single_s, outside)


def _own(residual: Residual, scores: Scores, train: Train, rare: Events, strange: bool) -> tuple[Kind, Events]:
    """What is certain to follow the cone, if anything ("none"), and the impulses that it does not explain."""
    firm = train.evidence >= FIRM_EVIDENCE and train.high_hz >= FIRM_RATIO * train.low_hz
    beside = _beside(rare, train, residual, firm)
    quiet = not strange and not np.any(beside.score > EVENT)
    air = _is_air(residual, scores, train)
    if firm or (quiet and train.evidence >= WEAK_EVIDENCE):
        return ("blowing air" if air else "rub or rattle"), beside
    swell, low_hz, high_hz = swell_evidence(scores, residual.chirp)
    if air and swell >= SIGNIFICANT and high_hz >= FIRM_RATIO * low_hz:
        at_hz = residual.chirp.frequency_at_hz(rare.time_s)
        return "blowing air", rare.kept((at_hz < low_hz / BEYOND) | (at_hz > high_hz * BEYOND))
    return "none", rare


def _regular(rare: Events, chirp: Chirp) -> bool:
    """Whether impulses come in a rhythm of their own, as the pulses of a voice do; the cone's own rhythm is none.

    Intervals between impulses that come at random, and are told apart from `MERGED_S` on, are exponentially distributed
    above it. Some interval of the voice's comes back more often than that allows.
    """
    time_s = np.sort(rare.time_s)
    interval_s = np.diff(time_s)
    free_s = interval_s[np.abs(np.log(interval_s * chirp.frequency_at_hz(time_s[1:]))) >= ALIKE[0]]
    if not free_s.size:
        return False
    # The median bears a cluster and some stragglers.
    mean_s = max(float(np.median(interval_s)) - MERGED_S, 1e-4) / math.log(2)
    ratio, chance = np.abs(np.log(np.divide.outer(free_s, free_s))), 1.0
    for alike in ALIKE:
        times = np.count_nonzero(ratio < alike, axis=1)
        shortest, longest = (np.maximum(free_s * math.exp(part) - MERGED_S, 0) / mean_s for part in (-alike, alike))
        each = scipy.special.bdtrc(times - 2, free_s.size - 1, np.exp(-shortest) - np.exp(-longest))
        chance = min(chance, float(np.min(np.where(times > 2, each, 1.0))))
    return chance * free_s.size * len(ALIKE) < REGULAR


def _beside(events: Events, train: Train, residual: Residual, firm: bool) -> Events:
    """The impulses that a train does not explain; a firm one explains all in its band, echoes and double hits too."""
    chirp = residual.chirp
    frequency_hz = chirp.frequency_at_hz(events.time_s)
    off = frequency_hz * chirp.rate_s - place_of(train, frequency_hz)
    off_s = np.abs(off - np.round(off)) / frequency_hz
    inside = (frequency_hz > train.low_hz / BEYOND) & (frequency_hz < train.high_hz * BEYOND)
    return events.kept(~(inside & (firm | (off_s < 1.5 * EVENT_WINDOW_S))))


def _loose_evidence(events: Events, scores: Scores) -> float:
    """-lg of the probability that noise gives so many impulses within so short a time.

    The number of excursions above u of energy in a sliding window of length w is about Poisson with the rate
    ``(u + 1 / u) phi(u) / w`` (Slepian process; Aldous, Probability Approximations via the Poisson Clumping Heuristic,
    1989, example B7). A cluster may begin with any impulse.
    """
    time_s = np.sort(events.time_s[events.lasts_s <= LONG_S])
    rate = (RARE + 1 / RARE) * math.exp(-0.5 * RARE**2) / math.sqrt(2 * math.pi) / scores.window_s
    total_s = float(scores.time_s[-1] - scores.time_s[0] if scores.time_s.size else 0.0)
    best = 0.0
    for count in range(PARTICLES, time_s.size + 1):
        lasts_s = float(np.min(time_s[count - 1 :] - time_s[: time_s.size - count + 1]))
        # So many more within the cluster's length of the first.
        chance = float(scipy.special.gammainc(count - 1, max(rate * lasts_s, 1e-12))) * rate * total_s
        best = max(best, -math.log10(max(chance, 1e-300)))
    return best


def _coherence(residual: Residual, scores: Scores, train: Train) -> float:
    """How near to one phase the impulses in a train's band are: the resultant length of their phases."""
    cycle, score = folded(scores, residual.chirp, train.high_hz)
    inside = cycle >= train.low_hz * residual.chirp.rate_s - 0.5
    place = place_of(train, (cycle[inside] + 0.5) / residual.chirp.rate_s)
    weight = np.maximum(np.minimum(score[inside], 8.0) - 2.0, 0.0)
    turn = np.exp(2j * np.pi * ((np.arange(BINS) + 0.5) / BINS - place[:, np.newaxis]))
    total = float(np.sum(weight))
    return float(np.abs(np.sum(weight * turn)) / total) if total > 0 else 0.0


def _is_air(residual: Residual, scores: Scores, train: Train) -> bool:
    """Whether a train's energy is spread over a large part of the cycle rather than near its phase."""
    cycle, score = folded(scores, residual.chirp, train.high_hz)
    inside = cycle >= train.low_hz * residual.chirp.rate_s - 0.5
    frequency_hz = (cycle[inside] + 0.5) / residual.chirp.rate_s
    count = frequency_hz.size
    if count == 0:
        return False
    place = np.round(place_of(train, frequency_hz) * BINS).astype(np.int64)
    # Energies again, since scores go by the cube root: an echo that fills the cycle is loud in these alone.
    low_hz, high_hz = pass_band_hz(frequency_hz, residual.chirp)
    spread = np.sqrt(2 / (9 * degrees_of_freedom(scores.window_s, high_hz - low_hz)))[:, np.newaxis]
    energy = np.maximum(1 + score[inside] * spread, 0.0) ** 3
    lined = np.take_along_axis(energy, (np.arange(BINS) + place[:, np.newaxis]) % BINS, axis=1)
    profile = np.mean(lined, axis=0)
    # Of a bin's mean over the cycles; the energy in a window spreads by three times its cube root.
    noise = 3 * float(np.mean(spread)) / math.sqrt(count)
    # Where it is quietest, nothing of the unit sounds: a fifth of noisy values lie 0.84 deviations below their mean.
    profile -= np.quantile(profile, 0.2) + 0.84 * noise
    window_bins = scores.window_s * BINS * float(np.median(frequency_hz))
    near = max(BINS / 20, window_bins)
    # A long window may have found the train a little beside its peak.
    elsewhere = _bins_from(int(np.argmax(profile))) > near
    # What strikes twice in a cycle is no air, which blows for a large part of it.
    if near < BINS / 8:
        elsewhere &= ~_second_hit(profile, near)
    far = float(np.sum(profile[elsewhere]))
    # Bins within one window go together.
    sure = AIR_SURE * noise * math.sqrt(BINS * max(1.0, window_bins))
    return far > max((1 - AIR_SHARE) * float(np.sum(profile)), sure)


def _bins_from(place: int) -> NDArray[np.int64]:
    """How far each phase of a cycle lies from one of them."""
    return np.abs((np.arange(BINS) - place + BINS // 2) % BINS - BINS // 2)


def _second_hit(profile: Floats, near: float) -> Bools:
    """Phases of a second hit in each cycle; none where it is not quiet between it and the first.

    Parameters
    ----------
    profile : ndarray, shape (BINS,)
        Mean energy over the noise at each phase.
    near : float
        So many bins to either side belong to a hit.
    """
    first = int(np.argmax(profile))
    second = int(np.argmax(np.where(_bins_from(first) > 2 * near, profile, -np.inf)))
    turned = np.roll(profile, -first)
    apart = (second - first) % BINS
    between = max(float(np.min(turned[:apart])), float(np.min(turned[apart:])))
    quiet = between < QUIET_BETWEEN * float(profile[second])
    return np.asarray(_bins_from(second) <= near) & quiet
