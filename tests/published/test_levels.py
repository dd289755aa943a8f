"""Levels against their definitions, as printed in the reference table."""

import math

import numpy as np
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
    "2.83 V re 1 V": lambda: levels.dbv(2 * math.sqrt(2)),
    "0 dBu": lambda: levels.REFERENCE_DBU_V,
    "distance law 1 m to 0.5 m": lambda: levels.distance_change_db(1.0, 0.5),
    "distance law 1 m to 3.16 m": lambda: levels.distance_change_db(1.0, math.sqrt(10)),
    "two equal incoherent levels": lambda: levels.incoherent_sum_db([0.0, 0.0]),
    "two equal coherent levels": lambda: levels.db(2.0),
    "noise 6 dB below signal+noise: correction": lambda: levels.background_correction_db(66.0, 60.0),
    "noise 10 dB below: correction": lambda: levels.background_correction_db(70.0, 60.0),
}


@pytest.mark.parametrize("quantity", COMPUTED)
def test_conversions_give_the_printed_values(quantity):
    # Source: definitions (ISO 1683 reference values; ISO 3744 background correction), per row of the table.
    assert float(COMPUTED[quantity]()) == pytest.approx(TABLE[quantity], abs=6e-5)


def test_zero_dbu_is_its_voltage():
    # Source: definition, 1 mW into 600 ohm.
    assert float(levels.dbu(TABLE["0 dBu"])) == pytest.approx(0, abs=1e-5)


@pytest.mark.parametrize(
    ("shape", "crest_db"),
    [(np.sin, 3.0103), (lambda p: 2 / np.pi * np.arcsin(np.sin(p)), 4.7712), (lambda p: np.sign(np.sin(p)), 0.0)],
    ids=["sine", "triangle", "square"],
)
def test_crest_factors_of_waveforms(shape, crest_db):
    # Source: definition: sqrt 2, sqrt 3 and 1.
    phase = 2 * np.pi * (np.arange(200000) + 0.5) / 40000
    assert float(levels.crest_factor_db(shape(phase))) == pytest.approx(crest_db, abs=1e-3)
