"""A noise that swells and falls with the cone is told from noise, and from loud impulses at random phases."""

import numpy as np
import pytest

from rig.signals.impulsive import Scores
from rig.signals.swells import swell_evidence
from rig.signals.tracking import Chirp

CHIRP = Chirp(20.0, 20000.0, 1.5, 48000.0, 0.5)
TIME_S = np.arange(0.4, 1.4, 0.000225)
#: Cycles of the sweep at each time.
TURNS = CHIRP.frequency_at_hz(TIME_S) * CHIRP.rate_s


def noise(seed):
    return np.random.default_rng(seed).standard_normal(TIME_S.size)


def evidence_of(score):
    return swell_evidence(Scores(TIME_S, score, 0.0009), CHIRP)


def test_noise_and_random_impulses_do_not_swell():
    found = []
    for seed in range(40):
        score = noise(seed)
        if seed % 2:
            at = np.random.default_rng(seed).integers(0, TIME_S.size, 40)
            score[at] += 30.0
        found.append(evidence_of(score)[0])
    # One in ten may have more than 1: of 40, more than 10 happen by less than 1 %.
    assert np.count_nonzero(np.array(found) > 1) <= 10
    assert max(found) < 3


@pytest.mark.parametrize("times", [1, 2])
def test_air_swells_once_or_twice_a_cycle_and_its_band_is_told(times):
    blows = (CHIRP.frequency_at_hz(TIME_S) > 25) & (CHIRP.frequency_at_hz(TIME_S) < 120)
    score = noise(1) + 3 * blows * np.abs(np.sin(np.pi * times * TURNS)) ** 2
    evidence, low_hz, high_hz = evidence_of(score)
    assert evidence > 3
    assert low_hz < 40
    assert 75 < high_hz < 240


def test_a_short_sweep_has_too_few_cycles():
    short = Chirp(20.0, 20000.0, 0.05, 48000.0, 0.5)
    assert swell_evidence(Scores(TIME_S, noise(1), 0.0009), short)[0] == 0.0
