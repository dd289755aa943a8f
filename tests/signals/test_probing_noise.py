"""A known noise is found in a recording: how loud, how late, which way up; and not where there is none."""

import numpy as np
import pytest
import scipy

from rig.signals.probing_noise import CREST, probe_noise, probed_paths

RATE_HZ = 48000.0
NOISE = probe_noise(RATE_HZ)


def recording(*signals: np.ndarray, hiss: float = 1e-4, seed: int = 1) -> np.ndarray:
    frames = NOISE.size + 24000
    rows = np.random.default_rng([7, seed]).normal(0, hiss, (len(signals), frames))
    for row, signal in zip(rows, signals, strict=True):
        row[: signal.size] += signal[:frames]
    return rows.astype(np.float32)


def late(gain: float, frames: int, level: float = 1e-4) -> np.ndarray:
    return np.concatenate([np.zeros(frames), gain * level * NOISE])


def test_the_noise_keeps_its_crest_factor_and_begins_softly() -> None:
    assert np.std(NOISE) == pytest.approx(1.0, rel=1e-5)
    assert np.max(np.abs(NOISE)) < CREST * 1.01
    assert abs(NOISE[0]) < 1e-3


def test_gain_delay_and_sign_at_the_level_of_the_hiss() -> None:
    sent = np.float32(1e-4) * NOISE
    first, second, nothing = probed_paths(sent, recording(late(0.5, 700), late(-2.0, 9000), late(0.0, 0)), RATE_HZ)
    assert first.gain == pytest.approx(0.5, rel=0.08)
    assert second.gain == pytest.approx(2.0, rel=0.03)
    assert (first.is_inverted, second.is_inverted) == (False, True)
    assert (first.delay_s, second.delay_s) == (700 / RATE_HZ, 9000 / RATE_HZ)
    assert first.is_clear
    assert second.is_clear
    assert not nothing.is_clear


def test_a_cable_of_any_delay_has_its_gain() -> None:
    """Between two samples the correlation's peak is lower; what arrives around it is not."""
    length = scipy.fft.next_fast_len(NOISE.size + 2000)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(length) * 500.5)
    shifted = np.fft.irfft(np.fft.rfft(NOISE, length) * turn, length)
    (found,) = probed_paths(NOISE * np.float32(0.01), recording(0.01 * 0.7 * shifted), RATE_HZ)
    assert found.gain == pytest.approx(0.7, rel=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_hum_and_other_sounds_are_not_taken_for_it(seed: int) -> None:
    random = np.random.default_rng([9, seed])
    t = np.arange(NOISE.size + 24000) / RATE_HZ
    hum = 0.05 * np.sin(2 * np.pi * 50 * t + random.uniform(0, 6)) + 0.02 * np.sin(2 * np.pi * 150 * t)
    voice = scipy.signal.lfilter([1.0], [1, -0.97], random.normal(0, 0.01, t.size)) * (1 + np.sin(2 * np.pi * 3 * t))
    found = probed_paths(np.float32(1e-4) * NOISE, recording(hum, voice, seed=seed), RATE_HZ)
    assert not any(one.is_clear for one in found)
