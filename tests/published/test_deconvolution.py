"""Deconvolution against a second implementation, and harmonics against polynomials solved on paper."""

import numpy as np
import pytest
from reference_csv import numbers, rows
from scipy import signal as filters

from rig.signals import deconvolution
from rig.signals.sweep import ExponentialSweep, synchronised_sweep

RATE_HZ, START_HZ, STOP_HZ = 48000, 20.0, 20000.0


def of_seconds(seconds):
    return ExponentialSweep(START_HZ, STOP_HZ, seconds, RATE_HZ)


@pytest.mark.filterwarnings("ignore::pyfar.classes.warnings.PyfarDeprecationWarning")
def test_another_library_deconvolves_the_same_response():
    import pyfar

    # Source: pyfar, dsp.deconvolve (regularised spectral division).
    sent = np.concatenate((synchronised_sweep(of_seconds(1.0)), np.zeros(24000)))
    captured = filters.lfilter(*filters.butter(3, [60, 8000], "band", fs=RATE_HZ), sent)
    theirs = pyfar.dsp.deconvolve(
        pyfar.Signal(captured, RATE_HZ), pyfar.Signal(sent, RATE_HZ), 2 * sent.size, (START_HZ, STOP_HZ)
    )
    inside = (theirs.frequencies >= START_HZ) & (theirs.frequencies <= STOP_HZ)
    frequency_hz = theirs.frequencies[inside][::50]
    ours = deconvolution.transfer_function(captured, sent, of_seconds(1.0), frequency_hz)
    other = theirs.freq[0][inside][::50]
    np.testing.assert_allclose(ours, other, atol=1e-3)
    loud = np.abs(other) > 0.1
    assert np.max(np.abs(20 * np.log10(np.abs(ours / other)))[loud]) < 0.02


UNITS = {
    "cheb_a": lambda x: x + 0.01 * (2 * x**2) + 0.003 * (4 * x**3 - 3 * x) + 0.001 * (16 * x**5 - 20 * x**3 + 5 * x),
    "poly_a": lambda x: x + 0.10 * x**2 + 0.05 * x**3,
}


PRESENT = [
    row
    for row in rows("nonlinearity_harmonics")
    if row["harmonic"] in ("2", "3", "5") and row["level_db_re_fundamental"]
]


@pytest.mark.parametrize(
    "row",
    PRESENT,
    ids=lambda row: f"{row['case']}-{row['drive_amplitude']}-{row['harmonic']}",
)
def test_harmonics_of_known_polynomials_are_found_from_one_sweep(row):
    # Source: T_n(cos p) = cos n p, Abramowitz and Stegun 22.3.15. The constant of T2 is left out: it is no sound.
    amplitude, order, level_db = numbers(row, "drive_amplitude", "harmonic", "level_db_re_fundamental")
    body = amplitude * synchronised_sweep(of_seconds(2.0))
    captured = np.concatenate((np.zeros(1000), UNITS[row["case"]](body), np.zeros(9600)))
    frequency_hz = np.geomspace(2 * START_HZ, STOP_HZ / (2 * order), 60)
    found = deconvolution.harmonic_responses(captured, of_seconds(2.0), (1, int(order)), frequency_hz)
    level = deconvolution.harmonic_distortion_db(found[1], found[0])
    np.testing.assert_allclose(level, level_db, atol=0.1)


@pytest.mark.parametrize("order", [2, 3])
def test_a_harmonic_appears_at_its_published_advance(order):
    # Source: Farina (2000): L ln N before the linear response. A cube also makes a fundamental; T3 does not.
    body = synchronised_sweep(of_seconds(2.0))
    harmonic = 2 * body**2 if order == 2 else 4 * body**3 - 3 * body
    captured = np.concatenate((harmonic, np.zeros(9600)))
    impulse = deconvolution.impulse_response(captured, body, of_seconds(2.0), 0.5, 0.1)
    advance_s = float(of_seconds(2.0).advance_s(order))
    # The second harmonic of a sine is a negative cosine: its pulse is odd. The envelope has its peak at the advance.
    envelope = np.abs(filters.hilbert(impulse))
    assert np.argmax(envelope) / RATE_HZ - 0.5 == pytest.approx(-advance_s, abs=1.5 / RATE_HZ)
