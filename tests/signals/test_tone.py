"""A tone's figures against tones of known level, frequency and harmonics."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.signals.tone import measure_tone

RATE_HZ = 48000.0


def tone(frequency_hz, rms=1.0, seconds=2.0, harmonics=(), phase=0.7, offset=0.0, noise=0.0, seed=1):
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = rms * np.sqrt(2) * np.sin(2 * np.pi * frequency_hz * t + phase) + offset
    for order, level in enumerate(harmonics, 2):
        wave += level * np.sqrt(2) * np.sin(order * 2 * np.pi * frequency_hz * t + order)
    return wave + noise * np.random.default_rng(seed).standard_normal(t.size)


@settings(max_examples=15, deadline=None)
@given(st.floats(95, 105), st.floats(0, 6), st.floats(-3, 3), st.floats(1e-3, 10))
def test_a_clean_tone_is_found_exactly(frequency_hz, phase, offset, rms):
    found = measure_tone(tone(frequency_hz, rms, phase=phase, offset=offset), RATE_HZ, 100.0)
    assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-8)
    assert found.rms == pytest.approx(rms, rel=1e-7)
    assert found.rest_rms < 1e-6 * (rms + abs(offset))
    assert found.unsteady_db < 1e-5


def test_harmonics_are_told_from_the_tone():
    found = measure_tone(tone(1003.0, 0.5, harmonics=(0.01, 0.002)), RATE_HZ, 1000.0)
    assert found.rms == pytest.approx(0.5, rel=1e-7)
    np.testing.assert_allclose(found.harmonic_rms, [0.01, 0.002, 0, 0], atol=1e-7)
    assert found.distortion == pytest.approx(np.hypot(0.01, 0.002) / 0.5, rel=1e-5)


def test_hum_next_to_the_tone_does_not_change_it():
    wave = tone(110.0, 0.5, seconds=3.0) + tone(100.0, 0.05, seconds=3.0) + tone(120.0, 0.05, seconds=3.0)
    found = measure_tone(wave, RATE_HZ, 110.0)
    assert found.rms == pytest.approx(0.5, rel=1e-3)
    assert found.rest_rms == pytest.approx(0.05 * np.sqrt(2), rel=0.01)


def test_the_uncertainty_is_the_spread_over_many_recordings():
    found = [measure_tone(tone(997.0, seconds=0.6, noise=0.3, seed=seed), RATE_HZ, 1000.0) for seed in range(40)]
    spread = np.std([one.rms for one in found])
    # White noise: sigma / sqrt(frames) for the RMS value of a fitted sine (IEEE Std 1057).
    assert spread == pytest.approx(0.3 / np.sqrt(0.6 * RATE_HZ), rel=0.35)
    assert np.mean([one.rms_uncertainty for one in found]) == pytest.approx(spread, rel=0.5)


def test_a_tone_that_sags_is_unsteady():
    wave = tone(1000.0) * np.linspace(1.0, 10 ** (-0.5 / 20), 96000)
    found = measure_tone(wave, RATE_HZ, 1000.0)
    assert found.unsteady_db == pytest.approx(0.25 * 7 / 8, abs=0.03)


def test_noise_alone_does_not_stand_out():
    found = measure_tone(np.random.default_rng(3).standard_normal(96000), RATE_HZ, 1000.0)
    assert found.over_rest_db < -20


@pytest.mark.parametrize(
    ("signal", "expected_hz", "words"),
    [
        (np.zeros(48000), 1000.0, "nothing"),
        (np.full(48000, 0.3), 1000.0, "nothing"),
        (np.ones(480), 1000.0, "20 periods"),
        (np.append(np.sin(np.arange(48000)), np.nan), 1000.0, "finite"),
        (np.sin(np.arange(48000)), 23000.0, "up to 0.45"),
    ],
)
def test_what_holds_no_tone_is_refused(signal, expected_hz, words):
    with pytest.raises(ValueError, match=words):
        measure_tone(signal, RATE_HZ, expected_hz)
