"""Whether a capture proves itself: no false alarm over hundreds of good captures, planted disturbances found."""

import itertools

import numpy as np
import pytest
from delays import fractional_delay
from scipy.signal import butter, fftconvolve, sosfilt

from rig.signals import comparison, defects, integrity, marks, stimulus
from rig.signals.timing import resample_by

RATE_HZ = 48000.0
SECONDS = 0.4
ALLOWANCE = round(0.3 * RATE_HZ)


def filtered(samples, kind, hz, order=2):
    return sosfilt(butter(order, hz, kind, fs=RATE_HZ, output="sos"), samples)


def speaker(samples, missing=""):
    """A two-way speaker, one of whose drivers may be dead."""
    samples = filtered(samples, "highpass", 50)
    woofer = filtered(samples, "lowpass", 2500) * (missing != "woofer")
    return woofer - filtered(samples, "highpass", 2500) * (missing != "tweeter")


def room(samples, random):
    """Forty reflections, dying away by 60 dB in 0.3 s."""
    response = np.zeros(round(0.3 * RATE_HZ))
    response[0] = 1.0
    delays_s = random.uniform(0.003, 0.29, 40)
    response[(delays_s * RATE_HZ).astype(int)] += 0.4 * random.normal(size=40) * 10 ** (-3 * delays_s / 0.3)
    return fftconvolve(samples, response)[: samples.size]


def made(seed, electrical, snr_db, latency_s=None, missing="", plan=None):
    """A good capture: layout, samples of shape (1, frames), the delay in samples, and the generator that made it."""
    random = np.random.default_rng(seed)
    plan = plan or stimulus.layout(20.0, 20000.0, SECONDS, RATE_HZ)
    delay = (random.uniform(0, 1) if latency_s is None else latency_s) * RATE_HZ
    row = np.zeros(plan.frames + ALLOWANCE + int(delay))
    row[: plan.frames] = stimulus.compose(plan)
    row = fractional_delay(row, delay)
    row = filtered(row, "highpass", 3, 1) if electrical else room(speaker(row, missing), random)
    sounding = row[plan.sweep_start + int(delay) : plan.sweep_stop + int(delay)]
    row *= 10 ** random.uniform(-3, -1) / np.std(sounding)
    row += np.std(sounding) * 10 ** (-snr_db / 20) * random.normal(size=row.size)
    row += random.uniform(-0.01, 0.01)
    return plan, row[np.newaxis].astype(np.float32), delay, random


def inspected(plan, samples, electrical):
    return integrity.inspect(samples, plan, 0 if electrical else None)


def in_the_sweep(plan, delay, random):
    return int(random.uniform(plan.sweep_start, plan.sweep_stop) + delay)


def lost(samples, at, count, random):
    """Some samples cut out, and what follows moved up; noise at the end."""
    end = samples[:, -count:] + np.std(samples[:, :2000]) * random.normal(size=(1, count))
    return np.concatenate((samples[:, :at], samples[:, at + count :], end.astype(np.float32)), axis=1)


def inserted(samples, at, count):
    """Some samples put in, on a straight line between their neighbours."""
    line = np.linspace(samples[:, at - 1], samples[:, at], count, axis=1)
    return np.concatenate((samples[:, :at], line, samples[:, at:-count]), axis=1).astype(np.float32)


@pytest.mark.parametrize("electrical", [True, False])
@pytest.mark.parametrize("batch", range(4))
def test_good_captures_are_sound(electrical, batch):
    errors = []
    for seed in range(30 * batch, 30 * batch + 30):
        snr_db = 20 if seed % 2 else 60
        missing = ("", "woofer", "tweeter")[seed % 3]
        plan, samples, delay, _ = made(seed, electrical, snr_db, missing=missing)
        found = inspected(plan, samples, electrical)
        assert found.troubles == (), seed
        assert found.lost_samples == 0
        errors.append(found.spacing_error_samples / found.spacing_uncertainty_samples)
        if electrical:
            assert found.delay_samples == pytest.approx(delay, abs=0.6)
        else:
            assert found.delay_samples == pytest.approx(delay, abs=15)
    # The stated uncertainty is the spread that is found: chi-squared of 30 stays within these with p > 0.9999.
    assert 0.5 < np.sqrt(np.mean(np.square(errors))) < 1.6


@pytest.mark.parametrize("band_hz", [(20.0, 200.0), (20.0, 500.0), (2000.0, 20000.0), (500.0, 5000.0)])
def test_good_captures_of_narrow_bands_are_sound(band_hz):
    plan = stimulus.layout(*band_hz, SECONDS, RATE_HZ)
    for seed in range(4):
        for electrical in (True, False):
            _, samples, _, _ = made(seed, electrical, 40, plan=plan)
            assert inspected(plan, samples, electrical).troubles == ()


def test_a_click_in_the_room_is_no_disturbance():
    for seed in range(6):
        plan, samples, delay, random = made(seed, False, 50)
        at = int(random.uniform(plan.sweep_start, plan.sweep_stop - 2400) + delay)
        slam = np.exp(-np.arange(2400) / 400) * random.normal(size=2400)
        samples[0, at : at + 2400] += (3 * np.std(samples) * slam).astype(np.float32)
        assert inspected(plan, samples, False).troubles == ()


@pytest.mark.parametrize("hum_db", [0, 20, 30])
def test_hum_is_no_disturbance(hum_db):
    for seed in range(3):
        plan, samples, _, _ = made(seed, False, 50)
        hum = sum(np.sin(2 * np.pi * 50 * n * np.arange(samples.size) / RATE_HZ) / n for n in (1, 2, 3, 5))
        samples += (10 ** (hum_db / 20) * np.std(samples) * hum).astype(np.float32)
        samples *= min(1.0, 0.9 / float(np.max(np.abs(samples))))
        found = inspected(plan, samples, False)
        assert found.silent_rows == ()
        assert found.troubles == ()


def test_coarse_converters_and_digital_silence_raise_no_alarm():
    plan = stimulus.layout(20.0, 20000.0, SECONDS, RATE_HZ)
    clean = np.concatenate((stimulus.compose(plan), np.zeros(ALLOWANCE)))
    for level in (0.9, 0.05, 0.003):
        for bits in (16, 24):
            row = np.round(level * clean * 2 ** (bits - 1)) / 2 ** (bits - 1)
            for reference in (0, None):
                assert integrity.inspect(row[np.newaxis].astype(np.float32), plan, reference).troubles == ()


@pytest.mark.parametrize("count", [1, 8, 64, 256])
@pytest.mark.parametrize("electrical", [True, False])
def test_lost_and_inserted_samples_are_found_and_counted(count, electrical):
    for seed in range(6):
        plan, samples, delay, random = made(seed, electrical, 50)
        at = in_the_sweep(plan, delay, random)
        for broken, signed in ((lost(samples, at, count, random), count), (inserted(samples, at, count), -count)):
            found = inspected(plan, broken, electrical)
            assert len(found.troubles) == 1
            assert ("lost" if signed > 0 else "inserted") in found.troubles[0]
            assert -found.spacing_error_samples == pytest.approx(signed, abs=0.3)
            if electrical:
                assert found.lost_samples == pytest.approx(signed, abs=0.2)
                assert found.clock_ppm == 0


@pytest.mark.parametrize("count", [1, 8, 64])
def test_lost_samples_are_found_in_20_db_of_noise(count):
    for seed in range(6):
        plan, samples, delay, random = made(seed, True, 20)
        found = inspected(plan, lost(samples, in_the_sweep(plan, delay, random), count, random), True)
        assert found.lost_samples == pytest.approx(count, abs=0.4)


@pytest.mark.parametrize("ppm", [25, -25, 100])
@pytest.mark.parametrize("electrical", [True, False])
def test_a_second_clock_is_found_and_told_from_a_jump(ppm, electrical):
    plan = stimulus.layout(20.0, 20000.0, 1.0, RATE_HZ)
    for seed in range(3):
        _, samples, _, _ = made(seed, electrical, 50, latency_s=0.1, plan=plan)
        samples = resample_by(samples, 1 / (1 + ppm * 1e-6)).astype(np.float32)
        found = integrity.inspect(samples, plan, 0 if electrical else None)
        assert len(found.troubles) == 1
        if electrical:
            assert "clocks" in found.troubles[0]
            assert found.clock_ppm == pytest.approx(ppm, abs=1)
            assert found.lost_samples == 0
        else:
            assert "or a clock difference" in found.troubles[0]


def test_disturbances_that_leave_the_distance_alone_are_found_on_a_reference():
    for seed in range(6):
        plan, samples, delay, random = made(seed, True, 50)
        # In the upper half of the sweep, 256 samples are a disturbance beyond doubt.
        at = int((plan.sweep_start + plan.sweep_stop) / 2 + delay + random.uniform(0, 2000))
        slipped = inserted(lost(samples, at, 256, random), at + 3000, 256)
        found = inspected(plan, slipped, True)
        assert len(found.troubles) == 1
        assert "not what was played" in found.troubles[0]
        other = samples.copy()
        other[0, at : at + 3000] += (0.5 * np.std(samples) * np.sin(0.3 * np.arange(3000))).astype(np.float32)
        assert "not what was played" in inspected(plan, other, True).troubles[0]


@pytest.mark.parametrize("electrical", [True, False])
@pytest.mark.parametrize("count", [64, 256])
def test_zeroed_and_repeated_blocks_are_found(electrical, count):
    for seed in range(4):
        plan, samples, delay, random = made(seed, electrical, 40)
        at = in_the_sweep(plan, delay, random)
        zeroed = samples.copy()
        zeroed[0, at : at + count] = 0
        assert (
            f"{count} samples from {at / RATE_HZ:.3f} s on are zero" in inspected(plan, zeroed, electrical).troubles[0]
        )
        repeated = samples.copy()
        repeated[0, at : at + count] = samples[0, at - count : at]
        assert "repeated block" in inspected(plan, repeated, electrical).troubles[0]


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 3e38, -1e4])
def test_samples_that_are_no_numbers_are_found(bad):
    plan, samples, _, _ = made(1, True, 50)
    samples[0, 30000] = bad
    found = inspected(plan, samples, True)
    assert "not finite" in found.troubles[0]


@pytest.mark.parametrize("electrical", [True, False])
def test_clipping_is_found_at_full_scale_and_below(electrical):
    plan, samples, _, _ = made(1, electrical, 50)
    top = float(np.max(np.abs(samples)))
    for broken in (np.clip(samples / top * 1.4, -1, 1), np.clip(samples, -0.7 * top, 0.7 * top)):
        found = inspected(plan, broken, electrical)
        assert "clipping" in found.troubles[0]
        assert found.clipped_samples[0] > 10


def test_a_row_without_signal_is_told():
    plan, samples, _, random = made(1, True, 50)
    noise = 1e-4 * random.normal(size=samples.shape).astype(np.float32)
    alone = integrity.inspect(noise, plan, None, inputs=["microphone"])
    assert alone.troubles == ("no signal arrived at microphone",)
    assert alone.silent_rows == (0,)
    # Beside a sound loopback the silence is the checks' business, not a trouble of the capture.
    beside = integrity.inspect(np.concatenate((noise, samples)), plan, 1, inputs=["microphone", "loopback"])
    assert beside.troubles == ()
    assert beside.silent_rows == (0,)
    reference = integrity.inspect(np.concatenate((samples, noise)), plan, 1, inputs=["microphone", "loopback"])
    assert reference.troubles == ("no signal arrived at loopback",)


def test_a_row_of_zeros_is_a_trouble_wherever_it_is():
    plan, samples, _, _ = made(1, True, 50)
    found = integrity.inspect(np.concatenate((0 * samples, samples)), plan, 1, inputs=["microphone", "loopback"])
    assert "microphone: every sample is exactly zero" in found.troubles[0]


def test_missing_marks_and_wrong_counts_are_told():
    plan, samples, delay, _ = made(1, True, 60, latency_s=0.01)
    for start in (plan.mark_before, plan.mark_after):
        broken = samples.copy()
        at = start + int(delay)
        broken[0, at - 50 : at + plan.mark_frames + 50] = broken[0, 1000 : 1100 + plan.mark_frames]
        assert any("marks" in trouble for trouble in inspected(plan, broken, True).troubles)
    assert "frames were delivered" in inspected(plan, samples[:, : plan.frames - 1], True).troubles[0]


def test_a_latency_beyond_the_capture_is_told():
    plan, samples, _, _ = made(1, True, 60, latency_s=0.9)
    short = samples[:, : plan.frames + ALLOWANCE]
    assert "latency of 0.90 s is longer" in inspected(plan, short, True).troubles[0]
    # A mark at the very end of the capture cannot be read, and is not damaged.
    ends = plan.mark_after + plan.mark_frames + round(0.9 * RATE_HZ)
    assert "latency of 0.90 s is longer" in inspected(plan, samples[:, : ends + 10], True).troubles[0]


def test_marks_that_drown_prove_nothing():
    plan, samples, _, random = made(1, False, 60)
    samples += (np.std(samples) * random.normal(size=samples.shape)).astype(np.float32)
    assert "marks" in inspected(plan, samples, False).troubles[0]


def test_pieces_cover_the_sweep_with_three_periods_or_more():
    plan = stimulus.layout(20.0, 20000.0, 1.0, RATE_HZ)
    found = comparison.pieces(plan)
    for early, late in itertools.pairwise(found):
        assert early.start + early.length == late.start
    lead_in, lead_out = plan.margins
    assert found[0].start == plan.sweep_start + lead_in
    assert 0 <= plan.sweep_stop - lead_out - (found[-1].start + found[-1].length) < comparison.PIECE_FRAMES
    assert all(piece.length * piece.frequency_hz / RATE_HZ >= 3 for piece in found)


@pytest.mark.parametrize("band_hz", [(20.0, 20000.0), (500.0, 5000.0)])
@pytest.mark.parametrize("seconds", [0.2, 2.0])
def test_the_phase_between_frames_is_that_of_the_delayed_sweep(band_hz, seconds):
    """Beside a delay by turning the phases of the spectrum, between the asked-for frequencies."""
    plan = stimulus.layout(*band_hz, seconds, RATE_HZ)
    first, last = comparison.pieces(plan)[0], comparison.pieces(plan)[-1]
    frames = np.arange(first.start, last.start + last.length)
    later = fractional_delay(stimulus.compose(plan), 0.37)
    np.testing.assert_allclose(np.sin(comparison.phase_rad(plan, frames - 0.37)), later[frames], atol=2e-3)


def test_a_sweep_too_short_to_compare_still_tells_lost_samples():
    plan = stimulus.layout(20.0, 200.0, 0.06, RATE_HZ)
    assert comparison.pieces(plan) == ()
    _, samples, delay, random = made(1, True, 50, plan=plan)
    assert inspected(plan, samples, True).troubles == ()
    found = inspected(plan, lost(samples, int(plan.sweep_start + delay), 64, random), True)
    assert "64.0 samples lost, or a clock difference" in found.troubles[0]
    assert np.isnan(found.lost_samples)


@pytest.mark.parametrize("count", [32, 33, 47])
@pytest.mark.parametrize("distance", [7, 32, 100, 8192])
def test_every_exact_return_of_32_samples_is_found(count, distance):
    """Also where the row is coarse, so that shorter stretches return by chance all the time."""
    for seed in range(20):
        random = np.random.default_rng(seed)
        coarse = seed % 2
        row = (np.round(4 * random.normal(size=12000)) if coarse else random.normal(size=12000)).astype(np.float32)
        assert defects.repeated(row) is None
        at = int(random.integers(distance, row.size - count))
        for index in range(at, at + count):
            row[index] = row[index - distance]
        frame, found = defects.repeated(row)
        assert found == distance
        # A coarse row may agree by chance for a few samples ahead of the return.
        assert at - 8 * coarse <= frame <= at


def test_what_hardly_changes_or_returns_too_late_or_too_short_is_no_return():
    random = np.random.default_rng(1)
    row = random.normal(size=12000).astype(np.float32)
    for count, distance in ((31, 100), (64, 8193)):
        other = row.copy()
        other[9000 : 9000 + count] = other[9000 - distance : 9000 - distance + count]
        assert defects.repeated(other) is None
    steps = np.repeat(random.normal(size=400), 3).astype(np.float32)
    assert defects.repeated(np.concatenate((steps, steps))) is None
    assert defects.repeated(np.zeros(5000, dtype=np.float32)) is None


def test_runs_are_the_stretches_that_are_true():
    assert defects.runs(np.array([True, True, False, True])) == [(0, 2), (3, 4)]
    assert defects.runs(np.array([True, True, False, True]), 2) == [(0, 2)]
    assert defects.runs(np.array([], dtype=bool)) == []


@pytest.mark.parametrize("value", [0.0, np.nan, 3e38])
def test_no_marks_are_found_where_nothing_was_recorded(value):
    plan, samples, _, _ = made(1, True, 50)
    row = np.full(samples.shape[1], value)
    assert marks.timing_of(row, plan, 0.0) is None
    assert marks.arrival(row.astype(np.float32), plan, 0.1) == (0.0, 0.0)
