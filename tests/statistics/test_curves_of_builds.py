"""Few builds and a spread known before: false alarms as stated, odd ones named, and the scale that builds have."""

import numpy as np
import pytest

from rig.statistics.curves_of_builds import (
    DEGREES_BEFORE,
    SpreadBefore,
    departure_limit,
    departures,
    joined_spread,
    next_unit,
    spread_before,
)

HZ = np.geomspace(100, 10000, 60)


def curves(units: int, seed: int) -> np.ndarray:
    """Eight smooth shapes, each with a normal amount."""
    shapes = np.exp(-0.5 * ((np.log2(HZ) - np.linspace(7, 13, 8)[:, np.newaxis]) / 0.8) ** 2)
    return np.asarray(np.random.default_rng(seed).standard_normal((units, 8)) @ shapes)


@pytest.fixture(scope="module")
def before() -> SpreadBefore:
    return spread_before(HZ, curves(5000, 1), 0.1)


@pytest.mark.parametrize("builds", [2, 3, 5, 10])
def test_good_builds_are_refused_as_rarely_as_stated(before: SpreadBefore, builds: int) -> None:
    """Units that were not drawn with, of a population of the scale that is expected: binomial, three sigma of 1 %."""
    limit = departure_limit(before, builds, 0.01)
    noise = 0.1 * np.random.default_rng(3).standard_normal((2000 * builds, HZ.size))
    units = curves(2000 * builds, 2) + noise
    furthest = np.max(departures(before, units.reshape(2000, builds, HZ.size)), axis=-1)
    assert np.mean(furthest > limit) < 0.01 + 3 * np.sqrt(0.01 / 2000)


@pytest.mark.parametrize("times", [0.6, 1.0])
def test_one_odd_build_of_three_is_the_furthest_off_and_does_not_hide_itself(
    before: SpreadBefore, times: float
) -> None:
    sets = times * curves(3 * 300, 4).reshape(300, 3, HZ.size)
    sets[:, 1] += 10 * (HZ > 2000)
    far = departures(before, sets)
    named = (np.argmax(far, axis=-1) == 1) & (np.max(far, axis=-1) > departure_limit(before, 3, 0.01))
    assert np.mean(named) > 0.95


def test_departures_are_those_of_leave_one_out_by_hand(before: SpreadBefore) -> None:
    sets = curves(4, 5)
    far = departures(before, sets)
    others = np.delete(sets, 2, axis=0)
    off = (sets[2] - others.mean(axis=0)) / before.sigma / np.sqrt(1 + 1 / 3)
    variance = np.mean(np.var(others, axis=0, ddof=1) / before.sigma**2)
    degrees = 2 * HZ.size**2 / np.sum(before.correlation2)
    scale2 = (DEGREES_BEFORE + degrees * variance) / (DEGREES_BEFORE + degrees)
    assert far[2] == pytest.approx(np.sqrt(np.mean(off**2) / scale2))


@pytest.mark.parametrize("scale", [0.5, 1.5])
def test_builds_tell_the_scale_and_many_tell_it_better(before: SpreadBefore, scale: float) -> None:
    found = {n: joined_spread(before, scale * curves(n, 6)).sigma / before.sigma for n in (1, 3, 100)}
    assert found[1] == pytest.approx(1.0)
    off = {n: abs(np.median(np.log(ratio / scale))) for n, ratio in found.items()}
    assert off[100] < 0.1
    assert off[100] < off[3] < off[1]


def test_a_spread_that_differs_over_frequency_is_learnt_around_each_point(before: SpreadBefore) -> None:
    wider = np.where(HZ > 1000, 1.4, 0.5)
    ratio = joined_spread(before, wider * curves(3000, 7)).sigma / before.sigma
    assert np.mean(ratio[HZ > 3000]) == pytest.approx(1.4, rel=0.12)
    assert np.mean(ratio[HZ < 300]) == pytest.approx(0.5, rel=0.2)


def test_the_next_unit_lies_further_off_the_mean_of_few_builds(before: SpreadBefore) -> None:
    joined = joined_spread(before, curves(100, 6))
    few, many = (np.std(next_unit(before, joined, n, np.random.default_rng(1)), axis=0) for n in (3, 1000))
    assert few / many == pytest.approx(np.sqrt(4 / 3), rel=0.03)
