"""Units that passed: what is put back of what limits cut off, and whether a population has drifted."""

import numpy as np
import pytest
import scipy

from rig.statistics.curves_of_builds import drift, drift_limit, spread_before
from rig.statistics.truncation import restored


@pytest.mark.parametrize(("lower", "upper"), [(-1.5, 1.5), (-1.0, 3.0)])
def test_what_is_found_again_is_of_the_greatest_likelihood(lower: float, upper: float) -> None:
    """At a single point, against a search of the likelihood itself."""
    all_units, normal = np.random.default_rng(1).standard_normal((2, 20000, 1))
    passed = all_units[(all_units[:, 0] > lower) & (all_units[:, 0] < upper)][:3000]

    def against(at: np.ndarray) -> float:
        mean, sigma = at[0], np.exp(at[1])
        inside = scipy.stats.norm.cdf((upper - mean) / sigma) - scipy.stats.norm.cdf((lower - mean) / sigma)
        return float(-np.sum(scipy.stats.norm.logpdf(passed, mean, sigma) - np.log(inside)))

    best = scipy.optimize.minimize(against, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8}).x
    full = passed
    for _ in range(100):
        drawn = np.mean(full) + np.std(full) * normal
        full = restored(passed, drawn, np.array([lower]), np.array([upper]))
    assert [np.mean(full), np.std(full)] == pytest.approx([best[0], np.exp(best[1])], abs=0.03)


def test_where_hardly_any_unit_would_pass_nothing_is_put_back() -> None:
    passed, drawn = np.zeros((3, 2)), np.random.default_rng(1).standard_normal((1000, 2))
    assert restored(passed, drawn, np.array([5.0, -9.0]), np.array([9.0, 9.0])) is passed


def test_a_new_batch_is_told_and_the_same_population_seldom() -> None:
    shapes = np.exp(-0.5 * ((np.linspace(0, 6, 60) - np.linspace(0, 6, 6)[:, np.newaxis]) / 0.7) ** 2)
    random = np.random.default_rng(2)
    draw = lambda units: random.standard_normal((units, 6)) @ shapes  # noqa: E731
    before = spread_before(np.geomspace(100, 10000, 60), draw(4000), 0.05)
    limit = drift_limit(before, 18, 0.01)
    assert np.mean([drift(before, draw(10), draw(8)) > limit for _ in range(1000)]) < 0.02
    assert np.mean([drift(before, draw(10), draw(8) + 4 * shapes[3]) > limit for _ in range(100)]) > 0.95
