"""Sensor conversions: curves and their inverses, and that a broken sensor is no temperature."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.signals import sensors


@given(st.floats(-200, 850))
def test_a_pt100_reads_back(celsius):
    assert sensors.pt100_celsius(sensors.pt100_ohm(celsius)) == pytest.approx(celsius, abs=1e-6)


@given(st.floats(-20, 300), st.floats(-10, 60))
def test_a_thermocouple_reads_back_at_any_cold_junction(celsius, cold_celsius):
    volts = sensors.thermocouple_k_volts(celsius) - sensors.thermocouple_k_volts(cold_celsius)
    assert sensors.thermocouple_k_celsius(volts, cold_celsius) == pytest.approx(celsius, abs=1e-6)


@given(st.floats(-199.9, 1371.9))
def test_a_thermocouple_reads_back_over_its_whole_range(celsius):
    volts = sensors.thermocouple_k_volts(celsius)
    assert sensors.thermocouple_k_celsius(volts, 0.0) == pytest.approx(celsius, abs=1e-5)


@given(st.floats(-55, 290), st.floats(1e3, 1e6), st.floats(2500, 5000))
def test_an_ntc_by_beta_is_one_by_steinhart_hart_without_its_third_term(celsius, r25_ohm, beta_k):
    ohm = r25_ohm * math.exp(beta_k * (1 / (celsius + 273.15) - 1 / 298.15))
    a, b = 1 / 298.15 - math.log(r25_ohm) / beta_k, 1 / beta_k
    assert sensors.ntc_beta_celsius(ohm, r25_ohm, beta_k) == pytest.approx(celsius, abs=1e-6)
    assert sensors.ntc_steinhart_hart_celsius(ohm, a, b, 0.0) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize("ohm", [0.0, -5.0, 18.0, 391.0, 1e6, 9.9e37, math.inf, math.nan])
def test_a_broken_pt100_is_no_temperature(ohm):
    with pytest.raises(ValueError, match=r"allowed for a Pt100: 18\.52\d* to 390\.481 ohm"):
        sensors.pt100_celsius(ohm)


@pytest.mark.parametrize("ohm", [0.0, 0.5, -1.0, 5e7, math.inf, math.nan])
def test_a_broken_ntc_is_no_temperature(ohm):
    with pytest.raises(ValueError, match=r"ohm"):
        sensors.ntc_beta_celsius(ohm, 10e3, 3950)
    with pytest.raises(ValueError, match=r"ohm"):
        sensors.ntc_steinhart_hart_celsius(ohm, 1.129148e-3, 2.34125e-4, 8.76741e-8)


@pytest.mark.parametrize("volts", [-0.02, 0.06, math.inf, math.nan])
def test_a_voltage_that_no_thermocouple_gives_is_no_temperature(volts):
    with pytest.raises(ValueError, match="allowed for a thermocouple K"):
        sensors.thermocouple_k_celsius(volts, 20.0)


@pytest.mark.parametrize("cold_celsius", [-60.0, 200.0, math.nan])
def test_a_cold_junction_stays_on_a_bench(cold_celsius):
    with pytest.raises(ValueError, match="allowed for a cold junction: -40 to 125"):
        sensors.thermocouple_k_celsius(0.001, cold_celsius)
