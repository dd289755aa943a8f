"""Harmonic distortion of a tone against closed forms, whole and as far as a band reaches."""

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.signals.tone import measure_tone

RATE_HZ = 48000.0
#: With whole samples in a period what lies above half the sample rate folds back on to the harmonics below it.
SAMPLES, ORDERS = 200, 99
DUTY = 0.1
WAVES = {
    "sawtooth": (lambda turn: 2 * (turn % 1) - 1, lambda order: 1 / order),
    "pulse of duty 0.1": (
        lambda turn: (turn % 1 < DUTY).astype(float),
        lambda order: np.sin(np.pi * DUTY * order) / order,
    ),
}


def sampled(wave, periods, samples=SAMPLES):
    # No sample on a jump.
    return wave((np.arange(round(periods * samples)) + 0.5) / samples)


@pytest.mark.parametrize("periods", [25, 25.4])
@pytest.mark.parametrize("waveform", WAVES)
def test_the_distortion_of_a_wave_with_all_its_harmonics(waveform, periods):
    (row,) = [row for row in rows("thd_known_waveforms") if row["waveform"] == waveform]
    found = measure_tone(sampled(WAVES[waveform][0], periods), RATE_HZ, RATE_HZ / SAMPLES, ORDERS)
    assert found.frequency_hz == pytest.approx(RATE_HZ / SAMPLES, abs=1e-4)
    (percent,) = numbers(row, "thd_f_percent")
    assert 100 * found.distortion == pytest.approx(percent, abs=0.02)
    assert found.unsteady_db < 0.001


@pytest.mark.parametrize("waveform", WAVES)
@pytest.mark.parametrize(("orders", "hz"), [(5, 1003.7), (23, 1003.7), (5, 4711.0)])
def test_the_distortion_of_a_wave_whose_band_ends(waveform, orders, hz):
    """Of what a band lets through each harmonic counts as much as the closed form gives it, and no other does."""
    level = WAVES[waveform][1](np.arange(1, orders + 1))
    turn = np.arange(round(25.4 * RATE_HZ / hz)) * hz / RATE_HZ
    wave = sum(a * np.cos(2 * np.pi * order * turn + order) for order, a in enumerate(level, 1))
    # The band may end below, at, or above the orders that are asked for.
    for asked in (3, orders, 4 * orders):
        found = measure_tone(wave, RATE_HZ, 0.98 * hz, asked)
        wanted = np.sqrt(np.sum(level[1:asked] ** 2)) / abs(level[0])
        assert found.distortion == pytest.approx(wanted, rel=1e-6 if asked >= orders else 0.01)
