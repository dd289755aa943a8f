"""The gauge study that the trade's manual works out, and its factors."""

import math

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.statistics import gauge
from rig.statistics.ranges import range_moments


def study_values() -> np.ndarray:
    """The manual's readings, shape (10 parts, 3 appraisers, 3 trials)."""
    values = np.full((10, 3, 3), np.nan)
    for row in rows("gauge_rr_aiag_data"):
        place = int(row["part"]) - 1, "ABC".index(row["appraiser"]), int(row["trial"]) - 1
        values[place] = float(row["value"])
    return values


def by_analysis_of_variance() -> dict[str, float]:
    study = gauge.analysis_of_variance(study_values())
    assert study.is_pooled
    names = {"parts": "part", "appraisers": "appraiser", "interaction": "interaction", "repeatability": "equipment"}
    squares = {f"SS {names[term.name]}": term.sum_of_squares for term in study.terms}
    means = {f"MS {names[term.name]}": term.mean_square for term in study.terms}
    return {
        **squares,
        **means,
        "SS total": sum(squares.values()),
        "variance repeatability": study.repeatability.value**2,
        "variance reproducibility": study.appraiser.value**2,
        "variance part": study.part.value**2,
        "variance GRR": study.gauge.value**2,
        "variance total": study.total.value**2,
        "EV": study.repeatability.value,
        "AV": study.appraiser.value,
        "GRR": study.gauge.value,
        "PV": study.part.value,
        "percent GRR of TV": study.percent_of_total,
        "percent contribution GRR": study.percent_of_total**2 / 100,
        "ndc": study.distinct_categories,
    }


#: What is read off the ranges: the other quantities of that method are not told by this rig.
BY_RANGES = ("average and range", "upper range limit")
WORKED = [
    row
    for row in rows("gauge_rr_published_results")
    if row["method"] != BY_RANGES[0] or row["quantity"] == BY_RANGES[1]
]


@pytest.mark.parametrize("row", WORKED, ids=lambda row: f"{row['method']} {row['quantity']}")
def test_worked_study(row: dict[str, str]) -> None:
    # AIAG, Measurement Systems Analysis, 4th ed.; the column `obtained` says which figures are from memory.
    found = {**by_analysis_of_variance(), "upper range limit": gauge.upper_range_limit(study_values())}
    published, tolerance = numbers(row, "published", "tolerance")
    assert found[row["quantity"]] == pytest.approx(published, abs=tolerance)


def test_interaction_is_not_significant() -> None:
    # AIAG, Measurement Systems Analysis, 4th ed.: pooled, for it is not significant.
    interaction = gauge.analysis_of_variance(study_values()).terms[2]
    assert interaction.name == "interaction"
    assert interaction.p_value > gauge.POOL_ABOVE


def test_range_out_of_control() -> None:
    # AIAG, Measurement Systems Analysis, 4th ed.: appraiser B's trials on part 4 (range 1.02).
    assert gauge.wide_cells(study_values()) == [(3, 1)]


@pytest.mark.parametrize("row", rows("gauge_rr_k_factors"), ids=lambda row: f"{row['factor']} {row['count']}")
def test_factors(row: dict[str, str]) -> None:
    # AIAG, Measurement Systems Analysis, 4th ed., appendix C, and K1 from memory.
    mean, square = range_moments(int(row["count"]))
    divisor = mean if row["factor"].startswith("K1") else math.sqrt(square)
    assert divisor == pytest.approx(float(row["d2_star"].split()[0]), abs=5e-4)
    assert 1 / divisor == pytest.approx(float(row["k"]), abs=1e-4)


def test_upper_factor_of_ranges() -> None:
    # D4 = 2.574 for three readings: control chart constants, ISO 7870-2 and AIAG.
    mean, square = range_moments(3)
    assert 1 + 3 * math.sqrt(square - mean**2) / mean == pytest.approx(2.574, abs=1e-3)
