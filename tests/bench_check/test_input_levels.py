"""What inputs hear while nothing plays."""

import numpy as np
import pytest

from rig.bench_check.input_levels import input_fault, input_hum, input_level

RATE_HZ = 48000.0
TIME_S = np.arange(2 * 48000) / RATE_HZ


def test_a_sine_that_just_fits_is_at_full_scale() -> None:
    whole = input_level(np.sin(2 * np.pi * 1000 * TIME_S))
    assert whole.level_db == pytest.approx(0.0, abs=0.01)
    assert whole.peak_db == pytest.approx(0.0, abs=0.01)
    assert whole.is_clipped
    tenth = input_level(0.1 * np.sin(2 * np.pi * 1000 * TIME_S))
    assert tenth.level_db == pytest.approx(-20.0, abs=0.01)
    assert not tenth.is_clipped
    assert tenth.trouble == ""


@pytest.mark.parametrize(
    ("samples", "words"),
    [(np.zeros(100), "nothing at all"), (np.full(100, 0.3) + 1e-4 * TIME_S[:100], "phantom"), ([np.nan], "no numbers")],
)
def test_a_dead_or_faulty_input_is_told(samples: np.ndarray, words: str) -> None:
    assert words in input_fault(float(np.mean(samples)), float(np.std(samples)))


def test_hum_is_found_with_its_frequency_and_level() -> None:
    noise = 1e-4 * np.random.default_rng(1).standard_normal(TIME_S.size)
    hum = 0.01 * np.sin(2 * np.pi * 50.1 * TIME_S) + 0.005 * np.sin(2 * np.pi * 150.3 * TIME_S)
    found = input_hum(noise + hum, RATE_HZ)
    assert found.mains_hz == pytest.approx(50.1, abs=0.05)
    assert found.level_db == pytest.approx(20 * np.log10(np.hypot(0.01, 0.005)), abs=0.3)
    assert input_hum(noise, RATE_HZ).mains_hz is None


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_what_is_no_sound_has_no_level_and_no_hum(value: float) -> None:
    samples = np.append(np.zeros(TIME_S.size), value)
    level = input_level(samples)
    assert (level.level_db, level.peak_db) == (-np.inf, -np.inf)
    assert "no numbers" in level.trouble
    assert input_hum(samples, RATE_HZ).mains_hz is None
