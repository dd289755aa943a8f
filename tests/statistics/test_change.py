"""Charts of many rows together: what they find, what they leave alone, and what no odd value may do to them."""

import numpy as np
import pytest

from rig.statistics import change


def steps_of(rows: np.ndarray) -> list[list[int]]:
    scores = change.normal_scores(rows)
    limit = change.limits(scores, orders=300).step
    return [change.steps(row, limit) for row in scores]


def test_a_step_is_found_among_rows_that_stay() -> None:
    rows = np.random.default_rng(1).standard_normal((12, 90))
    rows[4, 60:] += 2.0
    # Rows of one cause, rows that are skewed, and a few values that are far off: none of them is a step.
    rows[7] = np.exp(rows[6])
    rows[9, [10, 40]] = 50.0
    found = steps_of(rows)
    assert [place for place, row in enumerate(found) if row] == [4]
    assert abs(found[4][0] - 60) <= 3


def test_two_steps_in_a_row_are_both_found() -> None:
    rows = np.random.default_rng(2).standard_normal((6, 150))
    rows[0, 50:] += 3.0
    rows[0, 100:] -= 3.0
    [first, second] = steps_of(rows)[0]
    assert abs(first - 50) <= 2
    assert abs(second - 100) <= 2


def test_a_steady_drift_is_told_from_a_step() -> None:
    random = np.random.default_rng(3)
    assert change.change_point(random.standard_normal(100) + np.linspace(0, 4, 100)).is_drift
    assert not change.change_point(random.standard_normal(100) + 3 * (np.arange(100) >= 60)).is_drift


def test_clean_rows_cry_seldom() -> None:
    # 20 batches of 20 rows: 3 % each are 0.6, and 4 or more come by chance once in 400 times (binomial).
    random, cried = np.random.default_rng(4), 0
    for _ in range(20):
        scores = change.normal_scores(random.standard_normal((20, 40)))
        limits = change.limits(scores, orders=200)
        sigma = change.moving_average_sigma(40)
        cried += bool(
            change.step_sizes(scores).max() > limits.step
            or np.abs(change.moving_average(scores) / sigma).max() > limits.average
            or change.run_lengths(scores).max() >= limits.run
        )
    assert cried <= 3


def test_values_that_were_not_measured_weigh_nothing() -> None:
    row = np.random.default_rng(5).standard_normal((1, 40))
    row[0, ::4] = np.nan
    scores = change.normal_scores(row)
    assert np.all(scores[0, ::4] == 0)
    assert np.isfinite(scores).all()
    assert np.mean(scores) == pytest.approx(0, abs=1e-12)


def test_run_lengths_count_a_side() -> None:
    found = change.run_lengths(np.array([1.0, 2, -1, -1, -1, 0, 1]))
    assert found.tolist() == [1, 2, 1, 2, 3, 0, 1]


def test_odd_values_stand_well_apart() -> None:
    random = np.random.default_rng(6)
    values = random.standard_normal(200)
    values[17], values[90] = 25.0, -18.0
    assert change.odd_values(values, 1e-4) == [17, 90]
    # A heavy or a skewed tail, and rounded readings, are no odd ones.
    for row in (random.lognormal(0, 0.5, 200), random.gumbel(size=60), np.round(2 * random.standard_normal(300))):
        assert change.odd_values(row, 1e-4) == []
    assert change.odd_values(-values, 1e-4, only_high=True) == [90]
