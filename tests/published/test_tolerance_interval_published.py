"""Tolerance factors of the normal distribution against printed tables."""

import pytest
from reference_csv import numbers, rows

from rig.statistics.tolerance_interval import two_sided_factor

TWO_SIDED = [row for row in rows("normal_tolerance_factors") if row["kind"] == "two-sided"]


@pytest.mark.parametrize("row", TWO_SIDED, ids=lambda row: row["builds"])
def test_printed_factors(row: dict[str, str]) -> None:
    # Odeh, Owen, Tables for Normal Tolerance Limits (1980), and NIST/SEMATECH e-Handbook 7.2.6.3; from memory.
    coverage, confidence, k = numbers(row, "coverage", "confidence", "k")
    digits = len(row["k"].split(".")[1])
    assert two_sided_factor(int(row["builds"]), coverage, confidence) == pytest.approx(k, abs=0.6 * 10**-digits)
