"""A microphone that a device of its own recorded: its clock is told and is no trouble, all else stays one."""

import numpy as np
import pytest
from own_clock import on_own_clock
from scipy.signal import butter, sosfilt

from rig.signals import integrity, stimulus

RATE_HZ = 48000.0
PLAN = stimulus.layout(20.0, 20000.0, 0.6, RATE_HZ)
FRAMES = PLAN.frames + 12000


def filtered(samples, kind, hz, order=2):
    return sosfilt(butter(order, hz, kind, fs=RATE_HZ, output="sos"), samples)


def rows(ppm, noise=1e-4, path=lambda row: filtered(row, "highpass", 60), begins_at=-3000.4, seed=1):
    """Microphone and loopback."""
    random = np.random.default_rng(seed)
    sent = np.pad(stimulus.compose(PLAN), (0, FRAMES - PLAN.frames))
    microphone = on_own_clock(path(0.2 * np.roll(sent, 70)), ppm, begins_at)
    both = np.stack([microphone, 0.5 * np.roll(sent, 900)])
    return (both + noise * random.standard_normal(both.shape)).astype(np.float32)


def inspected(samples, reference=1):
    return integrity.inspect(samples, PLAN, reference, inputs=("microphone", "loopback"), other_clock=(0,))


@pytest.mark.parametrize("ppm", [-300.0, -45.0, 0.0, 3.0, 298.0])
def test_another_clock_is_known_and_no_trouble(ppm):
    found = inspected(rows(ppm))
    assert found.troubles == ()
    assert found.other_clock_ppm == pytest.approx(ppm, abs=0.2)
    assert abs(found.clock_ppm) < 0.5


def test_without_a_loopback_the_marks_alone_tell_it():
    found = integrity.inspect(rows(120.0)[:1], PLAN, inputs=["microphone"], other_clock=(0,))
    assert found.troubles == ()
    assert found.other_clock_ppm == pytest.approx(120, abs=0.2)


def test_more_than_a_clock_can_do_is_refused_with_what_is_allowed():
    (words,) = inspected(rows(330.0)).troubles
    assert "allowed is up to 300 ppm" in words
    row = rows(0.0)
    middle = (PLAN.sweep_start + PLAN.sweep_stop) // 2
    row[0, middle:-48] = row[0, middle + 48 :]
    row[0, -48:] = 1e-4 * np.random.default_rng(2).standard_normal(48)
    (words,) = inspected(row).troubles
    assert words.startswith("microphone: 48 samples lost")


def test_the_same_row_on_one_clock_is_a_trouble():
    samples = rows(120.0)[:1]
    (words,) = integrity.inspect(samples, PLAN, inputs=["microphone"]).troubles
    assert "or a clock difference" in words


def test_what_a_box_does_not_play_tells_no_clock():
    found = inspected(rows(80.0, noise=3e-4, path=lambda row: filtered(row, "lowpass", 120, 8)))
    assert found.troubles == ()
    assert np.isnan(found.other_clock_ppm)


@pytest.mark.parametrize("start", [PLAN.mark_before, PLAN.mark_after])
def test_a_mark_that_should_be_there_is_missed(start):
    samples = rows(50.0)
    at = start + 3070
    samples[0, at - 100 : at + PLAN.mark_frames + 400] = samples[0, 500 : 1000 + PLAN.mark_frames]
    assert any("marks around the sweep are missing" in words for words in inspected(samples).troubles)


def test_a_recording_that_begins_too_late_or_ends_too_early_is_told():
    (words,) = inspected(rows(50.0, begins_at=-18000.0)).troubles
    assert "longer than the capture allows" in words


def test_a_dead_microphone_is_the_checks_business():
    samples = rows(50.0)
    samples[0] = 1e-4 * np.random.default_rng(5).standard_normal(FRAMES)
    found = inspected(samples)
    assert (found.troubles, found.silent_rows) == ((), (0,))


def test_the_reference_must_be_on_the_playing_clock():
    with pytest.raises(ValueError, match="another clock"):
        integrity.inspect(rows(0.0), PLAN, 0, other_clock=(0,))
