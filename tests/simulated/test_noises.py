"""What a simulated unit does besides its linear response, and what sounds beside the bench, against closed formulas."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver
from rig.design.kit import load_kit
from rig.signals.stimulus import layout
from rig.simulated import noises
from rig.simulated.bench import SimulatedBench
from rig.simulated.chance import generator
from rig.simulated.elements import Speaker, designed, speaker_of
from rig.simulated.noises import Motion, Noise, motion_of, noise_pa, resonance_hz
from rig.simulated.physics import pressure_pa
from rig.values.captures import Capture

BOOTH = load_kit(Path(__file__).parents[2], "booth-two")
RATE_HZ = 48000.0
PLAN = layout(20.0, 20000.0, 1.5, RATE_HZ)
SIZE = PLAN.frames + 30001
LATE_S = 0.5 / 343.0
MICROPHONE_M = (0.0, 0.0, 0.5)
FS_HZ, QMS, QES = 50.0, 4.0, 0.5
QTS = QMS * QES / (QMS + QES)
DRIVER = Driver("driver", 6.0, FS_HZ, QMS, QES, 0.02, 0.01)
DESIGN = Channel("open", (Branch(DRIVER),))
OPEN = speaker_of(DESIGN, designed)
#: As stiff an air as the suspension: the resonance is sqrt(2) times as high.
CLOSED = speaker_of(replace(DESIGN, box=Box("closed", 0.02)), designed)
VENTED = speaker_of(replace(DESIGN, box=Box("vented", 0.02, 45.0, 10.0)), designed)


@lru_cache(maxsize=8)
def motion(box: Speaker = OPEN, volts: float = 20.0) -> Motion:
    f = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)
    found = motion_of(box, PLAN, SIZE, np.full(f.size, volts + 0j), pressure_pa(box, MICROPHONE_M, f, 343.0), LATE_S)
    assert found is not None
    return found


def sound(kind: str, amount: float, box: Speaker = OPEN, key: int = 0) -> np.ndarray:
    return noise_pa(Noise(kind, box.name, amount), motion(box), generator("test", key))  # type: ignore[arg-type]


def passes_s() -> float:
    """When the sweep passes 20 Hz at the microphone."""
    lead_in, _ = PLAN.margins
    return (PLAN.sweep_start + lead_in) / RATE_HZ + LATE_S


def swept_hz(time_s: np.ndarray) -> np.ndarray:
    return 20.0 * np.exp((time_s - passes_s()) / PLAN.rate_s)


def clicks(wave: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """When the clicks of a wave begin, and their peaks; those nearer than 2.5 ms to the one before are not counted."""
    begins = np.flatnonzero((wave[1:] != 0) & (wave[:-1] == 0)) + 1
    ends = np.append(begins[1:], wave.size)
    return begins / RATE_HZ, np.array([np.max(np.abs(wave[a:b])) for a, b in zip(begins, ends, strict=True)])


def excursion(f: np.ndarray) -> np.ndarray:
    """Of a driver of no inductance, over its peak at the resonance (Small 1972)."""
    x = f / FS_HZ
    return np.asarray(1 / (1 - x**2 + 1j * x / QTS) / QTS)


def test_the_resonance_in_a_box() -> None:
    assert resonance_hz(OPEN) == pytest.approx(FS_HZ)
    assert resonance_hz(CLOSED) == pytest.approx(FS_HZ * np.sqrt(2))
    # The lowest driver counts: of Booth Two the woofer, 47 Hz, 11 litres on 7.5 litres.
    assert resonance_hz(speaker_of(BOOTH.model("left"), designed)) == pytest.approx(47 * np.sqrt(1 + 11 / 7.5))


def test_a_coil_rubs_where_the_cone_passes_its_clearance() -> None:
    begins_s, _ = clicks(sound("rub", -40.0))
    f = swept_hz(begins_s)
    begins_s, f = begins_s[f > 25], f[f > 25]
    turns = f * PLAN.rate_s
    moved = excursion(f)
    # The sweep is a sine: excursion |x| sin(phase + arg x) passes the clearance outwards, or inwards, here.
    outwards = np.arcsin(noises.CLEARANCE / np.abs(moved))
    off = [
        np.abs((turns + (np.angle(moved) - place) / (2 * np.pi) + 0.5) % 1.0 - 0.5) / f
        for place in (outwards, np.pi - outwards)
    ]
    nearest_s = np.min(off, axis=0)
    # Jitter of 0.1 ms, and what the sweep's own speed adds to a formula for a steady tone.
    assert np.median(nearest_s) < 0.0004
    again = np.mean(off[1] < off[0])
    assert 0 < again < 0.4
    # One contact outwards in each cycle from 25 Hz to where the excursion is used up.
    grid = np.geomspace(60, 400, 2000)
    last_hz = grid[np.abs(excursion(grid)) > noises.CLEARANCE][-1]
    cycles = (last_hz - 25) * PLAN.rate_s
    assert np.count_nonzero(off[0] < off[1]) == pytest.approx(cycles, abs=2)
    assert np.max(f) == pytest.approx(last_hz, rel=0.05)


def test_a_rub_is_as_loud_as_said_at_the_resonance_and_fades_above() -> None:
    begins_s, peak_pa = clicks(sound("rub", -40.0))
    f = swept_hz(begins_s)
    fundamental_pa = 20.0 * np.abs(pressure_pa(OPEN, MICROPHONE_M, np.array([FS_HZ]), 343.0))[0]
    near = np.argmin(np.abs(f - FS_HZ))
    assert 20 * np.log10(peak_pa[near] / fundamental_pa) == pytest.approx(-40.0, abs=1.5)
    expected = f / FS_HZ * np.sqrt(np.maximum(np.abs(excursion(f)) ** 2 - noises.CLEARANCE**2, 0))
    expected *= peak_pa[near] / np.sqrt(1 - noises.CLEARANCE**2)
    between = (f > 30) & (f < 90)
    assert peak_pa[between] == pytest.approx(expected[between], rel=0.35)
    assert peak_pa[-1] < 0.6 * peak_pa[near]


def test_a_buzz_keeps_to_its_band_at_one_level_once_or_twice_a_cycle() -> None:
    begins_s, peak_pa = clicks(sound("buzz", -40.0))
    f = swept_hz(begins_s)
    low_hz, high_hz = FS_HZ * 1.25 / 1.5, FS_HZ * 1.25 * 1.5
    assert np.min(f) > low_hz * 0.97
    assert np.max(f) < high_hz * 1.03
    fundamental = 20.0 * np.abs(pressure_pa(OPEN, MICROPHONE_M, f, 343.0))
    assert 20 * np.log10(peak_pa / fundamental) == pytest.approx(-40.0, abs=1.0)
    cycles = (high_hz - low_hz) * PLAN.rate_s
    assert cycles - 2 < begins_s.size < 1.6 * cycles


def test_clicks_are_short_and_high() -> None:
    wave = sound("buzz", -40.0)
    power = np.abs(np.fft.rfft(wave)) ** 2
    f = np.fft.rfftfreq(wave.size, 1 / RATE_HZ)
    assert power[f < 1000].sum() < 0.01 * power.sum()
    begins_s, peak_pa = clicks(wave)
    first = round(begins_s[np.argmax(peak_pa)] * RATE_HZ)
    energy = np.cumsum(wave[first : first + 120] ** 2)
    # A decay of 0.25 ms has 1 - exp(-4) of its energy in the first half millisecond; the high-pass smears it a little.
    assert energy[round(0.0007 * RATE_HZ)] > 0.9 * energy[-1]


def test_a_particle_is_thrown_at_random_phases_at_low_frequencies_only() -> None:
    times_s = np.concatenate([clicks(sound("particle", -30.0, key=key))[0] for key in range(60)])
    f = swept_hz(times_s)
    low_hz, high_hz = 0.25 * FS_HZ, 2 * FS_HZ
    assert np.min(f) > low_hz * 0.97
    assert np.max(f) < high_hz * 1.03
    lasts_s = PLAN.rate_s * np.log(high_hz / low_hz)
    # Twenty a second: 540 of them, known to 4 %; a tenth fall on the heels of another.
    assert times_s.size / (60 * lasts_s) == pytest.approx(20.0, rel=0.2)
    turn = np.mean(np.exp(2j * np.pi * f * PLAN.rate_s))
    assert abs(turn) < 0.12


@pytest.mark.parametrize("box", [CLOSED, VENTED], ids=["closed", "vented"])
def test_air_blows_twice_a_cycle_in_its_band_where_the_box_is_under_pressure(box: Speaker) -> None:
    wave = sound("blowing", -40.0, box)
    f = np.fft.rfftfreq(wave.size, 1 / RATE_HZ)
    power = np.abs(np.fft.rfft(wave)) ** 2
    assert power[(f > 800) & (f < 10000)].sum() > 0.9 * power.sum()
    now_hz = swept_hz(np.arange(wave.size) / RATE_HZ)
    turn = now_hz * PLAN.rate_s
    low = (now_hz > 35) & (now_hz < 100)
    by_phase = [abs(np.sum(wave[low] ** 2 * np.exp(2j * np.pi * n * turn[low]))) for n in (1, 2)]
    assert by_phase[1] > 0.2 * np.sum(wave[low] ** 2)
    assert by_phase[0] < 0.5 * by_phase[1]
    high = (now_hz > 4 * resonance_hz(box)) & (now_hz < 20000)
    # The pressure has fallen by 24 dB two octaves up, and the noise by one and a half times that.
    assert 20 * np.log10(np.std(wave[high]) / np.std(wave[low])) < -25


def test_blowing_is_as_loud_as_said_where_the_pressure_is_highest() -> None:
    moved = motion(CLOSED)
    loudest = int(np.argmax(np.abs(moved.box_pressure)))
    there = [
        noise_pa(Noise("blowing", "open", -40.0), moved, generator(key))[loudest - 3 : loudest + 4]
        for key in range(100)
    ]
    hz = swept_hz(np.array([loudest / RATE_HZ]))
    fundamental = 20.0 * np.abs(pressure_pa(CLOSED, MICROPHONE_M, hz, 343.0))[0] / np.sqrt(2)
    assert 20 * np.log10(np.sqrt(np.mean(np.square(there))) / fundamental) == pytest.approx(-40.0, abs=1.0)


def test_an_open_baffle_has_no_air_to_blow() -> None:
    assert not np.any(sound("blowing", -10.0))


@pytest.mark.parametrize(("low_hz", "high_hz"), [(200.0, 300.0), (1000.0, 1500.0), (4000.0, 5000.0)])
def test_a_bent_cone_adds_its_percent_of_second_and_third_harmonic(low_hz: float, high_hz: float) -> None:
    added, own = sound("bent", 3.0), motion().sound_pa.real
    now_hz = swept_hz(np.arange(added.size) / RATE_HZ)
    part = (now_hz > low_hz) & (now_hz < high_hz)
    turn = np.exp(2j * np.pi * now_hz[part] * PLAN.rate_s)
    one, two, three = (abs(np.mean(wave[part] * turn**-n)) for wave, n in ((own, 1), (added, 2), (added, 3)))
    assert [two / one, three / one] == pytest.approx([0.03, 0.03], rel=0.03)
    assert np.std(added[part]) == pytest.approx(0.03 * np.sqrt(2) * np.std(own[part]), rel=0.03)


def test_no_harmonic_folds_back() -> None:
    added = sound("bent", 3.0)
    now_hz = swept_hz(np.arange(added.size) / RATE_HZ)
    assert np.max(np.abs(added[(now_hz > 8000) & (now_hz < 19000)])) < 1e-3 * np.max(np.abs(added))


@settings(max_examples=20, deadline=None)
@given(st.sampled_from(["rub", "buzz", "particle", "blowing"]), st.floats(-80, 0), st.floats(-20, 20))
def test_levels_are_decibels(kind: str, level_db: float, more_db: float) -> None:
    one, other = sound(kind, level_db, VENTED), sound(kind, level_db + more_db, VENTED)
    assert np.any(one)
    assert np.allclose(other, one * 10 ** (more_db / 20), rtol=1e-9, atol=0)


def test_what_does_not_move_makes_no_noise() -> None:
    f = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)
    still = np.zeros(f.size, dtype=np.complex128)
    assert motion_of(OPEN, PLAN, SIZE, still, still + 1, LATE_S) is None
    dead = OPEN.with_coil("driver", state="open")
    assert motion_of(dead, PLAN, SIZE, still + 1, still + 1, LATE_S) is None


def captures(*faults: str, channel: str = "left", level_v: float = 1.0, times: int = 1) -> list[Capture]:
    bench = SimulatedBench(BOOTH, "BT-0001", faults)
    request = replace(BOOTH.sweep("playing", channel, position="on axis"), level_v=level_v)
    with bench.stage("playing") as player:
        return list(player.play([request] * times))


def added_pa(fault: str, **asked: object) -> np.ndarray:
    """What a fault adds to a capture, all else being equal."""
    (noisy,), (good,) = captures(fault, **asked), captures(**asked)  # type: ignore[arg-type]
    assert np.array_equal(noisy.samples[1], good.samples[1])
    return noisy.pascal() - good.pascal()


#: One step of the converter, in pascal.
STEP_PA = 5.0 * 2**-23


@pytest.mark.parametrize(
    "fault", ["rub:left=-30", "buzz:left=-30", "particle:left=-30", "blowing:left=-30", "bent:left"]
)
def test_the_bench_adds_a_units_noise_to_what_it_had_anyway(fault: str) -> None:
    added = added_pa(fault)
    plan = layout(20.0, 20000.0, 1.5, RATE_HZ)
    # The silence keeps the very noise that it had without the fault.
    assert np.max(np.abs(added[: plan.mark_before])) < 1.1 * STEP_PA
    assert np.max(np.abs(added)) > 1e-3
    assert np.max(np.abs(added_pa(fault, channel="right"))) == 0


@pytest.mark.parametrize("fault", ["rub:left=-30", "bent:left"])
def test_a_units_noise_grows_with_the_sweep(fault: str) -> None:
    one, two = (added_pa(fault, level_v=level_v) for level_v in (1.0, 2.0))
    # Other requests have other chances: the energies agree, not the samples.
    assert np.std(two) / np.std(one) == pytest.approx(2.0, rel=0.15)


@pytest.mark.parametrize("fault", ["silent:left", "dead:left:woofer", "muted"])
def test_a_coil_that_stands_still_does_not_rub(fault: str) -> None:
    (noisy,), (good,) = captures("rub:left=0", fault), captures(fault)
    assert np.array_equal(noisy.samples, good.samples)


def test_nothing_rubs_in_silence() -> None:
    (noisy,), (good,) = captures("rub:left=0", level_v=0.0), captures(level_v=0.0)
    assert np.array_equal(noisy.samples, good.samples)


def test_a_door_slams_once_in_the_middle_of_the_sweep() -> None:
    struck, repeated = captures("door-once=0.5", times=2)
    calm = captures(times=2)
    added = struck.pascal() - calm[0].pascal()
    middle = (PLAN.sweep_start + PLAN.sweep_stop) // 2
    assert np.max(np.abs(added[:middle])) < 1e-3
    assert np.max(np.abs(added)) == pytest.approx(0.5, rel=0.01)
    late = added[middle + round(0.3 * RATE_HZ) :]
    assert np.std(late) < 0.05 * np.std(added[middle : middle + round(0.1 * RATE_HZ)])
    low, high = (np.sum(np.abs(np.fft.rfft(added))[band] ** 2) for band in (slice(60, 300), slice(2000, 10000)))
    assert low > high > 0.001 * low
    assert np.array_equal(repeated.samples, calm[1].samples)


def test_somebody_speaks_all_the_time_in_syllables() -> None:
    added = added_pa("speech=60")
    assert 20 * np.log10(np.std(added) / 20e-6) == pytest.approx(60.0, abs=0.5)
    assert np.std(added[: PLAN.mark_before]) > 0.1 * np.std(added)
    tenths = np.array([np.std(piece) for piece in np.array_split(added, 60)])
    assert np.max(tenths) > 5 * np.min(tenths)


def test_a_dead_microphone_hears_neither_door_nor_speech() -> None:
    (capture,) = captures("dead-microphone", "door=1", "speech=70")
    assert np.std(capture.samples[0]) == pytest.approx(1e-5, rel=0.02)


def test_a_unit_repeats_itself_as_all_else_does() -> None:
    assert np.array_equal(captures("particle:left")[0].samples, captures("particle:left")[0].samples)
    first, second = captures("particle:left=-20", times=2)
    assert not np.array_equal(first.samples, second.samples)
