"""Tolerance factors of the normal distribution against printed tables."""

import pytest
from reference_csv import numbers, rows

from rig.statistics.tolerance_interval import howe_factor, one_sided_factor, two_sided_factor


@pytest.mark.parametrize("row", rows("normal_tolerance_factors"), ids=lambda row: f"{row['kind']} {row['builds']}")
def test_printed_factors(row: dict[str, str]) -> None:
    # Odeh, Owen, Tables for Normal Tolerance Limits (1980), and NIST/SEMATECH e-Handbook 7.2.6.3; from memory.
    coverage, confidence, k = numbers(row, "coverage", "confidence", "k")
    factor = two_sided_factor if row["kind"] == "two-sided" else one_sided_factor
    digits = len(row["k"].split(".")[1])
    assert factor(int(row["builds"]), coverage, confidence) == pytest.approx(k, abs=0.6 * 10**-digits)


def test_howe_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3, two-sided example with 43 wafers, from memory.
    assert howe_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=1e-3)


@pytest.mark.parametrize("builds", [5, 8, 20, 100])
def test_exact_factor_is_near_howe(builds: int) -> None:
    # Howe, J. Am. Stat. Assoc. 64 (1969): two approaches to the same factor.
    exact = two_sided_factor(builds, 0.99, 0.95)
    assert exact == pytest.approx(howe_factor(builds, 0.99, 0.95), rel=0.02)
