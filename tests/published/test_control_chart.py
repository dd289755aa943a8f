"""The daily check's chart against published constants, a published example and run lengths."""

import itertools
import math

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.statistics.chart import beyond_limits, individuals_chart, run_rules
from rig.statistics.ranges import range_moments

#: NIST/SEMATECH e-Handbook, 6.3.2.2.
HANDBOOK = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_the_handbook_s_example():
    chart = individuals_chart(HANDBOOK)
    found = {
        "mean": chart.centre,
        "mean moving range": chart.mean_range,
        "upper limit": chart.upper,
        "lower limit": chart.lower,
        "upper limit of moving range": chart.upper_range,
    }
    table = rows("individuals_chart")
    assert [row["quantity"] for row in table] == list(found)
    for row in table:
        published, tolerance = numbers(row, "published", "tolerance")
        assert found[row["quantity"]] == pytest.approx(published, abs=tolerance), row["quantity"]
    assert beyond_limits(chart, HANDBOOK) == [""] * 10


def test_the_constants():
    d2, square = range_moments(2)
    chart = individuals_chart([0.0, 1.0])
    found = {"d2": d2, "d3": math.sqrt(square - d2**2), "D4": chart.upper_range, "E2": chart.upper - chart.centre}
    for row in rows("individuals_constants"):
        published, tolerance = numbers(row, "published", "tolerance")
        assert found[row["constant"]] == pytest.approx(published, abs=tolerance), row["constant"]


@pytest.mark.parametrize(
    ("name", "sequence"),
    [(n, list(g)) for n, g in itertools.groupby(rows("run_rule_sequences"), lambda r: r["sequence"])],
)
def test_run_rules_signal_where_they_should(name, sequence):
    found = run_rules([float(row["z"]) for row in sequence])
    told = ["; ".join(str(rule + 1) for rule in np.flatnonzero(point)) for point in found]
    assert told == [row["rules"] for row in sequence]


def test_average_run_length_in_control():
    # Exact: 1 / (2 Phi(-3)) = 370.4 (Shewhart, 3 sigma); with the four rules 91.75 (Champ and Woodall, Technometrics
    # 29, 1987). Points of one long row signal at the reciprocal rate of rule 1; runs are begun anew for the rest.
    random = np.random.default_rng(8)
    z = random.standard_normal((3000, 400))
    first = [np.argmax(np.any(broken, axis=1)) + 1 if broken.any() else 400 for broken in map(run_rules, z)]
    # A geometric tail: runs cut at 400 are 1.3 % of them, and go on for another 92 on the average.
    length = np.mean(first) + np.mean(np.array(first) == 400) * 91.75
    # Standard error of the mean of 3000 runs is about 1.6.
    assert length == pytest.approx(91.75, abs=5)
