"""The chart's own rules."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.statistics.chart import beyond_limits, individuals_chart

steady = st.lists(st.floats(-100, 100), min_size=3, max_size=30)


@given(steady, st.floats(-50, 50), st.floats(0.1, 10))
def test_limits_move_and_stretch_with_the_values(values, shift, scale):
    one, other = individuals_chart(values), individuals_chart([scale * value + shift for value in values])
    assert other.centre == pytest.approx(scale * one.centre + shift, abs=1e-9)
    assert other.upper - other.lower == pytest.approx(scale * (one.upper - one.lower), abs=1e-9)
    assert other.upper_range == pytest.approx(scale * one.upper_range, abs=1e-9)


def test_what_leaves_the_limits_is_told():
    chart = individuals_chart([10.0, 10.1, 9.9, 10.0, 10.1, 9.9])
    inside, above, below = 10.0, chart.upper + 0.001, chart.lower - 0.001
    assert beyond_limits(chart, [inside, above])[1].startswith("above the upper limit")
    assert beyond_limits(chart, [inside, below])[1].startswith("below the lower limit")
    # From one limit to the other: both inside, but too far apart for neighbours.
    first, second = beyond_limits(chart, [chart.lower, chart.upper])
    assert not first
    assert second.startswith("moved by")
    assert beyond_limits(chart, [chart.upper, chart.upper]) == ["", ""]


@pytest.mark.parametrize("values", [[], [1.0], [1.0, float("nan")], [[1.0, 2.0]]])
def test_what_is_no_row_of_values_is_refused(values):
    with pytest.raises(ValueError, match="finite values"):
        individuals_chart(values)
