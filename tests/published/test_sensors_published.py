"""Sensor conversions against printed tables."""

import pytest
from reference_csv import numbers, rows

from rig.signals import sensors

# Source: reference/pt100_iec60751.csv (IEC 60751), printed to 0.01 ohm.
PT100 = [numbers(row, "t_degc", "r_table_ohm") for row in rows("pt100_iec60751")]
# Source: the table of IEC 60751 at its colder and hotter end; from memory.
PT100_FROM_MEMORY = [(-200, 18.52), (-100, 60.26), (-50, 80.31), (200, 175.86), (400, 247.09), (850, 390.48)]
# Source: reference/thermocouple_k_its90.csv (NIST Monograph 175, IEC 60584-1), printed to 0.001 mV.
TYPE_K = [numbers(row, "t_degc", "emf_table_mv") for row in rows("thermocouple_k_its90")]
# Source: the table of NIST Monograph 175; from memory.
TYPE_K_FROM_MEMORY = [(-200, -5.891), (-100, -3.554), (200, 8.138), (500, 20.644), (1000, 41.276), (1372, 54.886)]


@pytest.mark.parametrize(("celsius", "ohm"), PT100 + PT100_FROM_MEMORY)
def test_pt100(celsius, ohm):
    assert sensors.pt100_ohm(celsius) == pytest.approx(ohm, abs=0.0051)
    # Half a step of the table is 0.013 K at 0 degC, and 0.017 K at 850 degC; the last row stands on the very end.
    assert sensors.pt100_celsius(min(max(ohm, 18.5201), 390.481)) == pytest.approx(celsius, abs=0.02)


@pytest.mark.parametrize(("celsius", "millivolts"), TYPE_K + TYPE_K_FROM_MEMORY)
def test_thermocouple_k(celsius, millivolts):
    assert 1000 * sensors.thermocouple_k_volts(celsius) == pytest.approx(millivolts, abs=0.00051)


@pytest.mark.parametrize(("celsius", "millivolts"), TYPE_K)
@pytest.mark.parametrize("cold_celsius", [0, 25, 40])
def test_thermocouple_k_with_its_cold_junction(celsius, millivolts, cold_celsius):
    # Source: law of intermediate temperatures (IEC 60584-1), with the printed voltages of tip and cold junction.
    volts = (millivolts - dict(TYPE_K)[cold_celsius]) / 1000
    assert sensors.thermocouple_k_celsius(volts, cold_celsius) == pytest.approx(celsius, abs=0.03)


@pytest.mark.parametrize("row", rows("ntc_beta_cases"), ids=lambda row: f"{row['beta_k']} K, {row['t_degc']} degC")
def test_ntc_by_beta(row):
    # Source: reference/ntc_beta_cases.csv (computed from the defining equation).
    r25_ohm, beta_k, celsius, ohm = numbers(row, "r25_ohm", "beta_k", "t_degc", "r_ohm")
    assert sensors.ntc_beta_celsius(ohm, r25_ohm, beta_k) == pytest.approx(celsius, abs=1e-4)


# Source: coefficients of a common 10 kohm, 3.9 kK thermistor and its printed table; from memory.
@pytest.mark.parametrize(("ohm", "celsius"), [(32650, 0), (10000, 25), (3603, 50), (678.6, 100)])
def test_ntc_by_steinhart_and_hart(ohm, celsius):
    found = sensors.ntc_steinhart_hart_celsius(ohm, 1.129148e-3, 2.34125e-4, 8.76741e-8)
    assert found == pytest.approx(celsius, abs=0.1)
