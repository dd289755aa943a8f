"""Tolerance factors of the normal distribution against printed tables."""

import pytest
from reference_csv import numbers, rows

from rig.statistics.tolerance_interval import one_sided_factor, two_sided_factor


@pytest.mark.parametrize("row", rows("normal_tolerance_factors"), ids=lambda row: f"{row['kind']} {row['builds']}")
def test_printed_factors(row: dict[str, str]) -> None:
    # Odeh, Owen, Tables for Normal Tolerance Limits (1980), and NIST/SEMATECH e-Handbook 7.2.6.3; from memory.
    coverage, confidence, k = numbers(row, "coverage", "confidence", "k")
    factor = two_sided_factor if row["kind"] == "two-sided" else one_sided_factor
    digits = len(row["k"].split(".")[1])
    assert factor(int(row["builds"]), coverage, confidence) == pytest.approx(k, abs=0.6 * 10**-digits)
