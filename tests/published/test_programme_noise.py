"""Programme noise against the levels of decade-band noise, the crest factor of IEC 60268-1 and what pink means."""

import numpy as np
import pytest
from reference_csv import numbers, rows
from scipy.special import erf, erfinv
from scipy.stats import norm

from rig.signals.noise import band_power, power_spectral_density
from rig.signals.programme import ENDS, NoiseSource, decade_band, filter_db, music_like, plain_pink, spectrum_db

RATE_HZ = 48000.0
# Source: reference/power_test_noise_decade_band_50_500hz.csv (computed: pink noise through second-order Butterworth
# filters, the definition of AES2-1984 from memory; levels at the exact mid-bands).
DECADE = np.array(
    [numbers(row, "exact_hz", "band_level_rel_db") for row in rows("power_test_noise_decade_band_50_500hz")]
)
# Source: reference/power_test_noise_facts.csv, where each value says its own.
FACTS = {row["quantity"]: float(row["value"]) for row in rows("power_test_noise_facts") if row["unit"] != ""}
CREST_FACTORS = [FACTS[f"simulated_programme_crest_factor_{end}"] for end in ("min", "max")]


def unlimited(noise, seconds):
    """A source's noise before its limiter, of any scale: the limiter is an error function and can be undone."""
    return erfinv(NoiseSource(noise, RATE_HZ, 0).read(round(seconds * RATE_HZ)) / noise.crest_factor)


def third_octave_db(samples, mid_hz):
    frequency_hz, density = power_spectral_density(samples, RATE_HZ, 1.0)
    return 10 * np.log10(band_power(density, frequency_hz, mid_hz, 3))


def test_the_filters_of_decade_band_noise():
    mid_hz, level_db = DECADE.T
    ends_db = sum(filter_db(one, mid_hz) for one in ENDS)
    assert spectrum_db(decade_band(50.0), mid_hz) - ends_db == pytest.approx(level_db, abs=0.002)
    heard = mid_hz >= 19
    assert spectrum_db(decade_band(50.0), mid_hz[heard]) == pytest.approx(level_db[heard], abs=0.05)


def test_a_minute_of_decade_band_noise():
    mid_hz, level_db = DECADE[(DECADE[:, 0] > 49) & (DECADE[:, 0] < 520)].T
    measured = third_octave_db(unlimited(decade_band(50.0), 60), mid_hz)
    assert measured - measured.mean() == pytest.approx(level_db - level_db.mean(), abs=0.5)


@pytest.mark.parametrize("noise", [decade_band(50.0), plain_pink(), music_like()], ids=["decade", "pink", "music"])
def test_the_crest_factor_is_within_that_of_simulated_programme(noise):
    samples = NoiseSource(noise, RATE_HZ, 0).read(round(60 * RATE_HZ))
    crest_factor = np.max(np.abs(samples)) / np.sqrt(np.mean(samples**2))
    assert CREST_FACTORS[0] <= crest_factor <= CREST_FACTORS[1]


def test_decade_band_noise_peaks_6_db_above_its_level():
    samples = NoiseSource(decade_band(50.0), RATE_HZ, 0).read(round(60 * RATE_HZ))
    crest_db = 20 * np.log10(np.max(np.abs(samples)) / np.sqrt(np.mean(samples**2)))
    assert crest_db == pytest.approx(FACTS["aes2_1984_peak_to_rms_db"], abs=0.1)


def test_pink_noise_is_flat_in_thirds_of_an_octave_and_falls_3_db_per_octave_in_density():
    samples = unlimited(plain_pink(), 120)
    mid_hz = 1000 * 10 ** (np.arange(-10, 13) / 10)
    octaves = np.log2(mid_hz / 1000)
    slope = np.polyfit(octaves, third_octave_db(samples, mid_hz), 1, w=np.sqrt(mid_hz))[0]
    assert slope == pytest.approx(FACTS["pink_noise_one_third_octave_slope_db"], abs=0.02)
    frequency_hz, density = power_spectral_density(samples, RATE_HZ, 1.0)
    use = (frequency_hz > 100) & (frequency_hz < 16000)
    log_density = 10 * np.log10(density[use])
    slope = np.polyfit(np.log2(frequency_hz[use]), log_density, 1)[0]
    assert slope == pytest.approx(FACTS["pink_noise_psd_slope_db_per_octave"], abs=0.02)


def test_plain_pink_is_flat_in_the_audible_range():
    # Source: the definition of pink noise; a tenth of a decibel is this project's own demand.
    assert spectrum_db(plain_pink(), np.geomspace(20, 20000, 500)) == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("crest_factor", [1.5, 2.0, 3.0])
def test_unlimited_noise_is_gaussian_and_limited_noise_has_the_power_of_the_closed_form(crest_factor):
    # Source: R. F. Baum, IRE Trans. Inf. Theory 3 (1957), from memory: 2 / pi asin(k), against its integral here.
    noise = plain_pink(crest_factor=crest_factor)
    before = unlimited(noise, 120)
    spread = np.std(before)
    grid = np.linspace(-12, 12, 20001)
    power = np.trapezoid(erf(spread * grid) ** 2 * norm.pdf(grid), grid)
    # So the level is 1 for the spread that the source has; 120 s of pink noise tell it to about half a percent.
    assert crest_factor * np.sqrt(power) == pytest.approx(1, abs=0.01)
    assert np.mean((before / spread) ** 4) == pytest.approx(3, abs=0.1)
