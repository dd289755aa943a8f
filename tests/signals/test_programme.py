"""Programme noise: the same however it is read, independent channels, exact level, bounded peaks, stated spectrum."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import fft

from rig.signals import programme
from rig.signals.bands import mid_bands_hz
from rig.signals.noise import band_power, power_spectral_density
from rig.signals.noise_shape import Noise, NoiseFilter
from rig.signals.programme import (
    MUSIC_LIKE,
    NoiseSource,
    decade_band,
    filter_db,
    music_like,
    plain_pink,
    spectrum_db,
)

RATE_HZ = 48000.0
SHAPES = {"pink": plain_pink(), "decade": decade_band(50.0), "music": music_like()}
shapes = pytest.mark.parametrize("noise", SHAPES.values(), ids=SHAPES)


def source(noise=SHAPES["music"], channel=0, rate_hz=RATE_HZ):
    return NoiseSource(noise, rate_hz, channel)


@settings(max_examples=25, deadline=None)
@given(sizes=st.lists(st.integers(0, 40000), min_size=1, max_size=6), start=st.integers(0, 200000))
def test_the_same_samples_whatever_the_blocks_and_the_start(sizes, start):
    whole = source().read(start + sum(sizes))
    pieces = source()
    pieces.seek(start)
    read = np.concatenate([pieces.read(size) for size in sizes])
    assert np.array_equal(read, whole[start:])
    assert pieces.position == start + sum(sizes)


def test_going_back_gives_the_same_samples_again():
    noise = source()
    first = noise.read(100000)
    noise.seek(7)
    assert np.array_equal(noise.read(50000), first[7:50007])


@pytest.mark.parametrize("other", [source(channel=1), source(music_like(seed=2))], ids=["channel", "seed"])
def test_other_channels_and_seeds_are_independent(other):
    first, second = source().read(960000), other.read(960000)
    # Pearson correlation of 20 s: a few hundred Hz of bandwidth and more leave a spread under 0.01.
    assert abs(np.mean(first * second)) < 0.04
    assert not np.any(first[:1000] == second[:1000])


def played_spectrum_db(noise: Noise, frequency_hz: np.ndarray, sample_rate_hz: float) -> np.ndarray:
    """The spectrum in equal fractional-octave bands behind the limiter, in dB as `spectrum_db`.

    An error function limits Gaussian noise of the correlation r(t) to ``asin(k r(t)) / asin(k)`` (Baum 1957).

    """
    power = np.abs(programme._kernel_spectrum(noise.filters, sample_rate_hz)) ** 2
    correlation = fft.irfft(power)
    correlation /= correlation[0]
    softness = programme._softness(noise.crest_factor)
    limited = fft.rfft(np.arcsin(softness * correlation) / softness).real
    grid_hz = np.linspace(0, sample_rate_hz / 2, limited.size)
    at_hz = np.asarray(frequency_hz, np.float64)
    # Density times frequency is the power per fraction of an octave; scaled as the pink noise at 0 dB is.
    density = np.maximum(limited, 1e-30) * np.sum(power[:-1] + power[1:]) / (limited.size * 2 - 2)
    return np.asarray(10 * np.log10(np.interp(at_hz, grid_hz, density) * at_hz))


@shapes
@pytest.mark.parametrize("crest_factor", [1.5, 2.0, 4.0])
def test_the_level_is_one_and_no_peak_is_beyond_the_crest_factor(noise, crest_factor):
    samples = source(Noise(noise.filters, crest_factor)).read(round(60 * RATE_HZ))
    # 60 s of decade-band noise hold some 27000 independent values: 4 standard deviations are 0.02.
    assert np.sqrt(np.mean(samples**2)) == pytest.approx(1, abs=0.02)
    assert np.max(np.abs(samples)) <= crest_factor
    assert np.max(np.abs(samples)) > 0.85 * crest_factor


@shapes
def test_the_spectrum_behind_the_limiter_is_as_told(noise):
    frequency_hz, density = power_spectral_density(source(noise).read(round(120 * RATE_HZ)), RATE_HZ, 1.0)
    mid_hz = mid_bands_hz(20, 20000, 3)
    measured = 10 * np.log10(band_power(density, frequency_hz, mid_hz, 3))
    told = np.empty(mid_hz.size)
    for place, mid in enumerate(mid_hz):
        inside = np.linspace(mid * 10**-0.05, mid * 10**0.05, 101)
        told[place] = 10 * np.log10(
            np.trapezoid(10 ** (played_spectrum_db(noise, inside, RATE_HZ) / 10) / inside, inside)
        )
    spread_db = 4.34 / np.sqrt(0.23 * mid_hz * 120)
    difference = measured - told
    difference -= np.sum(difference / spread_db**2) / np.sum(1 / spread_db**2)
    assert np.all(np.abs(difference) < 4 * spread_db + 0.05)


@shapes
def test_the_limiter_leaves_the_spectrum_where_the_noise_is(noise):
    at_hz = np.geomspace(20, 20000, 200)
    stated = spectrum_db(noise, at_hz)
    added = played_spectrum_db(noise, at_hz, RATE_HZ) - stated
    assert np.max(np.abs(added[stated > -3.1])) < 0.35
    assert np.max(added) < 1.5


@pytest.mark.parametrize("rate_hz", [8000.0, 44100.0, 96000.0])
def test_other_sample_rates_have_the_same_spectrum_and_level(rate_hz):
    samples = source(decade_band(50.0), rate_hz=rate_hz).read(round(60 * rate_hz))
    assert np.sqrt(np.mean(samples**2)) == pytest.approx(1, abs=0.02)
    frequency_hz, density = power_spectral_density(samples, rate_hz, 1.0)
    mid_hz = mid_bands_hz(50, 500, 1)
    octaves = 10 * np.log10(band_power(density, frequency_hz, mid_hz, 1))
    # Octave levels of the stated filters, integrated; 60 s of the 63 Hz octave have a spread of 0.08 dB.
    fine = mid_hz[:, np.newaxis] * 10 ** np.linspace(-0.15, 0.15, 201)
    stated = 10 * np.log10(np.mean(10 ** (spectrum_db(decade_band(50.0), fine) / 10), axis=1))
    assert octaves - octaves.mean() == pytest.approx(stated - stated.mean(), abs=0.35)


def test_memory_does_not_grow():
    noise = source()
    noise.read(100000)
    tracemalloc.start()
    for _ in range(200):
        noise.read(4800)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 4e6


@pytest.mark.parametrize(
    ("one", "at_hz", "level_db"),
    [
        (NoiseFilter("highpass", 100.0, order=3), [100.0, 10.0], [-3.0103, -60.0]),
        (NoiseFilter("lowpass", 100.0, order=1), [0.0, 100.0, 1000.0], [0.0, -3.0103, -20.0432]),
        (NoiseFilter("low shelf", 100.0, gain_db=6.0), [0.0, 100.0, 1e5], [6.0, 3.0, 0.0]),
        (NoiseFilter("high shelf", 100.0, gain_db=-6.0), [0.0, 100.0, 1e5], [0.0, -3.0, -6.0]),
        (NoiseFilter("peak", 100.0, gain_db=8.0, q=2.0), [0.0, 100.0, 1e5], [0.0, 8.0, 0.0]),
    ],
    ids=lambda value: value.kind if isinstance(value, NoiseFilter) else "",
)
def test_a_filter_has_its_levels(one, at_hz, level_db):
    assert filter_db(one, at_hz) == pytest.approx(level_db, abs=1e-3)
    assert spectrum_db(Noise((one, one)), 300.0) == pytest.approx(2 * filter_db(one, 300.0), abs=1e-3)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: NoiseFilter("highpass", 0.0), "hz is 0"),
        (lambda: NoiseFilter("highpass", 10.0, order=0), "order is 0"),
        (lambda: NoiseFilter("peak", 10.0, q=0.0), "q is 0"),
        (lambda: NoiseFilter("peak", 10.0, gain_db=float("nan")), "gain_db is nan"),
        (lambda: Noise(crest_factor=1.2), r"crest factor is 1\.2; allowed is 1\.5 to 4"),
        (lambda: Noise(seed=-1), "seed is -1"),
        (lambda: source(rate_hz=10.0), "sample rate from 8000 Hz"),
        (lambda: source(Noise((NoiseFilter("peak", 25.0, gain_db=40.0, q=10.0),))), "too steep at 2"),
    ],
)
def test_bad_input_is_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()


def test_the_music_like_shape_falls_to_both_sides():
    levels = spectrum_db(Noise(MUSIC_LIKE), [20.0, 200.0, 10000.0])
    assert levels[1] == pytest.approx(0, abs=0.1)
    assert np.all(levels[[0, 2]] < -8)
