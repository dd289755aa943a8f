"""What an operating system does to a recording, against what it is defined to do."""

import numpy as np
import pytest

from rig.simulated.processing import at_rate, band_limited, levelled, suppressed

RATE_HZ = 48000.0


def tone(level_db, seconds=3.0, hz=1000.0):
    """A sine of so many dB of RMS below full scale, shape (1, frames)."""
    return np.sqrt(2) * 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * np.arange(seconds * RATE_HZ) / RATE_HZ)[None]


def level_db(row):
    return 10 * np.log10(np.mean(row**2))


@pytest.mark.parametrize(
    ("heard_db", "gain_db"), [(-50.0, 0.0), (-60.0, 5.0), (-44.0, -3.0), (-90.0, 6.0), (-10.0, -6.0)]
)
def test_an_automatic_gain_moves_levels_half_the_way_within_its_range(heard_db, gain_db):
    out = levelled(tone(heard_db), RATE_HZ, 12.0)
    assert level_db(out[:, 96000:]) == pytest.approx(heard_db + gain_db, abs=0.1)


def test_a_gate_lowers_noise_and_lets_a_sound_through():
    random = np.random.default_rng(1)
    noise = 1e-4 * random.standard_normal((1, 144000))
    sound = noise.copy()
    sound[:, 48000:72000] += tone(-40.0, 0.5)
    out = suppressed(sound, RATE_HZ, 20.0)
    assert level_db(out[:, :40000]) == pytest.approx(-100.0, abs=0.3)
    assert level_db(out[:, 50000:70000]) == pytest.approx(-40.0, abs=0.1)
    # The level falls by 31 dB in 0.71 s, with a time constant of 0.1 s; then the gate is closed again.
    assert level_db(out[:, 120000:]) == pytest.approx(-100.0, abs=0.5)


def test_a_band_ends_where_it_is_said_to():
    both = tone(-20.0, hz=7900.0) + tone(-20.0, hz=8100.0)
    out = band_limited(both, RATE_HZ, 8000.0)
    assert level_db(out[:, 4800:-4800]) == pytest.approx(-20.0, abs=0.05)


@pytest.mark.parametrize("actual_hz", [44100.0, 16000.0, 96000.0])
def test_another_rate_moves_a_tone_s_frequency(actual_hz):
    out = at_rate(tone(-20.0, 1.0), RATE_HZ, actual_hz)
    assert out.shape == (1, 48000)
    length = min(48000, int(actual_hz)) // 4800 * 4800
    spectrum = np.abs(np.fft.rfft(out[0, :length] * np.hanning(length), 480000))
    assert np.argmax(spectrum) / 10 == pytest.approx(1000.0 * RATE_HZ / actual_hz, abs=0.2)
