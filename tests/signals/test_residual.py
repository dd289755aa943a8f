"""The residual takes out a sweep and its low harmonics to the last bit and leaves everything else in its place."""

from dataclasses import astuple

import numpy as np
import pytest
from scipy import signal as filters

from rig.signals import impulsive, residual, tracking, trains
from rig.signals.gating import half_cosine
from rig.signals.sweep import ExponentialSweep

RATE_HZ = 48000.0
SENT = ExponentialSweep(20.0, 20000.0, 1.5, RATE_HZ)
BEFORE_S, SILENCE_S = 0.4, 0.3
LEAD_IN, _ = SENT.margins
NOMINAL = tracking.Chirp(*astuple(SENT), BEFORE_S + LEAD_IN / RATE_HZ)
FRAMES = round((BEFORE_S + 0.4) * RATE_HZ) + SENT.sweep_frames
TIME_S = np.arange(FRAMES) / RATE_HZ
HISS = 1e-4


def chirped(order=1, late=0):
    """Harmonic `order` of the sweep, as played."""
    body = SENT.times_s()
    frequency_hz = SENT.frequency_hz(body)
    # Below half the sample rate, and no step where it ends.
    amplitude = SENT.fade(frequency_hz) * half_cosine(6 * np.log(21000 / (order * frequency_hz)))
    wave = amplitude * np.sin(order * SENT.phase_rad(body))
    first = round(BEFORE_S * RATE_HZ) + late
    return np.pad(wave, (first, FRAMES - first - wave.size))


def hiss(seed=1, rms=HISS):
    return rms * np.random.default_rng(seed).standard_normal(FRAMES)


def left_of(sound, noise=None):
    heard = sound + (hiss() if noise is None else noise)
    return residual.sweep_residual(heard, hiss(2)[: round(SILENCE_S * RATE_HZ)], NOMINAL)


def searched(left, low_hz=20.0, high_hz=1000.0):
    frequency_hz = left.chirp.frequency_at_hz(TIME_S)
    return (frequency_hz > low_hz) & (frequency_hz < high_hz)


@pytest.mark.parametrize("order", [1, 2, 3, 5, 8])
def test_the_sweep_and_its_low_harmonics_are_gone(order):
    tiny = hiss(rms=1e-9)
    left = left_of(chirped(order), tiny)
    # The eighth comes near the edge, where it is still 60 dB down.
    assert np.max(np.abs(left.samples[searched(left)])) < (1e-5 if order < 8 else 1e-3)


def test_a_high_harmonic_is_left():
    left = left_of(chirped() + chirped(20))
    inside = searched(left, 100, 800)
    assert np.std(left.samples[inside]) == pytest.approx(np.sqrt(0.5), rel=0.02)


@pytest.mark.parametrize("at_hz", [40, 100, 250])
def test_a_click_keeps_its_place_and_its_waveform(at_hz):
    first = round(float(NOMINAL.time_of_cycle_s(at_hz * NOMINAL.rate_s)) * RATE_HZ)
    click = filters.sosfilt(filters.butter(4, [4500, 15000], "band", fs=RATE_HZ, output="sos"), np.eye(1, 200)[0])
    sound = np.zeros(FRAMES)
    sound[first : first + 200] = click
    left = left_of(chirped() + sound, hiss(rms=1e-9)).samples[first - 100 : first + 300]
    np.testing.assert_allclose(left[100:300], click, atol=0.02 * np.max(np.abs(click)))
    assert np.max(np.abs(left[:90])) < 0.01 * np.max(np.abs(click))


@pytest.mark.parametrize("late", [0, 700, 5000])
def test_latency_is_found_from_the_sweep_itself(late):
    found = left_of(chirped(late=late)).chirp.passes_start_s - NOMINAL.passes_start_s
    assert found == pytest.approx(late / RATE_HZ, abs=2e-4)


def test_whitened_noise_has_the_density_one_whatever_its_colour():
    pink = filters.lfilter([1.0], [1.0, -0.9], hiss(3))
    silence = filters.lfilter([1.0], [1.0, -0.9], hiss(4))[: round(SILENCE_S * RATE_HZ)]
    left = residual.sweep_residual(chirped() + pink, silence, NOMINAL)
    low_hz, high_hz = tracking.pass_band_hz(np.array([60.0]), NOMINAL)
    density = np.var(left.white[searched(left, 20, 100)]) / (high_hz - low_hz[0])
    assert density == pytest.approx(1.0, rel=0.15)


def test_what_sounds_long_after_the_sweep_is_kept_apart():
    at = round(1.4 * RATE_HZ)
    knock = np.zeros(FRAMES)
    knock[at : at + 2400] = 0.02 * np.sin(2 * np.pi * 100 * np.arange(2400) / RATE_HZ)
    quiet, knocked = left_of(chirped()), left_of(chirped() + knock)
    rate_hz = quiet.under_rate_hz
    around = slice(round(1.38 * rate_hz), round(1.48 * rate_hz))
    assert np.std(knocked.under[around]) > 20 * np.std(quiet.under[around])


def test_one_click_in_the_silence_does_not_pass_for_its_level():
    silence = hiss(5)[:14400]
    clicked = silence.copy()
    clicked[7000] += 1000 * HISS
    at_hz, plain = residual.noise_density(silence, RATE_HZ)
    _, robust = residual.noise_density(clicked, RATE_HZ)
    assert np.max(np.abs(10 * np.log10(robust / plain))[at_hz > 200]) < 3.0
    # White noise of variance s has the one-sided density 2 s / rate.
    assert np.mean(plain) == pytest.approx(2 * HISS**2 / RATE_HZ, rel=0.1)


@pytest.mark.parametrize(
    ("captured", "silence", "match"),
    [
        (np.full(FRAMES, np.nan), hiss(1), "finite"),
        (np.ones(1000), hiss(1), "holds all of the sweep"),
        (hiss(1), np.ones(100), "silence needs"),
        (hiss(1), np.full(14400, np.nan), "silence needs"),
        (hiss(1), np.zeros(14400), "nothing was recorded"),
    ],
)
def test_what_is_no_capture_is_refused(captured, silence, match):
    with pytest.raises(ValueError, match=match):
        residual.sweep_residual(captured, silence, NOMINAL)


SEARCHED = (NOMINAL.passes_start_s, 2.2)


def train_scores(left):
    return [*trains.peak_scores(left, SEARCHED), *impulsive.above_scores(left, SEARCHED, trains.WINDOWS_S)]


def scores_of(left):
    return impulsive.above_scores(left, SEARCHED, (impulsive.EVENT_WINDOW_S,))[0]


def test_scores_of_noise_are_standard_normal_at_every_frequency_of_the_sweep():
    scores, at_hz = [], None
    for seed in range(12):
        left = left_of(chirped(), hiss(10 + seed))
        each = scores_of(left)
        at_hz = left.chirp.frequency_at_hz(each.time_s)
        scores.append(each.score)
    scores = np.array(scores)
    for low_hz, high_hz in ((20, 50), (50, 120), (120, 300), (300, 1000)):
        inside = scores[:, (at_hz > low_hz) & (at_hz < high_hz)]
        inside = inside[np.isfinite(inside)]
        assert np.mean(inside) == pytest.approx(0.0, abs=0.06)
        assert np.std(inside) == pytest.approx(1.0, abs=0.08)
        # 2.28 % of a normal variable lie above 2.
        assert np.mean(inside > 2) == pytest.approx(0.0228, abs=0.009)


def test_evidence_in_noise_is_what_it_says():
    evidence, count = [], 30
    for seed in range(count):
        left = left_of(chirped(), hiss(50 + seed))
        evidence.append([train.evidence for train in trains.trains(left, train_scores(left))])
    found = np.array(evidence)
    # Of four kinds of trains one in ten may have more than 1, one in a hundred more than 2: more than these happen by
    # less than 1 %.
    assert np.count_nonzero(found > 1) <= 4 * 8
    assert np.count_nonzero(found > 2) <= 4
    # The bound is no idle one: some of the noise comes near it.
    assert np.count_nonzero(np.max(found, axis=1) > 0) >= 3


@pytest.mark.parametrize("peak", [0.003, 0.03, 0.3])
def test_no_single_impulse_keeps_step_with_the_sweep_however_loud(peak):
    first = round(float(NOMINAL.time_of_cycle_s(90 * NOMINAL.rate_s)) * RATE_HZ)
    sound = np.zeros(FRAMES)
    sound[first : first + 20] = peak
    left = left_of(chirped() + sound)
    assert np.max(scores_of(left).score) > impulsive.EVENT
    found = trains.trains(left, train_scores(left), lock=True)
    assert max(train.evidence for train in found) < 3


def test_faint_clicks_once_a_cycle_make_a_train_where_they_are():
    sound = hiss(7)
    cycles = np.arange(round(70 * NOMINAL.rate_s), round(150 * NOMINAL.rate_s)) + 0.25
    for first in np.round(NOMINAL.time_of_cycle_s(cycles) * RATE_HZ).astype(int):
        sound[first : first + 3] += 4 * HISS * np.array([1, -1, 1])
    left = left_of(chirped(), sound)
    found = trains.trains(left, train_scores(left))
    best = max(found, key=lambda train: train.evidence)
    assert best.evidence > 4
    assert best.phase == pytest.approx(0.25, abs=0.06)
    assert 55 < best.low_hz < 90
    assert 120 < best.high_hz < 190
    assert np.max(scores_of(left).score) < impulsive.EVENT


def test_ranks_are_normal_and_do_not_end_at_the_greatest_of_the_others():
    random = np.random.default_rng(3)
    values = random.standard_normal(4000)
    np.testing.assert_allclose(
        np.quantile(impulsive.normal_ranks(values), [0.1, 0.5, 0.9]), [-1.28, 0.0, 1.28], atol=0.02
    )
    apart = np.arange(4000) < 100
    values[apart] += 4.0
    among, aside = (impulsive.normal_ranks(values, which)[apart] for which in (None, apart))
    # Ranked among each other, a hundred of four thousand hold each other down.
    assert np.mean(among) < 3.6
    assert np.mean(aside) == pytest.approx(4.0, abs=0.25)


def test_the_level_of_noise_follows_a_decay():
    random = np.random.default_rng(4)
    time_s = np.arange(48000) / 48000
    noise = (random.standard_normal(time_s.size) * 10 ** (-60 / 20 * time_s)).astype(np.float32)
    steady = noise**2 / trains._level(noise**2, 48000.0)
    by_tenth = np.mean(steady.reshape(10, -1), axis=1)
    np.testing.assert_allclose(by_tenth, 1.0, atol=0.1)
