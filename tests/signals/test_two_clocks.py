"""Clocks that differ are told to a part of a millionth, and what they did is undone: levels, phase, sign, harmonics."""

import numpy as np
import pytest
from delays import fractional_delay
from hypothesis import given, settings
from hypothesis import strategies as st
from own_clock import on_own_clock
from scipy import fft
from scipy.signal import butter, sosfilt

from rig.signals import deconvolution, marks, stimulus, two_clocks
from rig.signals.smoothing import log_frequency_grid, smooth_power
from rig.signals.timing import delay_s

RATE_HZ = 48000.0
PLAN = stimulus.layout(20.0, 20000.0, 0.6, RATE_HZ)
FRAMES = PLAN.frames + 12000
PPM = [-300.0, -37.0, 0.0, 120.0, 300.0]


def reflections(frequency_hz: np.ndarray) -> np.ndarray:
    """Direct sound of a box turned upside down, and three walls: the response that is to be found."""
    arrivals = ((1.0, 0.010), (0.4, 0.0137), (-0.3, 0.0191), (0.25, 0.0306))
    room = sum(gain * np.exp(-2j * np.pi * frequency_hz * late_s) for gain, late_s in arrivals)
    high_pass = (1j * frequency_hz / 60) ** 2 / (1 + 1.4j * frequency_hz / 60 - (frequency_hz / 60) ** 2)
    return -0.2 * high_pass * room


def heard(path=reflections, bent: float = 0.0) -> np.ndarray:
    """The stimulus through a path, on the playing clock; `bent` adds harmonics before it."""
    sent = np.pad(stimulus.compose(PLAN), (0, FRAMES - PLAN.frames))
    sent = sent + bent * (2 * sent**2 + 4 * sent**3 - 3 * sent)
    size = fft.next_fast_len(2 * FRAMES, real=True)
    return fft.irfft(fft.rfft(sent, size) * path(fft.rfftfreq(size, 1 / RATE_HZ)), size)[:FRAMES]


def recorded(row: np.ndarray, ppm: float, noise: float = 0.0, begins_at: float = -431.3, seed: int = 1) -> np.ndarray:
    found = on_own_clock(row, ppm, begins_at)
    return (found + noise * np.random.default_rng(seed).standard_normal(found.size)).astype(np.float32)


def brought_back(row: np.ndarray, delay: float = 600.0) -> tuple[two_clocks.Clocks, np.ndarray]:
    late, _ = marks.arrival(row, PLAN, 0.3)
    timing = two_clocks.timing_of(row.astype(np.float64), PLAN, late)
    assert timing is not None
    clocks = two_clocks.clocks_of(PLAN, timing)
    return clocks, two_clocks.on_playing_clock(row, clocks, delay)


@pytest.mark.parametrize("ppm", PPM)
def test_the_response_of_a_box_in_a_room_is_right_within_a_hundredth_of_a_decibel(ppm):
    _, row = brought_back(recorded(heard(), ppm))
    frequency_hz = np.arange(30.0, 16000.0, 40.0)
    found = deconvolution.transfer_function(row, stimulus.compose(PLAN), PLAN, frequency_hz)
    ratio = found / reflections(frequency_hz)
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.01
    # What is left is one delay and no sign: the phase is a straight line through zero.
    turned = np.unwrap(np.angle(ratio))
    late = np.sum(turned * frequency_hz) / np.sum(frequency_hz**2)
    assert np.max(np.abs(turned - late * frequency_hz)) < 0.02


def test_noise_errs_the_response_no_more_than_on_one_clock():
    """Noise 60 dB below the sweep: as much on single lines, and little of the 0.1 dB allowed at 1/24 octave."""
    row, frequency_hz, grid_hz = heard(), np.arange(25.0, 17000.0), log_frequency_grid(30.0, 16000.0, 24)
    true, noise = np.abs(reflections(frequency_hz)) ** 2, 1e-3 * np.std(row)
    kept = {}
    for other in (True, False):
        errors_db = []
        for seed, ppm in enumerate(PPM):
            noisy = row + noise * np.random.default_rng([seed, 1]).standard_normal(FRAMES)
            back = brought_back(recorded(row, ppm, noise, seed=seed))[1] if other else noisy
            power = np.abs(deconvolution.transfer_function(back, stimulus.compose(PLAN), PLAN, frequency_hz)) ** 2
            smooth = [smooth_power(each, frequency_hz, grid_hz, 24) for each in (power, true)]
            assert np.max(np.abs(10 * np.log10(smooth[0] / smooth[1]))) < 0.02
            errors_db.append(10 * np.log10(power / true)[30:15970])
        kept[other] = np.sqrt(np.mean(np.square(errors_db)))
    assert kept[True] == pytest.approx(kept[False], rel=0.06)


@pytest.mark.parametrize("ppm", PPM)
def test_harmonics_at_minus_forty_decibels_keep_their_level(ppm):
    """A polynomial whose second and third harmonic are -40 dB of the sweep, without memory."""
    row = heard(lambda f: np.full(f.shape, 0.3 + 0j), bent=0.01)
    _, back = brought_back(recorded(row, ppm))
    frequency_hz = np.geomspace(200, 5000, 60)
    found = deconvolution.harmonic_responses(back, PLAN, (1, 2, 3), frequency_hz, *arrival(back))
    levels_db = 20 * np.log10(np.abs(found[1:]) / np.abs(found[0]))
    np.testing.assert_allclose(levels_db, -40.0, atol=0.1)
    same_clock = deconvolution.harmonic_responses(row, PLAN, (1, 2, 3), frequency_hz, *arrival(row))
    np.testing.assert_allclose(levels_db, 20 * np.log10(np.abs(same_clock[1:]) / np.abs(same_clock[0])), atol=0.02)


def arrival(row: np.ndarray) -> tuple[float, float]:
    """Where the sweep begins in a row, and how much of a harmonic's response is kept."""
    late, _ = marks.arrival(row.astype(np.float32), PLAN, 0.3)
    return (PLAN.sweep_start + late) / RATE_HZ, 0.02


@settings(max_examples=25, deadline=None)
@given(ppm=st.floats(-300, 300), begins_at=st.floats(-2000, -100), snr_db=st.sampled_from([60, 40, 25]))
def test_the_stated_uncertainty_holds_the_difference(ppm, begins_at, snr_db):
    row = heard()
    noise = np.std(row[PLAN.sweep]) * 10 ** (-snr_db / 20)
    found, _ = brought_back(recorded(row, ppm, noise, begins_at))
    assert abs(found.ppm - ppm) < 5 * found.uncertainty_ppm + 0.02
    assert found.uncertainty_ppm < {60: 0.1, 40: 0.6, 25: 4.0}[snr_db]


@pytest.mark.parametrize("delay", [0.0, 600.0, 617.25])
def test_the_stimulus_begins_where_it_is_asked_to(delay):
    row = heard(lambda f: np.full(f.shape, 0.3 + 0j))
    _, back = brought_back(recorded(row, 180.0), delay)
    late = delay_s(back, row, RATE_HZ) * RATE_HZ
    assert late == pytest.approx(delay, abs=0.05)
    rest = back - fractional_delay(row, late)
    assert np.std(rest[3000:-15000]) < 1e-3 * np.std(row)


def test_marks_that_are_not_heard_tell_no_clock():
    random = np.random.default_rng(4)
    row = sosfilt(butter(8, 120, fs=RATE_HZ, output="sos"), heard()) + 1e-3 * random.standard_normal(FRAMES)
    late, _ = marks.arrival(row.astype(np.float32), PLAN, 0.3)
    timing = two_clocks.timing_of(row, PLAN, late)
    assert timing is None or timing.uncertainty > 1


def test_two_recordings_of_one_stimulus_come_to_lie_over_each_other():
    one = recorded(heard(), 90.0, 1e-5, seed=2).astype(np.float64)
    other = recorded(heard(), 92.0, 1e-5, -434.1, seed=3).astype(np.float64)
    assert np.std(one - other) > 0.1 * np.std(one)
    moved = two_clocks.laid_over(other, one)
    assert np.std((one - moved)[100:-100]) < 2.5e-5


def test_a_change_of_the_unit_is_not_laid_away():
    one = recorded(heard(), 90.0).astype(np.float64)
    middle = (PLAN.sweep_start + PLAN.sweep_stop) // 2
    other = recorded(heard(), 90.0, begins_at=-430.0).astype(np.float64)
    other[middle : middle + 2400] *= 0.7
    rest = (one - two_clocks.laid_over(other, one))[middle : middle + 2400]
    assert np.std(rest) > 0.25 * np.std(one[middle : middle + 2400])


def test_nothing_is_laid_over_silence():
    row = recorded(heard(), 0.0).astype(np.float64)
    np.testing.assert_array_equal(two_clocks.laid_over(row, np.zeros(row.size)), row)
    np.testing.assert_array_equal(two_clocks.laid_over(np.zeros(row.size), row), 0.0)
