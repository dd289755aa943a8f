"""Silence: mains hum found by its lines, band levels, and what cannot be silence."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.signals.quiet import band_levels_db, mains_hum, silence_troubles

RATE = 48000.0
TIME_S = np.arange(int(2 * RATE)) / RATE


def pink(level_db: float, seed: int) -> np.ndarray:
    """Pink noise of this level between 20 Hz and 20 kHz, by the test's own recipe."""
    frequency = np.fft.rfftfreq(TIME_S.size, 1 / RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(TIME_S.size))
    spectrum *= np.where((frequency >= 20) & (frequency <= 20000), 1 / np.sqrt(np.maximum(frequency, 1)), 0)
    noise = np.fft.irfft(spectrum)
    return noise / np.std(noise) * 20e-6 * 10 ** (level_db / 20)


def tone(level_db: float, hz: float) -> np.ndarray:
    return 20e-6 * 10 ** (level_db / 20) * np.sqrt(2) * np.sin(2 * np.pi * hz * TIME_S + 0.3)


@given(
    st.floats(49.6, 50.4) | st.floats(59.5, 60.5),
    st.floats(38, 60),
    st.integers(0, 2**32 - 1),
)
def test_hum_is_found_at_the_frequency_it_has_and_at_its_level(mains_hz: float, level_db: float, seed: int) -> None:
    lines = [tone(level_db, mains_hz), tone(level_db - 4, 2 * mains_hz), tone(level_db - 8, 3 * mains_hz)]
    hum = mains_hum(sum(lines) + pink(35, seed), RATE)
    assert hum.mains_hz == pytest.approx(mains_hz, abs=0.05)
    total = 10 * np.log10(sum(10 ** ((level_db - down) / 10) for down in (0, 4, 8)))
    assert hum.level_db == pytest.approx(total, abs=1.0)


def test_no_hum_is_found_in_noise() -> None:
    found = [mains_hum(pink(40, seed), RATE) for seed in range(300)]
    assert not any(np.isfinite(hum.mains_hz) for hum in found)
    assert max(hum.level_db for hum in found) < 36


def test_a_single_line_is_no_hum_yet_but_never_said_to_be_less_than_it_is() -> None:
    hum = mains_hum(tone(60, 50.0) + pink(30, 1), RATE)
    assert np.isnan(hum.mains_hz)
    assert hum.level_db == pytest.approx(60, abs=0.5)


def test_band_levels_of_a_tone_and_of_pink_noise() -> None:
    mids, levels = band_levels_db(tone(60, 1000.0), RATE, 31.5, 16000)
    assert levels[np.argmin(np.abs(mids - 1000))] == pytest.approx(60, abs=0.01)
    mids, levels = band_levels_db(pink(50, 1), RATE, 100, 10000)
    # Pink noise over log2(1000) octaves: each third octave holds a third of an octave's share.
    share_db = 50 + 10 * np.log10(1 / (3 * np.log2(1000)))
    assert np.abs(levels - share_db).max() < 1.6


@pytest.mark.parametrize(
    ("spoil", "words"),
    [(np.nan, "not finite"), (1.0, "clipped"), (0.0, "nothing but zeros")],
)
def test_what_cannot_be_silence_is_told(spoil: float, words: str) -> None:
    samples = live(4800)[np.newaxis]
    assert silence_troubles(samples, ["microphone"]) == ()
    samples[0, :] = 0 if spoil == 0 else samples[0]
    samples[0, 7] = spoil
    assert words in silence_troubles(samples, ["microphone"])[0]


def live(frames: int = 48000, step: float = 2.0**-23, rms: float = 1e-5) -> np.ndarray:
    """A converter's noise, in its steps."""
    noise = rms * np.random.default_rng(1).standard_normal(frames)
    return np.float32(np.round(noise / step) * step)


def with_zeros(row: np.ndarray) -> np.ndarray:
    row[20000:21000] = 0
    return row


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (np.full(48000, 1e-40, np.float32), "less noise than any converter has"),
        (live() * np.float32(1e-30), "less noise than any converter has"),
        (np.full(48000, 0.25, np.float32), "less noise than any converter has"),
        (with_zeros(live()), "1000 samples in a row are the same"),
        (np.tile(live(4096), 12), "4096 samples before (a repeated block)"),
        (np.tile(live(24000), 2), "24000 samples before (a repeated block)"),
        (live(step=2.0**-15, rms=0.2 * 2.0**-15), "turn it up"),
        (np.clip(live(rms=0.01), -0.015, 0.015), "clipped"),
    ],
)
def test_what_no_live_input_gives_is_no_silence(row: np.ndarray, words: str) -> None:
    assert words in silence_troubles(row[np.newaxis], ["microphone"])[0]


@pytest.mark.parametrize("step", [2.0**-23, 2.0**-15])
def test_the_noise_of_a_converter_is_silence(step: float) -> None:
    assert silence_troubles(live(96000, step, rms=2e-4)[np.newaxis], ["microphone"]) == ()


@pytest.mark.parametrize("bad", [np.zeros(10), np.full(96000, np.nan)])
def test_too_little_is_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match="half a second"):
        mains_hum(bad, RATE)
