"""Smoothing, levels, weighting and bands: properties that hold for all inputs, and refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.signals import bands, levels, smoothing, weighting

GRID_HZ = np.arange(1, 4801) * 5.0
TARGETS_HZ = smoothing.log_frequency_grid(20, 20000, 24)


def test_a_grid_has_its_ends_and_its_density():
    grid_hz = smoothing.log_frequency_grid(20, 20480, 12)
    assert grid_hz.size == 121
    assert grid_hz[-1] == 20480
    np.testing.assert_allclose(grid_hz[12::12] / grid_hz[:-12:12], 2)


@settings(deadline=None)
@given(fraction=st.sampled_from([1, 3, 6, 24, 96]), level=st.floats(1e-12, 1e12))
def test_a_constant_stays_itself_up_to_the_ends(fraction, level):
    targets_hz = np.append(TARGETS_HZ, [5.0, 24000.0])
    power = smoothing.smooth_power(np.full(GRID_HZ.size, level), GRID_HZ, targets_hz, fraction)
    np.testing.assert_allclose(power, level, rtol=1e-6)


@settings(deadline=None)
@given(fraction=st.sampled_from([1, 3, 24]))
def test_a_straight_line_over_log_frequency_is_not_bent_even_at_the_ends(fraction):
    data_hz = smoothing.log_frequency_grid(20, 20480, 48)
    line = 10 + np.log2(data_hz)
    found = smoothing.smooth_power(line, data_hz, data_hz, fraction)
    np.testing.assert_allclose(found, line, rtol=1e-6)


def test_a_single_line_is_spread_over_the_width_and_no_further():
    power = np.zeros((2, GRID_HZ.size))
    power[:, 199] = 1.0
    found = smoothing.smooth_power(power, GRID_HZ, TARGETS_HZ, 3)
    reach = np.abs(np.log2(TARGETS_HZ / 1000))
    assert np.all(found[:, reach > 1 / 6 + 0.01] < 1e-12)
    share = np.log(1005 / 995) / 2 / (np.log(2) / 3)
    np.testing.assert_allclose(found[:, reach < 1 / 6 - 0.01], share, rtol=1e-6)


@pytest.mark.parametrize("fraction", [3, 6, 24])
def test_the_mean_of_lines_is_quick_and_the_same_where_power_changes_little(fraction):
    # The power of a sweep falls as the inverse of frequency.
    targets_hz = TARGETS_HZ[TARGETS_HZ > 500]
    smooth = smoothing.smooth_power(1 / GRID_HZ, GRID_HZ, targets_hz, fraction)
    quick = smoothing.mean_of_lines(1 / GRID_HZ, 5.0, 1, targets_hz, fraction)
    np.testing.assert_allclose(10 * np.log10(quick / smooth)[targets_hz < 10000], 0, atol=0.02)
    np.testing.assert_allclose(smoothing.mean_of_lines(np.ones(4800), 5.0, 1, [5.0, 24000.0], fraction), 1)
    single = np.zeros(4800)
    single[199] = 1.0
    width_hz = 1000 * (2 ** (0.5 / fraction) - 2 ** (-0.5 / fraction))
    assert smoothing.mean_of_lines(single, 5.0, 1, [1000.0], fraction)[0] == pytest.approx(5.0 / width_hz)


def test_smoothing_refuses_what_it_cannot_average():
    with pytest.raises(ValueError, match="within the data"):
        smoothing.smooth_power(np.ones(4800), GRID_HZ, [2.0], 3)
    with pytest.raises(ValueError, match="ascending"):
        smoothing.smooth_power(np.ones(3), [3.0, 2.0, 4.0], [3.0], 3)
    with pytest.raises(ValueError, match="ascending"):
        smoothing.smooth_power(np.ones(4), [1.0, 2.0, 3.0], [2.0], 3)
    with pytest.raises(ValueError, match="fraction"):
        smoothing.smooth_power(np.ones(4800), GRID_HZ, [100.0], 0)
    with pytest.raises(ValueError, match="grid needs"):
        smoothing.log_frequency_grid(100, 10, 3)


@settings(max_examples=30, deadline=None)
@given(offset_db=st.floats(-60, 60), low=st.floats(50, 500), octaves=st.floats(0.1, 4))
def test_alignment_finds_an_offset_in_any_band(offset_db, low, octaves):
    reference = 3 * np.sin(np.log(TARGETS_HZ))
    found = levels.align_level_db(
        np.stack((reference + offset_db, reference)), reference, TARGETS_HZ, (low, low * 2**octaves)
    )
    np.testing.assert_allclose(found, [offset_db, 0], atol=1e-9)


def test_alignment_weighs_octaves_alike_and_heeds_the_band_alone():
    curve = np.where(TARGETS_HZ > 1000, 6.0, 0.0)
    curve[(TARGETS_HZ < 200) | (TARGETS_HZ > 5000)] = np.nan
    found = levels.align_level_db(curve, np.zeros_like(curve), TARGETS_HZ, (250.0, 4000.0))
    assert found == pytest.approx(3.0, abs=0.1)
    assert np.isnan(levels.align_level_db(curve, np.zeros_like(curve), TARGETS_HZ, (100.0, 4000.0)))


def test_alignment_refuses_bands_outside_the_curve():
    flat = np.zeros_like(TARGETS_HZ)
    for band_hz in ((10.0, 100.0), (1000.0, 1000.0), (1000.0, 30000.0)):
        with pytest.raises(ValueError, match="band_hz must lie"):
            levels.align_level_db(flat, flat, TARGETS_HZ, band_hz)
    with pytest.raises(ValueError, match="must ascend"):
        levels.align_level_db([0.0, 0.0], 0.0, [2.0, 1.0], (1.0, 2.0))


@settings(deadline=None)
@given(level_db=st.floats(-200, 200))
def test_levels_and_ratios_are_inverse(level_db):
    assert levels.db(levels.amplitude_ratio(level_db)) == pytest.approx(level_db, abs=1e-9)
    assert levels.power_db(10 ** (level_db / 10)) == pytest.approx(level_db, abs=1e-9)
    assert levels.db_spl(levels.pressure_pa(level_db)) == pytest.approx(level_db, abs=1e-9)


def test_silence_is_infinitely_far_down():
    assert levels.db(0.0) == -np.inf
    with pytest.raises(ValueError, match="rms needs frames"):
        levels.rms(np.zeros((2, 0)))


@pytest.mark.parametrize("frames", [4799, 4800])
def test_the_weighted_level_of_a_tone_is_its_level_plus_the_weighting(frames):
    tone_hz = 100 * 48000 / frames
    tone = np.sqrt(2) * np.sin(2 * np.pi * 100 * np.arange(frames) / frames)
    found = weighting.a_weighted_level_db_spl(np.stack((tone, 0.1 * tone)), 48000)
    np.testing.assert_allclose(found, levels.db_spl([1.0, 0.1]) + weighting.a_weighting_db(tone_hz), atol=1e-6)


def test_weighting_refuses_what_it_does_not_know():
    with pytest.raises(ValueError, match="0 frames"):
        weighting.a_weighted_level_db_spl(np.ones(0), 48000)
    with pytest.raises(ValueError, match="negative"):
        weighting.a_weighting_db(-1.0)


@settings(deadline=None)
@given(fraction=st.integers(1, 24))
def test_bands_meet_edge_to_edge(fraction):
    mids_hz = bands.mid_bands_hz(20, 20000, fraction)
    lower, upper = bands.band_edges_hz(mids_hz, fraction)
    np.testing.assert_allclose(upper[:-1], lower[1:])
    assert lower[0] >= 20 * (1 - 1e-6)
    assert upper[-1] <= 20000 * (1 + 1e-6)
    width = bands.OCTAVE_RATIO ** (1 / fraction)
    assert lower[0] / width < 20
    assert upper[-1] * width > 20000


def test_what_is_listened_to_is_whole_in_steps_below_its_peak() -> None:
    samples = np.random.default_rng(1).normal(0, 3e-4, 1000)
    heard = levels.to_listen_to(samples)
    step = 2.0 ** np.ceil(np.log2(np.abs(samples).max())) / 2**15
    assert heard.dtype == np.float32
    np.testing.assert_array_equal(heard / step, np.round(heard / step))
    np.testing.assert_allclose(heard, samples, rtol=0, atol=step / 2)
    assert not np.signbit(heard[heard == 0]).any()
    np.testing.assert_array_equal(levels.to_listen_to([0.0, 0.0]), [0.0, 0.0])
