"""Harmonics of polynomials whose distortion is known exactly are recovered from one sweep."""

import numpy as np
import pytest
from delays import fractional_delay
from scipy import signal as filters

from rig.signals import deconvolution, noise, smoothing
from rig.signals.sweep import ExponentialSweep, synchronised_sweep

RATE_HZ = 48000.0
START_HZ, STOP_HZ = 20.0, 20000.0
FREQUENCY_HZ = smoothing.log_frequency_grid(START_HZ, STOP_HZ / 2, 24)
FILTER = filters.butter(2, 60, "high", fs=RATE_HZ)


def distorting(order, level_db):
    """x plus one Chebyshev polynomial: exactly one harmonic (Abramowitz and Stegun 22.3.15), and silent in silence.

    T2 without its constant: the constant would be a step of pressure at switching on.
    """
    amplitude = 10 ** (level_db / 20)
    if order == 2:
        return lambda x: x + amplitude * 2 * x**2
    return lambda x: x + amplitude * (4 * x**3 - 3 * x)


def of_seconds(seconds):
    return ExponentialSweep(START_HZ, STOP_HZ, seconds, RATE_HZ)


def captured(unit, seconds):
    body = synchronised_sweep(of_seconds(seconds))
    return np.concatenate((np.zeros(4800), unit(body), np.zeros(24000)))


def inside(order):
    """Fundamentals whose harmonic lies inside the sweep, an octave in from its ends."""
    return (order * FREQUENCY_HZ >= 2 * START_HZ) & (order * FREQUENCY_HZ <= STOP_HZ / 2)


def worst(capture, order, true_db, seconds, where, **options):
    found = deconvolution.harmonic_responses(capture, of_seconds(seconds), (1, order), FREQUENCY_HZ, **options)
    level = deconvolution.harmonic_distortion_db(found[1], found[0])
    return np.max(np.abs(level - true_db)[where])


@pytest.mark.parametrize(("level_db", "tolerance_db"), [(-40, 0.1), (-80, 0.5)])
@pytest.mark.parametrize("order", [2, 3])
def test_a_harmonic_is_found_over_the_whole_of_its_band(order, level_db, tolerance_db):
    capture = captured(distorting(order, level_db), 3.0)
    assert worst(capture, order, level_db, 3.0, inside(order)) < tolerance_db


@pytest.mark.parametrize(("level_db", "tolerance_db"), [(-40, 0.1), (-80, 0.5)])
@pytest.mark.parametrize("order", [2, 3])
def test_a_short_sweep_finds_it_from_the_first_fundamental_on(order, level_db, tolerance_db):
    capture = captured(distorting(order, level_db), 1.5)
    assert worst(capture, order, level_db, 1.5, inside(order)) < tolerance_db


@pytest.mark.parametrize("order", [2, 3])
def test_the_edge_of_a_harmonic_is_known_behind_a_box_as_well(order):
    capture = filters.lfilter(*FILTER, captured(distorting(order, -40), 1.5))
    _, at_harmonic = filters.freqz(*FILTER, order * FREQUENCY_HZ, fs=RATE_HZ)
    _, at_fundamental = filters.freqz(*FILTER, FREQUENCY_HZ, fs=RATE_HZ)
    true_db = -40 + 20 * np.log10(np.abs(at_harmonic / at_fundamental))
    assert worst(capture, order, true_db, 1.5, inside(order)) < 0.1


@pytest.mark.parametrize("options", [{}, {"delay_s": (4800 + 123.4) / RATE_HZ}], ids=["found", "given"])
@pytest.mark.parametrize("order", [2, 3])
def test_a_delay_changes_nothing_whether_found_or_given(order, options):
    late = fractional_delay(captured(distorting(order, -40), 2.0), 123.4)
    where = inside(order) & (FREQUENCY_HZ >= 1.5 * START_HZ)
    assert worst(late, order, -40, 2.0, where, **options) < 0.1


@pytest.mark.parametrize(("level_db", "tolerance_db"), [(-40, 0.1), (-80, 0.5)])
@pytest.mark.parametrize("order", [2, 3])
def test_a_filter_behind_the_distortion_weighs_harmonic_and_fundamental(order, level_db, tolerance_db):
    capture = filters.lfilter(*FILTER, captured(distorting(order, level_db), 3.0))
    _, at_harmonic = filters.freqz(*FILTER, order * FREQUENCY_HZ, fs=RATE_HZ)
    _, at_fundamental = filters.freqz(*FILTER, FREQUENCY_HZ, fs=RATE_HZ)
    true_db = level_db + 20 * np.log10(np.abs(at_harmonic / at_fundamental))
    assert worst(capture, order, true_db, 3.0, inside(order)) < tolerance_db


def test_units_side_by_side_with_delays_of_their_own_stay_apart():
    first = captured(distorting(2, -40), 2.0)
    second = fractional_delay(captured(distorting(3, -50), 2.0), 500)
    found = deconvolution.harmonic_responses(np.stack((first, second)), of_seconds(2.0), (1, 2, 3), FREQUENCY_HZ)
    level = deconvolution.harmonic_distortion_db(found[1:], found[0])
    assert level.shape == (2, 2, FREQUENCY_HZ.size)
    middle = (FREQUENCY_HZ > 100) & (FREQUENCY_HZ < 3000)
    np.testing.assert_allclose(level[0, 0, middle], -40, atol=0.05)
    np.testing.assert_allclose(level[1, 1, middle], -50, atol=0.05)
    assert np.max(level[1, 0, middle]) < -80
    assert np.max(level[0, 1, middle]) < -100


def test_phases_of_harmonics_are_those_of_the_sine():
    # 2 sin^2 = 1 - cos 2p = 1 + Im(-j exp(2jp)), 4 sin^3 - 3 sin = -sin 3p.
    for order, phase in ((2, -1j), (3, -1.0)):
        capture = captured(distorting(order, -40), 2.0)
        found = deconvolution.harmonic_responses(
            capture, of_seconds(2.0), (order,), [100.0, 1000.0], delay_s=4800 / RATE_HZ
        )
        np.testing.assert_allclose(found[0], 0.01 * phase, atol=0.0002)


def test_a_clean_unit_shows_no_harmonics():
    capture = captured(lambda x: x, 2.0)
    found = deconvolution.harmonic_responses(capture, of_seconds(2.0), (1, 2, 3, 5), FREQUENCY_HZ)
    level = deconvolution.harmonic_distortion_db(found[1:], found[0])
    assert np.nanmax(level) < -90


def test_the_stated_noise_is_what_noise_does_to_a_harmonic():
    hiss = np.random.default_rng(21).normal(0, 1e-3, (30, 110000))
    sent = synchronised_sweep(of_seconds(1.5))
    frequency_hz = np.geomspace(40, 5000, 20)
    found = deconvolution.harmonic_responses(hiss, of_seconds(1.5), (2,), frequency_hz, delay_s=0.3)
    window, first_s = deconvolution.harmonic_window(2, of_seconds(1.5))
    assert first_s < 0
    stated = noise.response_noise_power(hiss[0], sent, window, of_seconds(1.5), 2 * frequency_hz)
    excess_db = 10 * np.log10(np.mean(np.abs(found[0]) ** 2, axis=0) / stated)
    assert abs(np.mean(excess_db)) < 0.7


def test_harmonics_beyond_the_sweep_are_not_numbers():
    capture = captured(lambda x: x, 0.5)
    found = deconvolution.harmonic_responses(capture, of_seconds(0.5), (1, 3), [15.0, 1000.0, 7000.0])
    assert np.array_equal(np.isnan(found[0]), [True, False, False])
    assert np.array_equal(np.isnan(found[1]), [False, False, True])


def test_a_capture_in_single_precision_has_the_same_harmonics():
    capture = captured(distorting(2, -60), 1.5)
    read = [
        deconvolution.harmonic_responses(each, of_seconds(1.5), (1, 2), [100.0, 1000.0, 5000.0])
        for each in (capture, capture.astype(np.float32))
    ]
    np.testing.assert_allclose(read[1], read[0], atol=1e-6)


def test_one_sweep_is_not_read_as_another_that_was_read_before():
    for order, seconds in ((2, 1.0), (3, 1.5), (2, 1.5), (3, 1.0)):
        capture = captured(distorting(order, -40), seconds)
        assert worst(capture, order, -40, seconds, inside(order) & (FREQUENCY_HZ >= 2 * START_HZ)) < 0.1


def test_what_is_kept_of_a_window_cannot_be_written_to():
    window, _ = deconvolution.harmonic_window(2, of_seconds(1.5))
    with pytest.raises(ValueError, match="read-only"):
        window[0] = 1.0
