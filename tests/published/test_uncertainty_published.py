"""Standard uncertainties against the tables of the GUM, JCGM 100:2008."""

import numpy as np
import pytest
from reference_csv import numbers, rows
from scipy import special

from rig.signals.uncertainty import from_bounds, of_few_values


@pytest.mark.parametrize("row", rows("gum_t_factors"), ids=lambda row: row["dof"])
def test_the_t_factors_of_table_g_2(row: dict[str, str]) -> None:
    """Of a band and a time with so many degrees of freedom; below two no less than two are taken."""
    dof, printed, exact = numbers(row, "dof", "t95_table", "t95_calc")
    t95 = float(of_few_values(dof, 1.0)) * float(special.ndtri(0.975))
    if dof < 2:
        assert t95 == pytest.approx(4.3027, abs=1e-3)
    else:
        assert t95 == pytest.approx(exact, abs=1e-3)
        assert t95 == pytest.approx(printed, abs=0.01)


def test_the_divisor_of_a_rectangular_distribution() -> None:
    """4.3.7; the half width over the root of three."""
    (divisor,) = (numbers(row, "divisor")[0] for row in rows("gum_divisors") if "rectangular" in row["distribution"])
    assert from_bounds([0.3, 6.0]) == pytest.approx(np.array([0.3, 6.0]) / divisor, rel=1e-6)
