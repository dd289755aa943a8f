"""Impedance from the voltages around a sense resistor, against worked values of the divider."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference_csv import numbers, rows

from checks.impedance import load_impedance
from rig.values.captures import KnownLoad

sys.path.append(str(Path(__file__).parents[1] / "checks"))
from captures import BENCH, captured, flat, one_driver_kit

CASES = rows("sense_resistor_cases")


@pytest.mark.parametrize("case", CASES, ids=lambda row: f"{row['z_mag_ohm']} ohm")
@pytest.mark.parametrize("sense_in", ["return", "source"])
def test_the_voltages_of_the_table_give_its_impedance(case, sense_in):
    # Source: reference/sense_resistor_cases.csv (computed: unit source in series with sense resistor and load).
    z_re, z_im, sense_ohm, z_mag, z_deg = numbers(case, "z_re_ohm", "z_im_ohm", "rs_ohm", "z_mag_ohm", "z_deg")
    across = {"return": "sense", "source": "load"}[sense_in]
    magnitude, angle_deg = numbers(case, f"v_{across}_mag", f"v_{across}_deg")
    matched = KnownLoad(np.array([10.0, 20000.0]), np.ones(2, np.complex128), 10.0, "2026-01-01T12:00:00+00:00")
    calibration = replace(BENCH, sense_ohm=sense_ohm, sense_in=sense_in, known_load=matched)
    # The table gives one complex value: at all frequencies alike, but for a real signal's ends.
    constant = magnitude * np.exp(1j * np.radians(angle_deg))
    paths = {
        "drive": flat(1.0),
        "sense": lambda f: np.where(f > 0, constant, constant.real),
    }
    request = replace(one_driver_kit().sweep("leads", "only"), start_hz=100.0)
    found = load_impedance(captured(request, paths, calibration), np.geomspace(300, 10000, 20)).ohm
    # The table's voltages have eight figures; a few of them go where load and resistor are far apart.
    assert np.abs(found) == pytest.approx(np.full(20, z_mag), rel=1e-3)
    assert np.degrees(np.angle(found)) == pytest.approx(np.full(20, z_deg), abs=0.05)
    assert complex(z_re, z_im) == pytest.approx(z_mag * np.exp(1j * np.radians(z_deg)), rel=1e-6)
