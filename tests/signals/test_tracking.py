"""The filters that follow a sweep keep what is theirs as it is, and nothing of what is not."""

from dataclasses import replace

import numpy as np
import pytest

from rig.signals import tracking

RATE_HZ = 48000.0
CHIRP = tracking.Chirp(20.0, 20000.0, 1.5, RATE_HZ, 0.0)
PASSES = 24000
FRAMES = 110000


def noise(seed=1):
    return np.random.default_rng(seed).standard_normal(FRAMES).astype(np.float32)


def test_blocks_add_up_to_what_was_cut():
    plain = tracking.high_pass(CHIRP)
    plain = replace(plain, filters=np.ones_like(plain.filters))
    sound = noise()
    (again,) = tracking.tracked(sound, plain, PASSES, [np.ones(plain.frequency_hz.size)])
    first, size = PASSES + plain.first, plain.window.size
    whole = slice(first + size // 2, first + size // 2 * plain.filters.shape[0])
    np.testing.assert_allclose(again[whole], sound[whole], atol=1e-5)
    assert not again[: max(0, first)].any()
    assert not again[first + size // 2 * (plain.filters.shape[0] + 1) :].any()


@pytest.mark.parametrize(
    ("at_hz", "order", "kept"), [(40, 20, 0), (40, 60, 1), (200, 9, 0), (200, 14, 1), (800, 13, 1)]
)
def test_the_high_pass_opens_above_its_order(at_hz, order, kept):
    at_s = CHIRP.time_of_frequency_s(at_hz)
    around = PASSES + round(at_s * RATE_HZ) + np.arange(-120, 120)
    tone = np.sin(2 * np.pi * order * at_hz * np.arange(FRAMES) / RATE_HZ).astype(np.float32)
    own = tracking.high_pass(CHIRP)
    (heard,) = tracking.tracked(tone, own, PASSES, [np.ones(own.frequency_hz.size)])
    assert np.std(heard[around]) == pytest.approx(kept * np.sqrt(0.5), abs=0.02)


@pytest.mark.parametrize(("order", "kept"), [(1.0, 0), (1.5, 1), (2.0, 0), (3.0, 0)])
def test_between_the_sweep_and_its_second_harmonic(order, kept):
    at_hz = 3000.0
    around = PASSES + round(CHIRP.time_of_frequency_s(at_hz) * RATE_HZ) + np.arange(-120, 120)
    tone = np.sin(2 * np.pi * order * at_hz * np.arange(FRAMES) / RATE_HZ).astype(np.float32)
    own = tracking.between(CHIRP)
    (heard,) = tracking.tracked(tone, own, PASSES, [np.ones(own.frequency_hz.size)])
    assert np.std(heard[around]) == pytest.approx(kept * np.sqrt(0.5), abs=0.02)


@pytest.mark.parametrize(("filter_of", "left"), [(tracking.high_pass, 1e-6), (tracking.between, 3e-4)])
def test_the_sweep_itself_is_gone(filter_of, left):
    # Above it far below the noise of any converter; beside it, where the edges are near, still by 70 dB.
    time_s = (np.arange(FRAMES) - PASSES) / RATE_HZ
    phase = 2 * np.pi * CHIRP.start_hz * CHIRP.rate_s * np.exp(np.minimum(time_s, 1.5) / CHIRP.rate_s)
    own = filter_of(CHIRP)
    (heard,) = tracking.tracked(np.sin(phase).astype(np.float32), own, PASSES, [np.ones(own.frequency_hz.size)])
    first = PASSES + own.first + own.window.size
    last = PASSES + own.first + own.window.size // 2 * own.filters.shape[0]
    assert np.max(np.abs(heard[first:last])) < left


@pytest.mark.parametrize("seconds", [0.4, 0.8, 1.5, 6.0])
def test_beside_a_fast_sweep_it_is_as_gone(seconds):
    # A fast sweep has short blocks, whose lines are too broad to tell it from what is a third of an octave above.
    chirp = tracking.Chirp(20.0, 20000.0, seconds, RATE_HZ, 0.0)
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    swept = np.sin(2 * np.pi * 20.0 * chirp.rate_s * np.exp(time_s / chirp.rate_s)).astype(np.float32)
    own = tracking.between(chirp)
    (heard,) = tracking.tracked(swept, own, 0, [np.ones(own.frequency_hz.size)])
    first, last = (round(at_s * RATE_HZ) for at_s in (tracking.first_between_s(chirp), tracking.last_between_s(chirp)))
    assert last > first
    assert np.max(np.abs(heard[first:last])) < 1e-3


def test_a_capture_that_ends_early_is_taken_as_it_is():
    own = tracking.high_pass(CHIRP)
    (heard,) = tracking.tracked(noise()[:40000], own, PASSES, [np.ones(own.frequency_hz.size)])
    assert heard.shape == (40000,)
    assert np.std(heard[30000:39000]) > 0.1


def test_where_the_band_goes():
    low_hz, high_hz = tracking.pass_band_hz(np.array([20.0, 1000.0]), CHIRP)
    assert low_hz[0] == pytest.approx(np.sqrt(1000 * 1400))
    assert low_hz[1] == pytest.approx(1000 * np.sqrt(120))
    assert CHIRP.frequency_at_hz(tracking.usable_until_s(CHIRP, 0.5)) == pytest.approx(0.5 * high_hz / np.sqrt(120))
