"""Gains from how powers fluctuate, against noises of known gains, echoes, clocks and delays."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from rig.signals.bands import mid_band_hz
from rig.signals.power_gain import block_powers, power_gain
from rig.signals.programme import NoiseSource, music_like

RATE_HZ = 48000.0
CENTRES_HZ = mid_band_hz(np.arange(-4, 4), 1)
SECONDS, ROWS = 5.0, 6


def room(random, direct_after_s):
    """An impulse, and as much power again in a decay of 0.4 s."""
    tail = random.standard_normal(round(0.5 * RATE_HZ))
    tail *= 10 ** (-3 * np.arange(tail.size) / RATE_HZ / 0.4)
    response = np.concatenate((np.zeros(round(direct_after_s * RATE_HZ)), tail / np.sqrt(np.sum(tail**2))))
    response[round(direct_after_s * RATE_HZ)] += 1.0
    return response


def heard(gains, lag_frames=0):
    """Rows of a music-like programme, in a room, 60 ppm off, in some noise."""
    random = np.random.default_rng(3)
    rooms = [room(random, 0.004 + 0.003 * n) for n in range(len(gains))]
    sources = [NoiseSource(music_like(), RATE_HZ, n) for n in range(len(gains))]
    frames = round(SECONDS * RATE_HZ)
    for _ in range(ROWS):
        sent = np.stack([source.read(frames) for source in sources])
        parts = [
            gain * fftconvolve(own, response)[:frames] for gain, own, response in zip(gains, sent, rooms, strict=True)
        ]
        received = np.sum(parts, axis=0) + 1e-2 * random.standard_normal(frames)
        at = np.arange(frames)
        received = np.interp(at * (1 + 6e-5) - lag_frames, at, received)
        yield block_powers(sent, received, RATE_HZ, CENTRES_HZ, 0.25)


@pytest.mark.parametrize("lag_frames", [-9000, 4000])
def test_two_channels_are_told_apart(lag_frames):
    rows = list(heard((1.0, 0.5), lag_frames))
    assert rows[0].seconds == pytest.approx(SECONDS, abs=0.3)
    gain, uncertainty = power_gain(rows)
    # Where reflections cancel a band, a channel may be too quiet there.
    assert np.sum(gain > 4 * uncertainty) >= 12
    # Early echoes add to the direct sound, in each band as the room has it.
    assert 10 * np.log10(np.median(gain[0] / gain[1])) == pytest.approx(6.0, abs=1.5)


def test_what_is_stated_is_how_much_it_scatters():
    each = np.array([power_gain([row]) for row in heard((1.0, 0.7))])
    scatter, stated = np.std(each[:, 0], axis=0, ddof=1), np.mean(each[:, 1], axis=0)
    assert 0.6 < np.sqrt(np.mean(scatter**2)) / np.sqrt(np.mean(stated**2)) < 1.4


def test_a_channel_that_is_silent_has_no_gain():
    gain, uncertainty = power_gain(list(heard((1.0, 0.0))))
    assert np.all(gain[0] > 8 * uncertainty[0])
    assert np.all(np.abs(gain[1]) < 4 * uncertainty[1])
    assert np.max(uncertainty[1] / gain[0]) < 0.15


def test_where_nothing_was_sent_nothing_is_known():
    silent = np.zeros((1, round(SECONDS * RATE_HZ)))
    gain, _ = power_gain([block_powers(silent, np.ones(silent.size), RATE_HZ, CENTRES_HZ, 0.25)])
    assert np.all(np.isnan(gain))
