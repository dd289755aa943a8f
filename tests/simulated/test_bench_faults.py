"""Each fault of the bench disturbs the capture as it should, and nothing else."""

from pathlib import Path

import numpy as np
import pytest

from rig.design.kit import load_kit
from rig.files.errors import BenchError
from rig.signals.stimulus import compose
from rig.simulated.bench import SimulatedBench
from rig.values.captures import Capture

BOOTH = load_kit(Path(__file__).parents[2], "booth-two")


def captures(stage: str, *faults: str, times: int = 1) -> list[Capture]:
    bench = SimulatedBench(BOOTH, "BT-0001", faults)
    request = BOOTH.sweep(stage, "left", position="on axis" if stage == "playing" else "", quiet=True)  # type: ignore[arg-type]
    with bench.stage(stage) as player:  # type: ignore[arg-type]
        return list(player.play([request] * times))


def mark_spacing(capture: Capture, role: str) -> float:
    """Distance of the two recorded marks less the distance played, in samples."""
    plan = capture.layout
    mark = compose(plan)[plan.mark_before :][: plan.mark_frames]
    row = capture.volts(role)
    size = 1 << int(row.size + mark.size).bit_length()
    found = np.fft.irfft(np.fft.rfft(row, size) * np.fft.rfft(mark, size).conj(), 8 * size)
    middle = 8 * (plan.sweep_start + 5000)
    late = 8 * (plan.mark_after - 1000)
    first, second = int(np.argmax(np.abs(found[:middle]))), late + int(np.argmax(np.abs(found[late : 8 * row.size])))
    return (second - first) / 8 - (plan.mark_after - plan.mark_before)


@pytest.mark.parametrize(
    ("name", "samples"),
    [("dropped-samples", -64), ("dropped-samples=7", -7), ("inserted-samples=16", 16), ("flagged", 0)],
)
def test_lost_and_inserted_samples_move_the_second_mark(name: str, samples: int) -> None:
    for stage, role in (("leads", "drive"), ("playing", "loopback")):
        (capture,) = captures(stage, name)
        (whole,) = captures(stage)
        assert mark_spacing(whole, role) == pytest.approx(0.0, abs=0.13)
        assert mark_spacing(capture, role) == pytest.approx(samples, abs=0.13)
        assert capture.samples.shape == whole.samples.shape


def test_a_second_clock_stretches_the_recording() -> None:
    (capture,) = captures("playing", "second-clock=1000")
    plan = capture.layout
    stretched = 1e-3 * (plan.mark_after - plan.mark_before)
    assert mark_spacing(capture, "loopback") == pytest.approx(stretched, abs=0.25)


def test_a_fault_that_strikes_once_leaves_the_repeat_alone() -> None:
    struck, repeated = captures("leads", "dropped-samples-once", times=2)
    _, undisturbed = captures("leads", times=2)
    assert mark_spacing(struck, "drive") == pytest.approx(-64, abs=0.13)
    assert np.array_equal(repeated.samples, undisturbed.samples)


def rms(capture: Capture, role: str) -> float:
    return float(np.std(capture.volts(role)))


def test_a_dead_microphone_leaves_the_converters_noise() -> None:
    (capture,), (whole,) = captures("playing", "dead-microphone"), captures("playing")
    assert np.std(capture.samples[0]) == pytest.approx(1e-5, rel=0.02)
    assert np.array_equal(capture.samples[1], whole.samples[1])


def test_gain_sign_and_place_of_the_microphone() -> None:
    (whole,) = captures("playing", "loud-room=0")
    (turned,) = captures("playing", "loud-room=0", "turned-knob=-3")
    (inverted,) = captures("playing", "loud-room=0", "inverted-microphone")
    (far,) = captures("playing", "loud-room=0", "far-microphone=500")
    assert 20 * np.log10(rms(turned, "microphone") / rms(whole, "microphone")) == pytest.approx(-3.0, abs=0.02)
    both = [capture.volts("microphone") for capture in (inverted, whole)]
    assert np.corrcoef(*both)[0, 1] < -0.999
    # Twice the distance: 6 dB for the direct sound, a little less with the room.
    assert -6.5 < 20 * np.log10(rms(far, "microphone") / rms(whole, "microphone")) < -3.5
    assert inverted.calibration == whole.calibration == turned.calibration


def test_a_loud_room_adds_its_noise() -> None:
    (capture,) = captures("playing", "loud-room=80")
    silence = capture.pascal()[:10000]
    # Pink noise over a fifth of a second: the lowest octaves are a matter of luck.
    assert 20 * np.log10(np.std(silence) / 20e-6) == pytest.approx(80.0, abs=2.0)


def test_a_muted_card_plays_nothing() -> None:
    for stage, role in (("leads", "drive"), ("playing", "loopback")):
        (capture,) = captures(stage, "muted")
        assert np.std(capture.samples[capture.inputs.index(role)]) == pytest.approx(1e-5, rel=0.02)


def test_a_forgotten_sense_resistor_takes_its_share() -> None:
    (capture,), (whole,) = captures("playing", "loud-room=0", "resistor-left-in"), captures("playing", "loud-room=0")
    drop_db = 20 * np.log10(rms(capture, "microphone") / rms(whole, "microphone"))
    # From 6 ohm to 20 ohm, in series with 10 ohm.
    assert 20 * np.log10(6 / 16) < drop_db < 20 * np.log10(20 / 30)


def test_a_reported_overflow_travels_with_the_capture() -> None:
    assert captures("leads", "flagged")[0].flags == ("input overflow",)
    assert captures("leads")[0].flags == ()


def test_an_unplugged_device_ends_the_run() -> None:
    with pytest.raises(BenchError, match="plug it in again"):
        captures("leads", "unplugged")


def test_clips_that_touch_nothing_sense_nothing() -> None:
    (capture,) = captures("leads", "clips-off")
    assert np.std(capture.samples[1]) == pytest.approx(1e-5, rel=0.05)
    assert rms(capture, "drive") > rms(captures("leads")[0], "drive")


@pytest.mark.parametrize(
    ("name", "stage", "role", "other"),
    [("dead-sense", "leads", "sense", "drive"), ("dead-loopback", "playing", "loopback", "microphone")],
)
def test_a_cable_that_is_off_silences_its_input_only(name: str, stage: str, role: str, other: str) -> None:
    (capture,), (whole,) = captures(stage, name), captures(stage)
    assert np.std(capture.samples[capture.inputs.index(role)]) == pytest.approx(1e-5, rel=0.02)
    assert np.array_equal(capture.volts(other), whole.volts(other))


def test_exchanged_inputs_record_each_others_samples() -> None:
    (capture,), (whole,) = captures("leads", "exchanged-inputs"), captures("leads")
    assert capture.inputs == whole.inputs
    for row, other in ((0, 1), (1, 0)):
        assert capture.samples[row] == pytest.approx(whole.samples[other], abs=2e-4)


def test_hum_is_there_before_the_stimulus() -> None:
    (capture,) = captures("playing", "hum=40", "loud-room=0")
    # A fifth of a second: ten periods of 50 Hz.
    lines = np.abs(np.fft.rfft(capture.samples[:, :9600].astype(float), axis=1)) / 4800
    assert lines[:, 10] == pytest.approx(0.008, rel=0.02)
    assert lines[:, 30] == pytest.approx(0.002, rel=0.05)


def test_a_knock_is_heard_by_the_microphone_alone_and_in_the_sweep() -> None:
    (capture,), (whole,) = captures("playing", "knock=2"), captures("playing")
    added = capture.pascal() - whole.pascal()
    plan = capture.layout
    assert np.max(np.abs(added)) == pytest.approx(2.0, rel=0.15)
    assert plan.sweep_start < np.flatnonzero(added)[0] < plan.sweep_stop
    assert np.array_equal(capture.samples[1], whole.samples[1])


def direct_phase(capture: Capture, low_hz: float, high_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and phase of microphone over loopback, cut off before the first wall answers."""
    size = 2 * capture.samples.shape[1]
    mic, loop = (np.fft.rfft(capture.volts(role), size) for role in ("microphone", "loopback"))
    power = np.abs(loop) ** 2
    impulse = np.fft.irfft(mic * loop.conj() / (power + 1e-6 * power.max()), size)
    impulse[round(0.004 * 48000) :] = 0
    f = np.fft.rfftfreq(size, 1 / 48000)
    band = (f > low_hz) & (f < high_hz)
    return f[band], np.unwrap(np.angle(np.fft.rfft(impulse)[band]))


def test_in_warm_air_sound_is_faster_than_the_bench_believes() -> None:
    (cold,), (warm,) = captures("playing", "loud-room=0"), captures("playing", "loud-room=0", "warm-room=20")
    f, before = direct_phase(cold, 3000, 9000)
    _, after = direct_phase(warm, 3000, 9000)
    earlier_s = np.polyfit(f, after - before, 1)[0] / (2 * np.pi)
    # The way of half a metre at 343.2 m/s, and at 343.2 m/s * sqrt(313.15 / 293.15).
    assert earlier_s == pytest.approx(0.5 / 343.2 * (1 - np.sqrt(293.15 / 313.15)), rel=0.03)
    assert warm.calibration.air_celsius == 20.0


def test_gains_that_were_turned_leave_what_the_bench_believes_of_itself() -> None:
    (whole,), (wide,) = captures("leads"), captures("playing")
    (output,), (sense,) = captures("leads", "turned-output=-6"), captures("leads", "turned-sense=3")
    (loopback,) = captures("playing", "turned-loopback=-6")
    for changed, unchanged, role, by_db in (
        *((output, whole, role, -6.0) for role in ("drive", "sense")),
        *((sense, whole, role, by_db) for role, by_db in (("drive", 0.0), ("sense", 3.0))),
        (loopback, wide, "loopback", -6.0),
    ):
        assert 20 * np.log10(rms(changed, role) / rms(unchanged, role)) == pytest.approx(by_db, abs=0.02)
        assert changed.calibration == unchanged.calibration


def test_another_sense_resistor_divides_otherwise() -> None:
    (whole,), (other,) = captures("leads"), captures("leads", "wrong-sense-resistor=22")
    share, other_share = (rms(capture, "sense") / rms(capture, "drive") for capture in (whole, other))
    # Between 10 / (10 + Z) and 22 / (22 + Z) with Z from 5 to 40 ohm lies a factor of 1.22 to 1.77.
    assert 1.2 < other_share / share < 1.8
    assert other.calibration.sense_ohm == 10.0


def test_exchanged_outputs_sound_from_each_other_s_place() -> None:
    (near,), (far,) = captures("playing", "loud-room=0"), captures("playing", "loud-room=0", "exchanged-outputs")
    # 0.5 m against the root of 0.5^2 + 0.6^2, and off the axis.
    assert -8.0 < 20 * np.log10(rms(far, "microphone") / rms(near, "microphone")) < 20 * np.log10(0.5 / 0.78)
    assert np.array_equal(near.volts("loopback"), far.volts("loopback"))


def test_another_program_is_in_the_loopback_before_the_stimulus() -> None:
    (capture,) = captures("playing", "other-sound=5")
    assert np.std(capture.volts("loopback")[:10000]) == pytest.approx(0.005, rel=0.7)
    assert np.std(captures("playing", "other-sound=5", "muted")[0].volts("loopback")) < 1e-4


def test_a_converted_rate_leaves_nothing_above_its_edge() -> None:
    (capture,) = captures("playing", "resampled=8000")
    power = np.abs(np.fft.rfft(capture.samples.astype(float), axis=1)) ** 2
    edge = round(8200 / 48000 * capture.samples.shape[1])
    assert np.all(power[:, edge:].sum(axis=1) < 1e-6 * power[:, :edge].sum(axis=1))
