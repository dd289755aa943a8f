"""Trains: what the search over bands, phases and drifts may add up, and what a burst of unknown time is worth."""

import numpy as np
import pytest

from rig.signals.tracking import Chirp
from rig.signals.trains import BINS, REACH_S, _burst_likelihood, _places, _trials, find_train

CHIRP = Chirp(20.0, 20000.0, 1.5, 48000, 0.0)
CYCLE = np.arange(5.0, 108.0)


def test_one_loud_event_where_two_cycles_meet_is_no_train_of_two() -> None:
    """A phase that drifts over the end of its cycle goes on in the next one, and never meets the same event again."""
    score = np.zeros((CYCLE.size, BINS))
    score[30, -5:] = score[31, :5] = 4.0
    assert find_train(CYCLE, score, CHIRP, REACH_S).score == 0.0


def test_no_score_stands_twice_in_a_column_and_columns_follow_the_cycles() -> None:
    place = _places(CYCLE[0], CYCLE.size)
    for column in place.T:
        apart = np.diff(column[column >= 0])
        assert np.all(np.abs(apart - BINS) <= BINS / 8)
    assert np.count_nonzero(place < 0) < 0.02 * place.size


def test_trials_count_wide_bands_phases_and_drifts_that_differ() -> None:
    whole = _trials(CYCLE[0], CYCLE.size, CHIRP.rate_s, REACH_S)
    assert 3e4 < whole < 1e5
    assert _trials(CYCLE[0], CYCLE.size, CHIRP.rate_s, 2 * REACH_S) < whole / 2
    assert _trials(CYCLE[0], 4, CHIRP.rate_s, REACH_S) == 1.0


@pytest.mark.parametrize("ratio", [0.02, 8.0])
def test_a_burst_s_likelihood_goes_from_the_mean_within_reach_to_the_greatest(ratio: float) -> None:
    """Of two moments with energies a and b it knows no better than their mean where both are faint."""
    step, rate_hz = 5, 48000.0
    energy = np.zeros(2000, np.float32)
    energy[1000:1005] = 10 * ratio
    one = _burst_likelihood(energy, step, rate_hz)
    energy[1010:1015] = 10 * ratio
    two = _burst_likelihood(energy, step, rate_hz)
    gain = float(np.max(two) / np.max(one))
    assert gain == pytest.approx(1.75 if ratio < 1 else 1.0, abs=0.06)


def test_a_burst_of_any_loudness_has_a_finite_likelihood() -> None:
    energy = np.zeros(2000, np.float32)
    energy[1000] = 1e12
    assert np.all(np.isfinite(_burst_likelihood(energy, 5, 48000.0)))
