"""Arrivals, delays and clock differences come back as they were put in."""

import numpy as np
import pytest
from delays import fractional_delay
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as filters

from rig.signals import deconvolution, timing
from rig.signals.sweep import ExponentialSweep, synchronised_sweep

RATE_HZ = 48000.0
SWEEP = ExponentialSweep(40, 20000, 0.3, RATE_HZ)
SENT = np.concatenate((np.zeros(2400), synchronised_sweep(SWEEP), np.zeros(4800)))


def impulse(captured):
    return deconvolution.impulse_response(captured, SENT, SWEEP, 0.05, 0.1)


@settings(max_examples=25, deadline=None)
@given(delay=st.floats(-500, 2000), gain=st.sampled_from([1.0, -0.2, 1e-4]))
def test_a_delay_is_found_to_a_fiftieth_of_a_sample(delay, gain):
    captured = gain * fractional_delay(SENT, delay)
    assert timing.delay_s(captured, SENT, RATE_HZ) * RATE_HZ == pytest.approx(delay, abs=0.02)


def test_delays_are_found_for_channels_at_once_and_in_noise():
    delays = np.array([[0.0, 12.25], [100.5, 750.125]])
    captured = fractional_delay(np.broadcast_to(SENT, (2, 2, SENT.size)), delays)
    hiss = np.random.default_rng(1).normal(0, 0.01, captured.shape)
    np.testing.assert_allclose(timing.delay_s(captured, SENT, RATE_HZ) * RATE_HZ, delays, atol=0.02)
    np.testing.assert_allclose(timing.delay_s(captured + hiss, SENT, RATE_HZ) * RATE_HZ, delays, atol=0.02)


def test_of_two_delays_the_louder_one_is_found():
    captured = SENT + 2 * fractional_delay(SENT, 1000)
    assert timing.delay_s(captured, SENT, RATE_HZ) * RATE_HZ == pytest.approx(1000, abs=0.1)


@settings(max_examples=25, deadline=None)
@given(delay=st.floats(0, 3000), gain=st.sampled_from([1.0, -1.0, 1e-3]))
def test_the_arrival_of_a_wire_is_its_delay(delay, gain):
    found = timing.arrival_s(impulse(gain * fractional_delay(SENT, delay)), RATE_HZ)
    assert (found - 0.05) * RATE_HZ == pytest.approx(delay, abs=0.1)


def test_an_arrival_stands_out_of_noise_and_echoes():
    direct = fractional_delay(SENT, 200)
    captured = direct + 1.5 * fractional_delay(SENT, 500)
    captured = captured + np.random.default_rng(2).normal(0, 0.02, captured.size)
    found = timing.arrival_s(impulse(captured), RATE_HZ)
    assert (found - 0.05) * RATE_HZ == pytest.approx(200, abs=1)


def test_a_slow_unit_arrives_at_its_onset():
    captured = fractional_delay(filters.lfilter(*filters.butter(2, 1000, fs=RATE_HZ), SENT), 100)
    found = (timing.arrival_s(impulse(captured), RATE_HZ) - 0.05) * RATE_HZ
    assert 100 < found < 105


def test_nothing_arrives_in_silence_noise_or_broken_data():
    rows = np.zeros((3, 4800))
    rows[1] = np.random.default_rng(3).normal(0, 1, 4800)
    rows[2, 10] = np.nan
    assert np.all(np.isnan(timing.arrival_s(rows, RATE_HZ)))
    assert np.array_equal(np.isnan(timing.delay_s(rows, SENT, RATE_HZ)), [True, False, True])


@settings(max_examples=25, deadline=None)
@given(delay=st.floats(-40, 40))
def test_a_fractional_delay_of_a_tone_is_a_turn_of_its_phase(delay):
    time = np.arange(8000.0)
    fade = np.sin(np.pi * time / 8000) ** 2
    tone = fade * np.sin(0.7 * time)
    true = np.sin(np.pi * (time - delay) / 8000) ** 2 * np.sin(0.7 * (time - delay))
    moved = fractional_delay(tone, delay)
    np.testing.assert_allclose(moved[100:-100], true[100:-100], atol=1e-5)


def test_a_delay_longer_than_the_signal_leaves_nothing():
    assert not np.any(fractional_delay(np.ones(100), 100.0))
    assert not np.any(fractional_delay(np.ones(100), -250.0))


@pytest.mark.parametrize("ppm", [-200, -25, 0, 100, 1000])
@pytest.mark.parametrize("tone_hz", [100.0, 5000.0, 20000.0])
def test_a_clock_difference_is_undone(ppm, tone_hz):
    ratio = 1 + ppm * 1e-6
    time_s = np.arange(24000) / RATE_HZ
    captured = np.sin(2 * np.pi * tone_hz * time_s / ratio)
    found = timing.resample_by(captured, ratio)
    assert abs(found.size - 24000 / ratio) <= 1
    true = np.sin(2 * np.pi * tone_hz * time_s)
    inner = slice(100, 23800)
    np.testing.assert_allclose(found[inner], true[inner], atol=3e-5)


def test_senseless_arguments_are_refused():
    with pytest.raises(ValueError, match=r"from 0\.99 to 1\.01"):
        timing.resample_by(np.ones(10), 2.0)
    with pytest.raises(ValueError, match="finite"):
        fractional_delay(np.ones(10), np.nan)
    with pytest.raises(ValueError, match="silent"):
        timing.delay_s(np.ones(10), np.zeros(10), RATE_HZ)
