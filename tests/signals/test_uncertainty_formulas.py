"""Formulas of uncertainty against chance itself: each is held against the scatter that it foretells."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.signals import uncertainty as u
from rig.signals.gating import gate
from rig.signals.smoothing import log_frequency_grid, smooth_power

RATE_HZ = 48000.0
MANY = 4000


def noise(random: np.random.Generator, shape: tuple[int, ...], power: float) -> np.ndarray:
    """Complex noise of this mean square at any phase."""
    return np.sqrt(power / 2) * (random.standard_normal(shape) + 1j * random.standard_normal(shape))


@given(st.lists(st.floats(0, 1e3), min_size=1, max_size=6))
def test_parts_combine_as_the_root_of_the_sum_of_squares(parts: list[float]) -> None:
    assert float(u.combined(*parts)) == pytest.approx(float(np.sqrt(np.sum(np.square(parts)))), abs=1e-9)


def test_what_is_not_known_makes_the_whole_unknown() -> None:
    assert u.combined(3.0, 4.0) == 5.0
    assert np.isnan(u.combined(3.0, np.nan))
    assert np.array_equal(u.combined(np.array([3.0, 0.0]), 4.0), [5.0, 4.0])


@pytest.mark.parametrize("over_noise_db", [40.0, 30.0, 20.0, 15.0])
def test_a_level_in_noise_scatters_as_stated(over_noise_db: float) -> None:
    random, power = np.random.default_rng(1), 10 ** (-over_noise_db / 10)
    levels = 20 * np.log10(np.abs(1 + noise(random, (MANY,), power)))
    stated = float(u.level_noise_db(1.0, power))
    assert np.sqrt(np.mean(levels**2)) == pytest.approx(stated, rel=0.05)
    assert np.mean(np.abs(levels) < 1.96 * stated) == pytest.approx(0.95, abs=0.015)


def test_the_sum_of_several_harmonics_scatters_as_stated() -> None:
    random = np.random.default_rng(2)
    power, floor = np.array([1.0, 0.3, 0.01]), np.array([0.02, 0.01, 0.02])
    heard = np.abs(np.sqrt(power)[:, np.newaxis] + np.stack([noise(random, (MANY,), n) for n in floor])) ** 2
    errors = 10 * np.log10(heard.sum(axis=0) / power.sum())
    stated = u.sum_level_noise_db(heard, floor[:, np.newaxis])
    assert np.mean(np.abs(errors) < 1.96 * stated) == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(("before_s", "after_s"), [(0.001, 0.005), (0.002, 0.05)])
def test_smoothing_leaves_what_it_says_of_the_noise_behind_a_gate(before_s: float, after_s: float) -> None:
    """An impulse in white noise, gated, its spectrum smoothed."""
    random, frames, at_s, density = np.random.default_rng(3), 6000, 0.02, 1e-3
    grid = np.array([250.0, 1000.0, 4000.0, 12000.0])
    fraction, levels = 12, []
    for _ in range(300):
        response = density * random.standard_normal(frames)
        response[round(at_s * RATE_HZ)] += 1.0
        gated = gate(response, RATE_HZ, at_s, before_s, after_s)
        power = np.abs(np.fft.rfft(gated.response, 16384)) ** 2
        levels.append(10 * np.log10(smooth_power(power, np.fft.rfftfreq(16384, 1 / RATE_HZ), grid, fraction)))
    width_hz = u.smoothing_width_hz(grid, 20.0, 20000.0, fraction)
    whole = u.level_noise_db(1.0, density**2 * np.sum(gated.window**2))
    stated = whole * u.left_by_smoothing(width_hz, u.SQUARED_GATE * before_s, u.SQUARED_GATE * after_s)
    assert np.std(levels, axis=0) == pytest.approx(stated, rel=0.15)


def test_smoothing_without_width_leaves_all_and_much_of_it_as_much_as_there_are_values() -> None:
    assert u.left_by_smoothing(0.0, 0.1, 0.1) == pytest.approx(1.0, abs=1e-3)
    assert u.left_by_smoothing(1e4, 0.1, 0.1) == pytest.approx(1 / np.sqrt(2000), rel=0.01)


def test_the_gate_s_squared_window_has_the_length_that_is_reckoned_with() -> None:
    gated = gate(np.zeros(20000), RATE_HZ, 0.1, 0.002, 0.05)
    assert np.sum(gated.window**2) / RATE_HZ == pytest.approx(u.SQUARED_GATE * 0.052, rel=1e-3)


def test_means_over_a_band_scatter_as_stated() -> None:
    """Lines one resolution apart are independent; the mean is over the logarithm of frequency."""
    random, gate_s, power = np.random.default_rng(4), 0.004, 1e-3
    line_hz = np.arange(500.0, 4001.0, 1 / gate_s)
    grid = log_frequency_grid(500.0, 4000.0, 24)
    heard = 20 * np.log10(np.abs(1 + noise(random, (1000, line_hz.size), power)))
    at = np.log(grid)
    means = [np.trapezoid(np.interp(grid, line_hz, row), at) / (at[-1] - at[0]) for row in heard]
    line_db = np.full(grid.size, float(u.level_noise_db(1.0, power)))
    assert u.mean_level_noise_db(line_db, grid, gate_s, 48) == pytest.approx(np.std(means), rel=0.15)
    powers = [10 * np.log10(np.mean(np.interp(grid, line_hz, 10 ** (row / 10)))) for row in heard]
    stated = u.mean_power_noise_db(np.ones(grid.size), np.full(grid.size, power), grid, gate_s)
    assert stated == pytest.approx(np.std(powers), rel=0.2)


@pytest.mark.parametrize("width_hz", [20.0, 200.0])
def test_a_level_of_noise_varies_as_stated(width_hz: float) -> None:
    random, seconds = np.random.default_rng(5), 2.0
    values = np.abs(noise(random, (MANY, round(width_hz * seconds)), 1.0)) ** 2
    assert np.std(10 * np.log10(values.mean(axis=1))) == pytest.approx(
        float(u.noise_level_db(width_hz, seconds)), rel=0.1
    )


def test_of_a_sum_of_powers_the_greatest_counts() -> None:
    assert float(u.sum_of_powers_db([1.0, 1e-6], [0.5, 3.0])) == pytest.approx(0.5, rel=1e-3)
    assert float(u.sum_of_powers_db([1.0, 1.0, 1.0, 1.0], [0.4] * 4)) == pytest.approx(0.2)
    assert float(u.sum_of_powers_db([1.0, np.nan], [0.4, np.nan])) == pytest.approx(0.4)


@pytest.mark.parametrize("values", [300, 10000])
def test_the_greatest_value_of_noise_varies_as_stated(values: int) -> None:
    peaks = np.abs(np.random.default_rng(6).standard_normal((500, values))).max(axis=1)
    stated = float(u.peak_noise_db(np.mean(peaks), 1.0, values, True))
    assert stated == pytest.approx(np.std(20 * np.log10(peaks)), rel=0.3)
    assert u.peak_noise_db(100.0, 1.0, values, False) == pytest.approx(0.0869, rel=1e-3)


def test_evidence_of_nothing_varies_as_an_exponential_and_of_something_as_a_score() -> None:
    random = np.random.default_rng(7)
    of_noise = -np.log10(random.uniform(size=MANY))
    assert u.evidence_scatter(0.3, False) == pytest.approx(np.std(of_noise), rel=0.05)
    # -lg of the tail of a normal distribution, about z**2 / (2 ln 10).
    scores = 9.0 + random.standard_normal(MANY)
    evidence = scores**2 / (2 * np.log(10))
    assert u.evidence_scatter(float(np.mean(evidence)), True) == pytest.approx(np.std(evidence), rel=0.05)


def test_coherence_of_many_phases_varies_as_stated() -> None:
    phases = np.random.default_rng(8).vonmises(0.0, 4.0, (MANY, 40))
    lengths = np.abs(np.mean(np.exp(1j * phases), axis=1))
    assert u.coherence_scatter(float(np.mean(lengths)), 40) == pytest.approx(np.std(lengths), rel=0.15)


@pytest.mark.parametrize("over_noise", [0.0, 0.1, 0.3, 1.0, 10.0])
def test_a_mean_square_without_noise_is_unbiased_and_scatters_as_stated(over_noise: float) -> None:
    random, values = np.random.default_rng(2), 100
    level = np.linspace(0.5, 1.5, values)
    true = over_noise * np.cos(np.arange(values))
    drawn = true + level * random.standard_normal((MANY, values))
    squares, stated = np.array([u.mean_square_without_noise(one, level, np.zeros(values)) for one in drawn]).T
    assert np.mean(squares) == pytest.approx(np.mean(true**2), abs=4 * np.std(squares) / np.sqrt(MANY))
    assert 0.95 < np.mean(stated) / np.std(squares) < 1.15
    # As it is read: an upper bound where there may be nothing but noise, else a value that is uncertain.
    hidden = squares < 2 * stated
    told = np.sqrt(np.where(hidden, np.maximum(squares, 0) + 2 * stated, squares))
    spread = [0.0 if h else u.root_uncertainty(s, v) for h, s, v in zip(hidden, squares, stated, strict=True)]
    assert np.mean(told + 2 * np.array(spread) >= np.sqrt(np.mean(true**2))) > 0.94


def test_a_noise_level_that_is_not_known_well_counts_for_all_values_together() -> None:
    values = np.zeros(50)
    _, known = u.mean_square_without_noise(values, np.ones(50), np.zeros(50))
    _, half_known = u.mean_square_without_noise(values, np.ones(50), np.full(50, 0.5))
    assert half_known == pytest.approx(np.hypot(known, 0.5))


def test_a_root_is_as_uncertain_as_its_square_makes_it() -> None:
    assert u.root_uncertainty(4.0, 0.01) == pytest.approx(0.01 / (2 * 2.0), rel=0.01)
    assert u.root_uncertainty(4.0, 10.0) == pytest.approx(1.0)
