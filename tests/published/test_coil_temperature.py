"""Temperature of a winding from its resistance, against copper's linear law."""

import pytest
from reference_csv import numbers, rows

from rig.signals.coil import COPPER_K, coil_temperature

# Source: reference/copper_temperature_cases.csv (computed from the linear law, IEC 60028 and resistance method)
# and reference/copper_constants.csv, where each value says its own.
CASES = rows("copper_temperature_cases")
CONSTANTS = {row["quantity"]: float(row["value"]) for row in rows("copper_constants")}


@pytest.mark.parametrize("case", CASES, ids=lambda row: row["case"])
def test_a_winding_heats_as_in_the_table(case):
    cold_ohm, cold_celsius, hot_ohm, hot_celsius, rise_k = numbers(
        case, "r1_ohm", "t1_degc", "r2_ohm", "t2_degc", "rise_k"
    )
    constant = case["k_or_alpha"]
    k = 1 / float(constant.removeprefix("alpha20=")) - 20 if "alpha" in constant else float(constant)
    celsius, _ = coil_temperature(hot_ohm, cold_ohm, cold_celsius, k=k)
    assert celsius == pytest.approx(hot_celsius, abs=1e-3)
    assert celsius - cold_celsius == pytest.approx(rise_k, abs=1e-3)
    # The two standards' lines for copper differ by less than a fifth of a kelvin in a hundred.
    assert coil_temperature(hot_ohm, cold_ohm, cold_celsius)[0] == pytest.approx(hot_celsius, abs=0.3)


def test_the_line_used_is_that_of_the_standards():
    assert pytest.approx(CONSTANTS["inferred_zero_resistance_temp_degC"]) == -COPPER_K
    hotter, _ = coil_temperature(1 + CONSTANTS["alpha20_copper_per_K"], 1.0, 20.0)
    assert hotter == pytest.approx(21, abs=1e-3)
