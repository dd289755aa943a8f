"""Automatic gain, noise suppression and hidden resampling are told from a recording, and good ones raise no alarm."""

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, firwin, lfilter, resample_poly, sosfilt

from rig.signals import alteration, marks, stimulus

RATE_HZ = 48000.0
PLAN = stimulus.layout(20.0, 20000.0, 1.0, RATE_HZ)
LATE = 1234


def filtered(samples, kind, hz, order=2):
    return sosfilt(butter(order, hz, kind, fs=RATE_HZ, output="sos"), samples)


def pink(random, frames):
    """Noise that falls by 3 dB an octave, RMS 1, and white noise 30 dB below it as a microphone's own."""
    spectrum = np.fft.rfft(random.standard_normal(frames))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    spectrum[0] = 0
    rows = np.fft.irfft(spectrum, frames)
    return rows / np.std(rows) + 10**-1.5 * random.standard_normal(frames)


def reverberation(random, seconds, direct_db):
    """Direct sound, and noise that decays by 60 dB in so long, so far below it at its beginning in all."""
    time_s = np.arange(round(1.2 * seconds * RATE_HZ)) / RATE_HZ
    tail = random.standard_normal(time_s.size) * 10 ** (-3 * time_s / seconds)
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    return tail


def recorded(seed, decay_s=0.4, snr_db=55.0, missing=""):
    """A two-way box in a room, its noise so far below the sweep."""
    random = np.random.default_rng(seed)
    row = np.pad(stimulus.compose(PLAN), (LATE, 9600))
    low, high = (filtered(row, kind, 2500) for kind in ("lowpass", "highpass"))
    row = filtered(low * (missing != "woofer") - high * (missing != "tweeter"), "highpass", 60)
    row = fftconvolve(row, reverberation(random, decay_s, 4.0))[: row.size]
    level = np.std(row[PLAN.sweep_start : PLAN.sweep_stop])
    return row + level * 10 ** (-snr_db / 20) * pink(random, row.size)


def told(row):
    late, _ = marks.arrival(row.astype(np.float32), PLAN, 0.3)
    return alteration.alterations(row.astype(np.float32), PLAN, late)


@pytest.mark.parametrize("decay_s", [0.15, 0.4, 0.8, 1.2])
@pytest.mark.parametrize("snr_db", [70.0, 55.0, 40.0, 25.0])
def test_a_recording_left_as_it_was_raises_no_alarm(decay_s, snr_db):
    for seed in range(4):
        missing = ("", "", "tweeter", "woofer")[seed]
        assert told(recorded(seed, decay_s, snr_db, missing)) == [], seed


def test_a_cable_raises_no_alarm():
    random = np.random.default_rng(1)
    row = np.pad(0.3 * stimulus.compose(PLAN), (LATE, 9600))
    for noise in (0.0, 1e-6, 1e-3):
        assert told(row + noise * random.standard_normal(row.size)) == []


@pytest.mark.parametrize("loudest", ["bang", "steady noise from the middle on"])
def test_a_noise_in_the_room_is_no_alteration(loudest):
    for seed in range(4):
        row, random = recorded(seed), np.random.default_rng(seed + 100)
        at = (PLAN.sweep_start + PLAN.sweep_stop) // 2
        if loudest == "bang":
            row[at : at + 4800] += 0.3 * np.exp(-np.arange(4800) / 900) * random.standard_normal(4800)
            assert told(row) == []
        else:
            # It could be a suppressor's doing; the capture proves nothing either way.
            row[at:] += 30 * np.std(row[:12000]) * pink(random, row.size - at)
            assert all("noise" in words for words in told(row))


def automatic_gain(row, range_db, attack_s=0.01, release_s=0.3):
    """Half as many decibels out as in, within a range."""
    power = row**2
    attack, release = (1 - np.exp(-1 / (RATE_HZ * seconds)) for seconds in (attack_s, release_s))
    slow = lfilter([release], [1, release - 1], power, zi=[np.mean(power[:4800]) * (1 - release)])[0]
    level_db = 10 * np.log10(np.maximum(slow, lfilter([attack], [1, attack - 1], power)) + 1e-12)
    middle_db = np.mean(np.percentile(level_db, [5, 95]))
    return row * 10 ** (np.clip(0.5 * (middle_db - level_db), -range_db / 2, range_db / 2) / 20)


@pytest.mark.parametrize("range_db", [8.0, 20.0])
def test_automatic_gain_is_told_with_what_to_switch_off(range_db):
    for seed in range(4):
        (words,) = told(automatic_gain(recorded(seed), range_db))
        assert words.startswith("automatic gain")
        assert "switch off" in words


@pytest.mark.parametrize("by_db", [12.0, 30.0])
@pytest.mark.parametrize("opens_db", [8.0, 45.0])
def test_noise_suppression_is_told_with_what_to_switch_off(by_db, opens_db):
    """A gate: what is less than so far above the noise is lowered, marks too when they are as soft."""
    for seed in range(4):
        row = recorded(seed)
        power = lfilter([1 / 480], [1, 1 / 480 - 1], row**2)
        is_open = power > 10 ** (opens_db / 10) * np.mean(power[2400:9600])
        gain = lfilter([1 / 960], [1, 1 / 960 - 1], np.where(is_open, 1.0, 10 ** (-by_db / 20)))
        (words,) = told(row * gain)
        assert words.startswith("noise suppression")
        assert "switch off" in words


def resampled(row, up, down):
    """By the ratio of two whole numbers, through a filter that is flat to nine tenths of the lower half rate."""
    common = np.gcd(up, down)
    up, down = up // common, down // common
    longest = max(up, down)
    taps = firwin(128 * longest + 1, 0.95 / longest, window=("kaiser", 10.0))
    return resample_poly(row, up, down, window=taps)


@pytest.mark.parametrize("other_hz", [8000, 16000, 32000, 44100])
def test_hidden_resampling_is_told_with_the_rate_and_what_to_set(other_hz):
    for seed in range(4):
        row = recorded(seed)
        there = resampled(row, other_hz // 100, 480)
        back = resampled(there, 480, other_hz // 100)
        (words,) = told(back[: row.size])
        # What was found comes first: a filter in the path ends the band as well.
        assert words.startswith(f"the recording ends like a wall near {other_hz / 2000:.3g} kHz")
        assert "rate is converted on the way, else something" in words
        assert "one sample rate" in words


def test_what_a_bass_box_plays_says_nothing_of_its_marks():
    random = np.random.default_rng(3)
    row = filtered(np.pad(stimulus.compose(PLAN), (LATE, 9600)), "lowpass", 120, 4)
    row = row + 1e-3 * np.std(row) * pink(random, row.size)
    assert told(row) == []
    assert alteration.marks_over_noise(row, PLAN, LATE) < 5
    assert alteration.marks_over_noise(recorded(1), PLAN, LATE) > 30


def test_a_stimulus_that_ends_behind_the_capture_is_no_error():
    row = recorded(1)[: PLAN.frames]
    assert isinstance(alteration.alterations(row.astype(np.float32), PLAN, float(PLAN.frames // 2)), list)
