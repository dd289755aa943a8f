"""Probability of conformity and guard bands against JCGM 106:2012, ILAC-G8:09/2019 and published global risks."""

import math

import numpy as np
import pytest
from reference_csv import rows
from scipy import integrate, stats

from rig.statistics.conformity import decide, probability_of_conformity


@pytest.mark.parametrize("row", rows("conformance_probability"), ids=lambda row: row["case"])
def test_probability_of_conformity_of_the_guide_s_examples(row: dict[str, str]) -> None:
    """JCGM 106:2012 clause 7, from memory; the last printed digit."""
    lower = float(row["lower_limit"] or -math.inf)
    upper = float(row["upper_limit"] or math.inf)
    found = probability_of_conformity(float(row["estimate"]), float(row["standard_uncertainty"]), lower, upper)
    assert float(found) == pytest.approx(float(row["p_conform_calc"]), abs=1e-6)
    assert float(found) == pytest.approx(float(row["p_conform_published"]), abs=5e-3)


@pytest.mark.parametrize("row", rows("guard_band_specific_risk"), ids=lambda row: row["decision_rule"])
def test_the_greatest_risk_behind_a_guard_band(row: dict[str, str]) -> None:
    """ILAC-G8:09/2019: a value just accepted has the rule's greatest specific risk."""
    guard, u = float(row["r"]), 0.35
    values = 10 - np.linspace(0, 4 * u, 400001)
    rule = "simple" if guard == 0 else "guarded"
    accepted, _ = decide(values, u, -math.inf, 10.0, rule, guard=guard)
    worst = values[accepted].max()
    risk = 100 * (1 - float(probability_of_conformity(worst, u, -math.inf, 10.0)))
    assert risk == pytest.approx(float(row["max_specific_risk_percent"]), abs=1e-3)


def test_global_risks_of_simple_acceptance() -> None:
    """Consumer's and producer's risk, from the bivariate normal (Deaver; JCGM 106:2012 clause 9)."""
    (row,) = rows("global_risk")
    process, u = float(row["process_sd"]), float(row["measurement_u"])
    limit = float(row["tolerance_half_width"])

    def accepted(true: float) -> float:
        return float(probability_of_conformity(true, u, -limit, limit))

    def weighed(true: float) -> float:
        return accepted(true) * stats.norm.pdf(true, scale=process)

    false_accept = 2 * integrate.quad(weighed, limit, 12)[0]
    false_reject = stats.norm.cdf(limit, scale=process) * 2 - 1 - integrate.quad(weighed, -limit, limit)[0]
    assert 100 * false_accept == pytest.approx(float(row["false_accept_percent_calc"]), abs=1e-3)
    assert 100 * false_reject == pytest.approx(float(row["false_reject_percent_calc"]), abs=1e-3)
