"""Levels in octave bands, delays, and gains from several noises to one receiver."""

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfreqz

from rig.signals.bands import mid_bands_hz
from rig.signals.noise_shape import Noise
from rig.signals.programme import NoiseSource, decade_band, plain_pink
from rig.signals.programme_levels import band_levels_ms, coherent_gain, delay_seconds

RATE_HZ = 48000.0
FRAMES = 240000
CENTRES_HZ = mid_bands_hz(22, 12000, 1)


def noises(seed=1, noise=None, channels=2):
    shape = noise or plain_pink()
    seeded = Noise(shape.filters, shape.crest_factor, seed)
    return np.stack([NoiseSource(seeded, RATE_HZ, channel).read(FRAMES) for channel in range(channels)])


def delayed(signal, frames):
    return np.concatenate((np.zeros(frames), signal[: signal.size - frames]))


def test_a_tone_is_in_its_octave_alone():
    time_s = np.arange(FRAMES) / RATE_HZ
    signals = np.stack([0.5 * np.sin(2 * np.pi * hz * time_s) + 3.0 for hz in (63.0, 1000.0)])
    found = band_levels_ms(signals, RATE_HZ, CENTRES_HZ)
    assert found.shape == (2, CENTRES_HZ.size)
    for row, hz in zip(found, (63.0, 1000.0), strict=True):
        at = np.argmin(np.abs(np.log(CENTRES_HZ / hz)))
        assert row[at] == pytest.approx(0.125, rel=1e-3)
        assert np.max(np.delete(row, at)) < 1e-6


def test_white_noise_has_power_as_bandwidth():
    white = np.random.default_rng(1).standard_normal(FRAMES)
    found = band_levels_ms(white, RATE_HZ, CENTRES_HZ)
    expected = CENTRES_HZ * (10**0.15 - 10**-0.15) / 24000
    assert np.all(np.abs(found / expected - 1) < 4.5 / np.sqrt(expected * 24000 * 5))


@pytest.mark.parametrize("frames", [0, 137, 4790])
@pytest.mark.parametrize("noise", [plain_pink(), decade_band(50.0)], ids=["pink", "decade"])
def test_a_delay_is_found(frames, noise):
    sent = noises(noise=noise)
    heard = -delayed(sent[1], frames) + 0.1 * np.random.default_rng(1).standard_normal(FRAMES)
    assert delay_seconds(sent, heard, RATE_HZ) * RATE_HZ == pytest.approx(frames, abs=2)


@pytest.mark.parametrize("delay_s", [None, 0.02])
def test_gains_of_two_channels_through_filters(delay_s):
    sent = noises()
    low, high = (butter(2, 800, kind, fs=RATE_HZ, output="sos") for kind in ("low", "high"))
    heard = delayed(0.4 * sosfilt(low, sent[0]) - 0.1 * sosfilt(high, sent[1]), 1000)
    gain, uncertainty = coherent_gain(sent, heard, RATE_HZ, CENTRES_HZ, delay_s)
    fine_hz = CENTRES_HZ[:, np.newaxis] * 10 ** np.linspace(-0.15, 0.15, 101)
    for found, factor, sos in zip(gain, (0.4, 0.1), (low, high), strict=True):
        response = np.abs(sosfreqz(sos, fine_hz.ravel(), fs=RATE_HZ)[1].reshape(fine_hz.shape))
        # Pink noise weighs each part of an octave alike.
        expected = factor * np.sqrt(np.mean(response**2, axis=1))
        told = expected > 0.01 * np.max(expected)
        assert 20 * np.log10(found[told] / expected[told]) == pytest.approx(0, abs=0.4)
    assert np.all(uncertainty[np.isfinite(gain)] > 0)
    assert np.all(uncertainty[0, :5] < 0.01)


@pytest.mark.parametrize("noise_rms", [0.3, 3.0])
def test_the_uncertainty_of_a_gain_covers_what_it_says(noise_rms):
    rng = np.random.default_rng(2)
    centres_hz = CENTRES_HZ[2:7]
    hits = []
    for seed in range(1, 21):
        sent = noises(seed)
        heard = 0.5 * sent[0] + 0.25 * sent[1] + noise_rms * rng.standard_normal(FRAMES)
        gain, uncertainty = coherent_gain(sent, heard, RATE_HZ, centres_hz, 0.0)
        hits.append(np.abs(gain - [[0.5], [0.25]]) < 1.96 * uncertainty)
    # 200 values, independent between bands, channels and seeds.
    assert 0.90 <= np.mean(hits) <= 0.99


def test_a_change_of_a_tenth_of_a_decibel_is_seen_through_the_other_channel_and_noise():
    sent = noises()
    rng = np.random.default_rng(3)
    gains = [
        coherent_gain(sent, g * sent[0] + sent[1] + 0.1 * rng.standard_normal(FRAMES), RATE_HZ, CENTRES_HZ, 0.0)[0][0]
        for g in (1.0, 10**-0.005)
    ]
    assert 20 * np.log10(gains[1] / gains[0])[2:8] == pytest.approx(-0.1, abs=0.03)


def test_nothing_received_or_sent_is_no_gain():
    sent = noises()
    deaf, uncertainty = coherent_gain(sent, np.zeros(FRAMES), RATE_HZ, CENTRES_HZ)
    assert np.all(np.isnan(deaf))
    assert np.all(np.isnan(uncertainty))
    sent[1] = 0
    gain, _ = coherent_gain(sent, 0.5 * sent[0], RATE_HZ, CENTRES_HZ, 0.0)
    assert gain[0] == pytest.approx(0.5, rel=1e-6)
    assert np.all(np.isnan(gain[1]))


def test_noise_alone_has_rarely_a_gain_and_never_a_certain_one():
    sent = noises()
    gain, uncertainty = coherent_gain(sent, np.random.default_rng(4).standard_normal(FRAMES), RATE_HZ, CENTRES_HZ, 0.0)
    some = np.isfinite(gain)
    assert np.mean(some) < 0.4
    assert np.all(gain[some] < 6 * uncertainty[some])


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda sent: coherent_gain(sent, np.zeros(3), RATE_HZ, CENTRES_HZ), "found"),
        (lambda sent: coherent_gain(sent, sent[0], RATE_HZ, CENTRES_HZ, -0.1), "delay must be from 0 s"),
        (lambda sent: coherent_gain(sent, sent[0], RATE_HZ, [16000.0, 32000.0], 0.0), "bands reach to"),
        (lambda sent: coherent_gain(sent[:, :48000], sent[0, :48000], RATE_HZ, CENTRES_HZ, 0.0), "too few"),
        (lambda sent: delay_seconds(sent[:, :4000], sent[0, :4000], RATE_HZ), "twice as long"),
        (lambda sent: band_levels_ms(sent[0, :100], RATE_HZ, CENTRES_HZ), "two segments"),
    ],
)
def test_bad_input_is_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make(noises())


def test_levels_of_silence_are_nothing():
    assert np.all(band_levels_ms(np.zeros(FRAMES), RATE_HZ, CENTRES_HZ) == 0)
    assert not math.isnan(delay_seconds(noises(), np.zeros(FRAMES), RATE_HZ))
