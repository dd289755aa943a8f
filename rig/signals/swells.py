"""Noise that swells and falls with the cone: blowing air, of which single impulses are only the loudest moments."""

import math

import numpy as np

from rig.signals.impulsive import Scores
from rig.signals.tracking import Chirp
from rig.signals.trains import BINS, CLIP, HIGHEST_HZ, NARROWEST, SHORTEST_CYCLE, SLOPES, WIDTHS, folded

#: Air blows out of a gap while the cone moves in; or both ways (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
TIMES_A_CYCLE = (1, 2)
#: No cycle counts for more than so many times the middle one (our choice; tests/benchmarks/rub_and_buzz_detection.py).
LONGEST = 3.0
#: So many of the drifts differ by enough to count (our choice; tests/benchmarks/rub_and_buzz_detection.py).
DRIFTS = 3
#: Over so many cycles at least; numerical.
FEWEST = 10


def swell_evidence(scores: Scores, chirp: Chirp) -> tuple[float, float, float]:
    """-lg of the probability that loudness follows the cone by chance, and the band of the sweep over which it does.

    The scores of each cycle are taken as a vector: their first or second Fourier coefficient over the phase, its length
    limited. Noise, and impulses at random phases however loud, give random directions: the squared length of a sum of
    vectors, over the sum of their squared lengths, is exponentially distributed (Rayleigh's test, weighted; Mardia and
    Jupp, Directional Statistics, 2000, 6.3.1). The greatest is of as many independent trials as
    there are whole windows and `DRIFTS`: directions change slowly over both (counted in noise: no more than these).

    Parameters
    ----------
    scores : Scores
        Of the energy in short windows.
    chirp : Chirp
        The sweep.

    Returns
    -------
    evidence : float
        0 at least.
    low_hz, high_hz : float
        The band.
    """
    cycle, score = folded(scores, chirp, min(HIGHEST_HZ, chirp.stop_hz, 0.5 / (SHORTEST_CYCLE * scores.window_s)))
    best = (0.0, chirp.start_hz, chirp.start_hz)
    if cycle.size < FEWEST:
        return best
    octave = np.log2((cycle + 0.5) / cycle[0])
    clipped = np.clip(score, -CLIP, CLIP)
    greatest, trials = 0.0, 0.0
    for times in TIMES_A_CYCLE:
        vector = clipped @ np.exp(-2j * np.pi * times * (np.arange(BINS) + 0.5) / BINS)
        size = np.abs(vector)
        vector *= np.minimum(1.0, LONGEST * float(np.median(size)) / np.maximum(size, 1e-300))
        square = np.cumsum(np.append(0.0, np.abs(vector) ** 2))
        turned = vector * np.exp(2j * np.pi * times * np.multiply.outer(SLOPES, octave))
        total = np.cumsum(np.pad(turned, ((0, 0), (1, 0))), axis=1)
        for width in (width for width in WIDTHS if FEWEST <= width <= cycle.size):
            starts = min(cycle.size + 1 - width, int(np.searchsorted(cycle, width / (NARROWEST - 1), "right")))
            if starts < 1:
                continue
            length = np.abs(total[:, width : width + starts] - total[:, :starts]) ** 2
            length /= np.maximum(square[width : width + starts] - square[:starts], 1e-300)
            trials += DRIFTS * max(1.0, cycle.size / width)
            if float(np.max(length)) > greatest:
                greatest = float(np.max(length))
                start = int(np.argmax(np.max(length, axis=0)))
                best = (0.0, cycle[start] / chirp.rate_s, (cycle[start] + width) / chirp.rate_s)
    return max(0.0, (greatest - math.log(max(trials, 1.0))) / math.log(10)), best[1], best[2]
