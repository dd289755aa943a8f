"""Volts from a meter, pascals from a calibrator: closed forms, and what no meter and no calibrator would say."""

import numpy as np
import pytest

from rig.calibration.storage import Cause, combined
from rig.calibration.volts import (
    MeterReading,
    calibrator_tone,
    require_plausible,
    sensitivity_of,
    typed_reading,
    volts_of_input,
    volts_of_output,
)
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.tone import measure_tone

RATE_HZ = 48000.0


def sine(hz=1000.0, rms=1.0, seconds=3.0, harmonic=0.0, noise=1e-4, seed=1):
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = np.sqrt(2) * rms * (np.sin(2 * np.pi * hz * t) + harmonic * np.sin(4 * np.pi * hz * t))
    return wave + rms * noise * np.random.default_rng(seed).standard_normal(t.size)


@pytest.mark.parametrize(
    ("text", "volts", "half_digit"),
    [
        ("0.7071", 0.7071, 0.5e-4),
        (" 707.1 mV ", 0.7071, 0.5e-4),
        ("1.20V", 1.2, 0.5e-2),
        (".5", 0.5, 0.05),
        ("2", 2.0, 0.5),
    ],
)
def test_a_typed_reading_is_known_to_half_its_last_digit(text, volts, half_digit):
    found = typed_reading(text)
    assert found.volts == pytest.approx(volts)
    # An even distribution of half-width a has the standard deviation a / sqrt(3) (GUM, 4.3.7).
    assert found.u_volts == pytest.approx(half_digit / np.sqrt(3))


@pytest.mark.parametrize("text", ["", "0,7071", "about 1", "-1", "0", "0.000", "1 kV", "1e3", "nan", "OL"])
def test_what_is_no_reading_is_refused(text):
    with pytest.raises(BenchSetupError, match="allowed: the meter's reading in volts RMS"):
        typed_reading(text)


def test_volts_of_the_output_are_the_reading_s_peak_over_the_samples_peak():
    quiet, normal = (MeterReading(0.0503, 3e-5), 0.035), (MeterReading(0.7185, 3e-5), 0.5)
    volts, budget = volts_of_output(quiet, normal, 2.0, 1.0)
    assert volts == pytest.approx(0.7185 * np.sqrt(2) / 0.5)
    assert combined(budget) == pytest.approx(np.hypot(0.01 / np.sqrt(3), 3e-5 / 0.7185))


def test_a_reading_that_is_not_of_this_output_is_refused_before_anything_louder():
    require_plausible((MeterReading(0.05, 1e-4), 0.035), 2.0)
    for volts in (0.005, 0.3):
        with pytest.raises(BenchError, match="Nothing louder is played"):
            require_plausible((MeterReading(volts, 1e-4), 0.035), 2.0)


def test_two_readings_that_disagree_are_refused():
    with pytest.raises(BenchError, match=r"the quiet tone reads \+6.*automatic gain"):
        volts_of_output((MeterReading(0.053, 1e-5), 0.05), (MeterReading(0.5, 1e-5), 0.5), 1.414, 1.0)
    # With few digits they agree as well as can be said.
    volts_of_output((MeterReading(0.05, 0.003), 0.05), (MeterReading(0.47, 0.003), 0.5), 1.414, 1.0)


def test_volts_of_an_input():
    found, budget, tone = volts_of_input(sine(110.0, 0.35), RATE_HZ, 110.0, 0.7, [Cause("output volts", 0.6)])
    assert found == pytest.approx(2.0, rel=1e-4)
    assert tone.frequency_hz == pytest.approx(110.0, abs=1e-3)
    assert [cause.cause for cause in budget] == ["output volts", "noise"]
    assert combined(budget) == pytest.approx(0.006, rel=0.01)


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (np.zeros(48000), "no tone can be told"),
        (1e-4 * np.random.default_rng(1).standard_normal(48000), "is the cable in"),
        (np.clip(sine(110.0, 1.0), -1, 1), "overloaded"),
        (sine(110.0, 0.3) * np.linspace(1, 0.8, 144000), "wanders"),
        (sine(123.0, 0.3), "is the cable in"),
    ],
)
def test_an_input_that_does_not_hear_the_tone_is_refused(samples, words):
    with pytest.raises(BenchError, match=words):
        volts_of_input(samples, RATE_HZ, 110.0, 0.7, [])


def test_a_calibrator_of_94_db_gives_one_pascal():
    """94 dB re 20 uPa is 1.0024 Pa, 114 dB ten times as much."""
    tones = [calibrator_tone(sine(rms=0.0125, harmonic=0.005, seed=n), RATE_HZ) for n in (1, 2)]
    found, budget = sensitivity_of(tones, 94.0, 0.5, 0.0125)
    assert found == pytest.approx(0.0125 / 1.00237, rel=1e-3)
    assert sensitivity_of(tones, 114.0, 0.5, None)[0] == pytest.approx(found / 10)
    # 0.5 dB, evenly: 0.29 dB or 3.3 % is all that counts.
    assert combined(budget) == pytest.approx(0.5 / np.sqrt(3) * np.log(10) / 20, rel=0.01)


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        (np.zeros(48000), "no tone can be told"),
        (sine(rms=0.01, noise=0.1), "stands 20 dB over the rest"),
        (sine(rms=0.01) + 0.001 * np.random.default_rng(1).standard_normal(144000), "is it on"),
        (sine(1030.0), "at 1030.0 Hz: not that of a calibrator"),
        (sine(harmonic=0.06), "6.0 % of harmonics"),
        (sine() * np.linspace(1, 0.93, 144000), "wanders"),
        (np.clip(sine(), -0.7, 0.7), "of harmonics"),
    ],
)
def test_what_is_no_calibrator_is_refused(volts, words):
    with pytest.raises(BenchError, match=words):
        calibrator_tone(volts, RATE_HZ)


def test_mountings_that_differ_and_a_calibrator_at_the_other_level_are_told():
    tones = [measure_tone(sine(rms=rms), RATE_HZ, 1000.0) for rms in (0.0125, 0.0131)]
    with pytest.raises(BenchError, match=r"differ by 0\.41 dB"):
        sensitivity_of(tones, 94.0, 0.5, None)
    with pytest.raises(BenchError, match=r"\+20.* the other level, 94 or 114 dB\?"):
        sensitivity_of(tones[:1], 94.0, 0.5, 0.00125)
    with pytest.raises(BenchError, match=r"correct one or the other$"):
        sensitivity_of(tones[:1], 94.0, 0.5, 0.004)


def test_the_mountings_spread_is_in_the_uncertainty():
    tones = [measure_tone(sine(rms=rms), RATE_HZ, 1000.0) for rms in (0.0125, 0.0127)]
    budget = {cause.cause: cause.percent for cause in sensitivity_of(tones, 94.0, 0.5, None)[1]}
    assert budget["2 mountings"] == pytest.approx(100 * 0.0002 / 0.0126 / 2, rel=0.01)
