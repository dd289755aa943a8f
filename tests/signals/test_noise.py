"""Densities, band powers and signal to noise ratios against noise of known strength."""

import numpy as np
import pytest
from scipy import signal as filters

from rig.signals import bands, noise
from rig.signals.sweep import ExponentialSweep, synchronised_sweep

RATE_HZ = 48000.0
MIDS_HZ = bands.mid_bands_hz(60, 20000, 3)


def test_white_noise_has_the_density_of_its_variance():
    hiss = np.random.default_rng(11).normal(0, [[0.1], [2.0]], (2, 480000)) + 5.0
    frequency_hz, density = noise.power_spectral_density(hiss, RATE_HZ)
    assert frequency_hz[1] == pytest.approx(5.0)
    inner = (frequency_hz > 20) & (frequency_hz < 23900)
    np.testing.assert_allclose(np.mean(density[:, inner], axis=-1), [0.01 / 24000, 4 / 24000], rtol=0.02)
    power = noise.band_power(density, frequency_hz, MIDS_HZ, 3)
    lower, upper = bands.band_edges_hz(MIDS_HZ, 3)
    np.testing.assert_allclose(10 * np.log10(power[1] / ((upper - lower) * 4 / 24000)), 0, atol=0.8)


def test_bands_share_out_all_the_power():
    density = np.random.default_rng(12).random(4801)
    frequency_hz = np.arange(4801) * 5.0
    whole = noise.band_power(density, frequency_hz, bands.mid_bands_hz(100, 10000, 1), 1)
    thirds = noise.band_power(density, frequency_hz, bands.mid_bands_hz(100, 10000, 3), 3)
    octave_mids = bands.mid_bands_hz(100, 10000, 1)
    for mid_hz, power in zip(octave_mids, whole, strict=True):
        near = np.abs(np.log2(bands.mid_bands_hz(100, 10000, 3) / mid_hz)) < 0.4
        assert np.sum(thirds[near]) == pytest.approx(power)


def test_a_response_at_the_noise_reads_no_decibels_and_a_clean_one_many():
    response = np.array([1.0, 1j, 0.1, 1.0])
    ratio = noise.snr_db(response, [1.0, 0.01, 0.01, 0.0])
    np.testing.assert_allclose(ratio, [0, 20, 0, np.inf], atol=1e-9)


def test_the_noise_of_a_response_falls_with_longer_sweeps_and_rises_with_longer_gates():
    hum = filters.lfilter([1.0], [1.0, -0.95], np.random.default_rng(15).normal(0, 1e-3, (2, 96000)))
    found = {}
    for seconds in (0.5, 1.0):
        for frames in (480, 960):
            sent = ExponentialSweep(50, 20000, seconds, RATE_HZ)
            found[seconds, frames] = noise.response_noise_power(
                hum, synchronised_sweep(sent), np.ones(frames), sent, [100.0, 1000.0, 10000.0]
            )
    assert found[0.5, 480].shape == (2, 3)
    np.testing.assert_allclose(found[0.5, 480] / found[1.0, 480], 2, rtol=0.05)
    np.testing.assert_allclose(found[0.5, 960] / found[0.5, 480], 2)
    assert np.all(found[1.0, 960][:, 0] > found[1.0, 960][:, 2])


def test_noise_that_cannot_be_judged_is_refused():
    with pytest.raises(ValueError, match="at least 64 frames"):
        noise.power_spectral_density(np.zeros(10), RATE_HZ)
    with pytest.raises(ValueError, match="finite"):
        noise.power_spectral_density(np.full(100, np.nan), RATE_HZ)
    with pytest.raises(ValueError, match="bands reach"):
        noise.band_power(np.ones(11), np.arange(11) * 10.0, [1000.0], 3)
    sent = ExponentialSweep(50, 20000, 1.0, RATE_HZ)
    with pytest.raises(ValueError, match="lie in the band"):
        noise.response_noise_power(np.zeros(100), np.ones(100), np.ones(10), sent, [10.0])
