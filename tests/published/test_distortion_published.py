"""Distortion of polynomials and of a clipped wave, as the check reads it, against published values."""

import sys
from pathlib import Path

import numpy as np
import pytest
from reference_csv import numbers, rows

from checks import distortion
from rig.signals import stimulus
from rig.values.captures import Capture

sys.path.append(str(Path(__file__).parents[1] / "checks"))
from buzzing import FRAMES, PLAN, REQUEST
from captures import BENCH, RATE_HZ, V_PER_PA

SETTINGS = distortion.Settings()
POLYNOMIALS = {
    "cheb_a": lambda x: x + 0.01 * (2 * x**2) + 0.003 * (4 * x**3 - 3 * x) + 0.001 * (16 * x**5 - 20 * x**3 + 5 * x),
    "poly_a": lambda x: x + 0.10 * x**2 + 0.05 * x**3,
}
PRESENT = [
    row
    for row in rows("nonlinearity_harmonics")
    if row["harmonic"] in ("2", "3", "5") and row["level_db_re_fundamental"]
]


def captured(unit, amplitude=1.0):
    """The stimulus through a unit without memory, with a noise 110 dB below."""
    heard = unit(amplitude * stimulus.compose(PLAN))
    heard = np.pad(heard, (700, FRAMES - heard.size - 700)) * V_PER_PA
    heard = heard + 3e-6 * V_PER_PA * np.random.default_rng(1).standard_normal(heard.size)
    return Capture(REQUEST, np.array([heard], np.float32), ("microphone",), RATE_HZ, BENCH)


def distortion_at(capture, quantity, frequency_hz):
    found = distortion.distortion_curves(distortion.harmonics_of(capture, 12), "only", SETTINGS)
    (curve,) = [each for each in found if each.quantity == quantity]
    assert curve.valid[(curve.frequency_hz > frequency_hz[0]) & (curve.frequency_hz < frequency_hz[-1])].all()
    return np.interp(np.log(frequency_hz), np.log(curve.frequency_hz), curve.value)


@pytest.mark.parametrize("row", PRESENT, ids=lambda row: f"{row['case']}-{row['drive_amplitude']}-{row['harmonic']}")
def test_harmonics_of_known_polynomials(row):
    # Source: T_n(cos p) = cos n p, Abramowitz and Stegun 22.3.15.
    amplitude, order, level_db = numbers(row, "drive_amplitude", "harmonic", "level_db_re_fundamental")
    frequency_hz = np.geomspace(60, 8000 / order, 20)
    found = distortion_at(captured(POLYNOMIALS[row["case"]], amplitude), f"harmonic {order:.0f}", frequency_hz)
    np.testing.assert_allclose(found, level_db, atol=0.15)


@pytest.mark.parametrize(("case", "amplitude"), [("cheb_a", "1.0"), ("poly_a", "1.0"), ("poly_a", "0.5")])
def test_total_distortion_of_known_polynomials(case, amplitude):
    # Source: THD_F of the same table.
    (row,) = [
        row
        for row in rows("nonlinearity_harmonics")
        if (row["case"], row["drive_amplitude"], row["harmonic"]) == (case, amplitude, "THD_F_percent")
    ]
    (percent,) = numbers(row, "signed_cosine_amplitude")
    frequency_hz = np.geomspace(60, 1500, 15)
    found = distortion_at(captured(POLYNOMIALS[case], float(amplitude)), "total distortion", frequency_hz)
    np.testing.assert_allclose(found, 20 * np.log10(percent / 100), atol=0.15)


def series(amplitudes):
    """A wave of given amplitudes of harmonics, made of the sine's own by Chebyshev's polynomials."""
    return lambda x: np.polynomial.chebyshev.chebval(x, amplitudes)


@pytest.mark.parametrize(("waveform", "power"), [("square", 1), ("triangle", 2)])
def test_total_distortion_of_square_and_triangle_as_far_as_the_tenth_harmonic(waveform, power):
    # Source: Fourier series of square and triangle wave; the sum over all harmonics is the published THD
    # (Blagouchine and Moreau, IEEE Trans. Communications 59(9), 2011). The check stops at the tenth: what the
    # others hold is taken off.
    (row,) = [row for row in rows("thd_known_waveforms") if row["waveform"] == waveform]
    (percent,) = numbers(row, "thd_f_percent")
    orders = np.arange(11, 200001, 2)
    left = np.sqrt((percent / 100) ** 2 - np.sum(1.0 / orders ** (2.0 * power)))
    amplitudes = np.zeros(10)
    amplitudes[1::2] = [(-1) ** k / (2 * k + 1) ** power for k in range(5)]
    frequency_hz = np.geomspace(60, 1500, 15)
    found = distortion_at(captured(series(amplitudes)), "total distortion", frequency_hz)
    np.testing.assert_allclose(found, 20 * np.log10(left), atol=0.1)
