"""The sweep starts and ends quietly, serves its band, and its harmonics are itself, earlier."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.signals.sweep import ExponentialSweep, synchronised_sweep

RATE_HZ = 48000.0
SWEEP = ExponentialSweep(20.0, 20000.0, 1.5, RATE_HZ)


@settings(max_examples=40, deadline=None)
@given(
    start_hz=st.floats(10, 500),
    octaves=st.floats(1, 5),
    seconds=st.floats(0.1, 2),
    rate_hz=st.sampled_from([44100.0, 48000.0, 96000.0]),
)
def test_every_sweep_is_bounded_and_fades(start_hz, octaves, seconds, rate_hz):
    stop_hz = min(start_hz * 2**octaves, 0.46 * rate_hz)
    sent = ExponentialSweep(start_hz, stop_hz, seconds, rate_hz)
    samples = synchronised_sweep(sent)
    assert samples.size == sent.sweep_frames
    assert np.max(np.abs(samples)) <= 1.0
    frequency_hz = sent.frequency_hz(sent.times_s())
    assert np.max(frequency_hz) <= 0.4751 * rate_hz
    played = sent.fade(frequency_hz)
    assert played[0] < 1e-2
    in_band = (frequency_hz >= start_hz) & (frequency_hz <= stop_hz)
    np.testing.assert_array_equal(played[in_band], 1.0)


def test_the_ends_are_silent():
    samples = synchronised_sweep(SWEEP)
    assert np.max(np.abs(samples[:48])) < 1e-3
    assert np.max(np.abs(samples[-5:])) < 1e-3
    assert np.max(np.abs(samples)) > 0.999


def test_start_hz_is_passed_at_the_lead_in_and_stop_hz_after_the_time_asked_for():
    lead_in, lead_out = SWEEP.margins
    frequency_hz = SWEEP.frequency_hz(SWEEP.times_s())
    assert frequency_hz[lead_in] == pytest.approx(20)
    assert frequency_hz[-1 - lead_out] == pytest.approx(20000, rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(order=st.integers(2, 10), time_s=st.floats(-0.2, 1.0))
def test_a_harmonic_is_the_sweep_advanced_in_phase_too(order, time_s):
    later = time_s + SWEEP.advance_s(order)
    np.testing.assert_allclose(order * SWEEP.phase_rad(time_s), SWEEP.phase_rad(later), rtol=1e-12)


def test_frequency_is_the_slope_of_phase():
    time_s = np.linspace(0, 2, 2001)
    step = 1e-6
    slope = SWEEP.phase_rad(time_s + step) - SWEEP.phase_rad(time_s - step)
    frequency_hz = SWEEP.frequency_hz(time_s)
    np.testing.assert_allclose(slope / (4 * np.pi * step), frequency_hz, rtol=1e-6)


@pytest.mark.parametrize(
    ("band", "message"),
    [
        ((0, 20000, 1), "0 < start_hz < stop_hz"),
        ((200, 100, 1), "0 < start_hz < stop_hz"),
        ((20, float("nan"), 1), "0 < start_hz < stop_hz"),
        ((20, 20000, 0), "a time above 0 s"),
        ((20, 23000, 1), "at most 0.46 of the sample rate"),
    ],
)
def test_impossible_sweeps_are_refused(band, message):
    with pytest.raises(ValueError, match=message):
        ExponentialSweep(*band, RATE_HZ)
