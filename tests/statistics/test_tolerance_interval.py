"""Tolerance factors do what they promise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.statistics.ranges import range_moments
from rig.statistics.tolerance_interval import two_sided_factor

builds_st, share_st, sure_st = st.integers(2, 200), st.floats(0.6, 0.999), st.floats(0.5, 0.999)


@pytest.mark.parametrize("builds", [2, 3, 8, 40])
def test_intervals_hold_the_share_as_often_as_promised(builds: int) -> None:
    draws = np.random.default_rng(builds).standard_normal((40000, builds))
    mean, spread = draws.mean(axis=1), draws.std(axis=1, ddof=1)
    k = two_sided_factor(builds, 0.9, 0.95)
    inside = stats.norm.cdf(mean + k * spread) - stats.norm.cdf(mean - k * spread)
    # Four standard deviations of a share of 0.95 among 40,000 are 0.0044.
    assert np.mean(inside >= 0.9) == pytest.approx(0.95, abs=0.0044)


@given(builds_st, share_st, sure_st)
@settings(max_examples=10, deadline=None)
def test_more_builds_need_less(builds: int, coverage: float, confidence: float) -> None:
    assert two_sided_factor(builds + 10, coverage, max(confidence, 0.8)) < two_sided_factor(
        builds, coverage, max(confidence, 0.8)
    )


def test_many_builds_come_to_the_normal_quantile() -> None:
    assert two_sided_factor(100000, 0.95, 0.5) == pytest.approx(stats.norm.ppf(0.975), abs=1e-4)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((1, 0.9, 0.9), "builds: found 1"),
        ((2.5, 0.9, 0.9), "builds: found 2.5"),
        ((5, 1.0, 0.9), "coverage: found 1.0"),
        ((5, 0.5, 0.9), "coverage: found 0.5"),
        ((5, 0.9, 1.0), "confidence: found 1.0"),
        ((5, 0.9, float("nan")), "confidence: found nan"),
    ],
)
def test_refused(arguments: tuple[int, float, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        two_sided_factor(*arguments)


def test_ranges_of_many_draws() -> None:
    draws = np.random.default_rng(1).standard_normal((100000, 7))
    ranges = np.ptp(draws, axis=1)
    mean, square = range_moments(7)
    assert mean == pytest.approx(ranges.mean(), abs=0.012)
    assert square == pytest.approx((ranges**2).mean(), abs=0.07)
    with pytest.raises(ValueError, match="found 1 readings"):
        range_moments(1)
