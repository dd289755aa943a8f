"""Gauge studies of which the truth is known, and those that must be refused."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rig.statistics.gauge import analysis_of_variance, wide_cells

Sizes = tuple[int, int, int]


def drawn(
    random: np.random.Generator, size: Sizes, part: float, appraiser: float, both: float, own: float
) -> np.ndarray:
    """Readings with these standard deviations."""
    parts, appraisers, _ = size
    normal = random.standard_normal
    return (
        part * normal((parts, 1, 1))
        + appraiser * normal((1, appraisers, 1))
        + both * normal((parts, appraisers, 1))
        + own * normal(size)
    )


def test_large_study_finds_every_spread() -> None:
    values = drawn(np.random.default_rng(5), (60, 60, 3), part=2.0, appraiser=0.5, both=0.3, own=0.4)
    study = analysis_of_variance(values)
    assert not study.is_pooled
    assert study.part.value == pytest.approx(2.0, rel=0.25)
    assert study.appraiser.value == pytest.approx(0.5, rel=0.25)
    assert study.interaction.value == pytest.approx(0.3, rel=0.05)
    assert study.repeatability.value == pytest.approx(0.4, rel=0.03)
    assert study.gauge.value == pytest.approx(math.sqrt(0.5**2 + 0.3**2 + 0.4**2), rel=0.15)
    assert study.percent_of_tolerance(6.0).value == pytest.approx(100 * study.gauge.value)


@pytest.mark.parametrize("size", [(6, 3, 2), (5, 1, 3)])
def test_intervals_hold_the_truth(size: Sizes) -> None:
    random, count = np.random.default_rng(3), 300
    spreads = {"part": 1.0, "appraiser": 0.3, "both": 0.0, "own": 0.2}
    if size[1] == 1:
        spreads["appraiser"] = 0.0
    truth = {"part": 1.0, "repeatability": 0.2, "gauge": math.hypot(spreads["appraiser"], 0.2)}
    held = dict.fromkeys(truth, 0)
    for _ in range(count):
        study = analysis_of_variance(drawn(random, size, **spreads))
        for name, value in truth.items():
            spread = getattr(study, name)
            held[name] += spread.lower <= value <= spread.upper
    # Of 95 % intervals; four standard deviations of a count of 300 are 5 %.
    assert all(0.90 <= held[name] / count <= 0.995 for name in truth), held


readings = arrays(np.float64, (4, 3, 2), elements=st.floats(-100, 100, width=16))


@given(readings, st.floats(0.25, 8), st.floats(-50, 50))
@settings(max_examples=40, deadline=None)
def test_scale_and_offset(values: np.ndarray, scale: float, offset: float) -> None:
    # Pooling may tip at a p value that is just at the edge: never here.
    one = analysis_of_variance(values, pool_above=1.0)
    other = analysis_of_variance(values * scale + offset, pool_above=1.0)
    for name in ("repeatability", "appraiser", "interaction", "gauge", "part", "total"):
        assert getattr(other, name).value == pytest.approx(scale * getattr(one, name).value, rel=1e-6, abs=1e-4)


@given(readings, st.randoms())
@settings(max_examples=40, deadline=None)
def test_order_of_parts_appraisers_and_trials_does_not_matter(values: np.ndarray, chance: object) -> None:
    shuffled = values
    for axis in range(3):
        order = list(range(values.shape[axis]))
        chance.shuffle(order)  # type: ignore[attr-defined]
        shuffled = np.take(shuffled, order, axis)
    one, other = (analysis_of_variance(x, pool_above=1.0) for x in (values, shuffled))
    for name in ("gauge", "part"):
        assert getattr(other, name).value == pytest.approx(getattr(one, name).value, rel=1e-6, abs=1e-5)


@given(readings)
@settings(max_examples=40, deadline=None)
def test_sums_of_squares_add_up_and_intervals_hold_their_value(values: np.ndarray) -> None:
    study = analysis_of_variance(values)
    whole = float(np.sum((values - values.mean()) ** 2))
    assert sum(term.sum_of_squares for term in study.terms) == pytest.approx(whole, rel=1e-9, abs=1e-9)
    assert sum(term.degrees for term in study.terms) == values.size - 1
    for name in ("repeatability", "appraiser", "interaction", "gauge", "part", "total"):
        spread = getattr(study, name)
        assert 0 <= spread.lower <= spread.value <= spread.upper
    assert study.total.value == pytest.approx(math.hypot(study.gauge.value, study.part.value))


def test_one_appraiser_says_nothing_about_appraisers() -> None:
    values = drawn(np.random.default_rng(2), (5, 1, 5), part=1.0, appraiser=0.0, both=0.0, own=0.1)
    study = analysis_of_variance(values)
    assert math.isnan(study.appraiser.value)
    assert math.isnan(study.interaction.value)
    assert study.gauge.value == study.repeatability.value == pytest.approx(0.1, rel=0.4)


def test_appraisers_apart_are_seen() -> None:
    # Two people who repeat to nothing and disagree by 1: the repeatability is zero, the gauge is not.
    values = np.zeros((3, 2, 2)) + np.arange(3.0)[:, None, None] + np.array([0.0, 1.0])[:, None]
    study = analysis_of_variance(values)
    assert study.repeatability.value == pytest.approx(0, abs=1e-9)
    assert study.appraiser.value == pytest.approx(math.sqrt(0.5))


def test_a_gauge_that_never_varies() -> None:
    study = analysis_of_variance(np.broadcast_to(np.arange(4.0)[:, None, None], (4, 2, 2)))
    assert (study.gauge.value, study.percent_of_total, study.distinct_categories) == (0.0, 0.0, math.inf)
    nothing = analysis_of_variance(np.ones((4, 2, 2)))
    assert math.isnan(nothing.percent_of_total)
    assert math.isnan(nothing.distinct_categories)


def test_a_wide_cell_is_found() -> None:
    values = drawn(np.random.default_rng(4), (8, 2, 3), part=1.0, appraiser=0.0, both=0.0, own=0.1)
    values[5, 1, 2] += 2.0
    assert wide_cells(values) == [(5, 1)]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.zeros((3, 2)), "allowed: \\(parts, appraisers, trials\\)"),
        (np.zeros((1, 2, 2)), "at least 2 parts"),
        (np.zeros((3, 2, 1)), "2 trials"),
        (np.zeros((3, 0, 2)), "1 appraiser"),
        (np.where(np.arange(12).reshape(3, 2, 2) == 6, np.nan, 0.0), "1 readings .* part 2 by appraiser 2"),
        (np.full((3, 2, 2), np.inf), "12 readings"),
    ],
)
def test_refused(values: np.ndarray, words: str) -> None:
    for method in (analysis_of_variance, wide_cells):
        with pytest.raises(ValueError, match=words):
            method(values)


def test_refused_settings() -> None:
    values = np.arange(12.0).reshape(3, 2, 2)
    with pytest.raises(ValueError, match="tolerance: found 0"):
        analysis_of_variance(values).percent_of_tolerance(0)
