"""The stimulus in time: its parts stand where the layout says, and stay where the request allows them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.signals import stimulus
from rig.signals.sweep import synchronised_sweep

RATES = st.sampled_from([44100.0, 48000.0, 96000.0])


@given(start_hz=st.floats(10, 3000), octaves=st.floats(0.5, 10), seconds=st.floats(0.05, 2), sample_rate_hz=RATES)
@settings(max_examples=60, deadline=None)
def test_parts_follow_each_other_and_hold_what_they_say(start_hz, octaves, seconds, sample_rate_hz):
    stop_hz = min(start_hz * 2**octaves, 0.46 * sample_rate_hz)
    plan = stimulus.layout(start_hz, stop_hz, seconds, sample_rate_hz)
    samples = stimulus.compose(plan)
    assert samples.shape == (plan.frames,)
    assert plan.total_s == plan.frames / sample_rate_hz
    assert plan.mark_before >= 0.25 * sample_rate_hz
    assert plan.mark_after - plan.sweep_stop >= 0.25 * sample_rate_hz
    assert np.all(samples[plan.silence] == 0)
    assert np.all(samples[plan.sweep_stop : plan.mark_after] == 0)
    marks = [samples[at : at + plan.mark_frames] for at in (plan.mark_before, plan.mark_after)]
    np.testing.assert_array_equal(marks[0], marks[1])
    np.testing.assert_array_equal(samples[plan.sweep], synchronised_sweep(plan))
    assert np.max(np.abs(samples)) <= 1
    assert start_hz <= plan.mark_low_hz < plan.mark_high_hz <= stop_hz


@pytest.mark.parametrize(("start_hz", "stop_hz"), [(20, 20000), (2000, 20000), (20, 400), (5000, 20000)])
def test_a_mark_is_quiet_and_keeps_to_its_band(start_hz, stop_hz):
    plan = stimulus.layout(start_hz, stop_hz, 1.0, 48000.0)
    piece = stimulus.mark(plan)
    assert 0.09 < np.max(np.abs(piece)) <= 0.1
    power = np.abs(np.fft.rfft(piece, 1 << 16)) ** 2
    frequency_hz = np.fft.rfftfreq(1 << 16, 1 / 48000.0)
    inside = (frequency_hz >= plan.mark_low_hz) & (frequency_hz <= plan.mark_high_hz)
    assert power[inside].sum() > 0.95 * power.sum()


def test_the_first_sound_comes_quietly():
    plan = stimulus.layout(20.0, 20000.0, 1.0, 48000.0)
    samples = stimulus.compose(plan)
    for at in (plan.mark_before, plan.sweep_start):
        assert np.max(np.abs(samples[at : at + 4])) < 0.01


@pytest.mark.parametrize(
    ("start_hz", "stop_hz", "seconds"),
    [(0, 1000, 1), (1000, 100, 1), (20, 23000, 1), (20, 2000, 0.01), (20, 2000, float("nan")), (20, float("nan"), 1)],
)
def test_refuses_what_cannot_be_played(start_hz, stop_hz, seconds):
    with pytest.raises(ValueError, match=r"Hz|asked for"):
        stimulus.layout(start_hz, stop_hz, seconds, 48000.0)
