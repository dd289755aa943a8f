"""Levels against their definitions, as printed in the reference table."""

import math

import pytest
from reference_csv import rows

from rig.signals import levels

TABLE = {row["quantity"]: float(row["value"]) for row in rows("level_conversions")}
COMPUTED = {
    "94 dB SPL in Pa": lambda: levels.pressure_pa(94),
    "1 Pa in dB SPL": lambda: levels.db_spl(1.0),
    "114 dB SPL in Pa": lambda: levels.pressure_pa(114),
    "mic 12.5 mV/Pa in dB re 1 V/Pa": lambda: levels.db(0.0125),
    "mic 50 mV/Pa, 94 dB calibrator: rms volts": lambda: 0.05 * levels.pressure_pa(94),
    "2.83 V re 1 V": lambda: levels.db(2 * math.sqrt(2)),
    "two equal coherent levels": lambda: levels.db(2.0),
}


@pytest.mark.parametrize("quantity", COMPUTED)
def test_conversions_give_the_printed_values(quantity):
    # Source: definitions (ISO 1683 reference values), per row of the table.
    assert float(COMPUTED[quantity]()) == pytest.approx(TABLE[quantity], abs=6e-5)
