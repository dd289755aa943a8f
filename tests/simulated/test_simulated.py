"""What the simulated bench records, against closed formulas and spectra of the test's own."""

import json
import math
import time
from typing import Any

import numpy as np
import pytest
from simulated_truth import sheet_of

from rig.bench.base import Bench, capture_frames
from rig.circuit.driver import Driver
from rig.design.kit import Kit
from rig.files.errors import BenchError
from rig.signals.stimulus import compose, layout
from rig.simulated.bench import SimulatedBench, _at_every_bin
from rig.values.captures import Capture
from rig.values.requests import Sweep

DRIVER: dict[str, Any] = {
    "name": "driver",
    "nominal_ohm": 8.0,
    "re_ohm": 6.0,
    "fs_hz": 50.0,
    "qms": 4.0,
    "qes": 0.5,
    "vas_l": 20.0,
    "sd_cm2": 100.0,
    "band_hz": [60.0, 15000.0],
}


def kit_of(*channels: dict[str, Any]) -> Kit:
    """A kit of drivers in a very large baffle, which no room's low end and no step disturbs."""
    return Kit.model_validate(
        {
            "name": "plain",
            "title": "Plain",
            "revision": "1",
            "serial_pattern": "P\\d",
            "serial_example": "P1",
            "amplifier": {"supply_v": 24, "gain_db": 20, "load_ohm": 4, "bridged": True, "limit_v": 5},
            "positions": [{"name": "on axis", "distance_m": 0.5}, {"name": "far", "distance_m": 1.0}],
            "stages": {"leads": {"words": "a", "each": "b"}, "playing": {"words": "c", "each": "d"}},
            "channels": [
                {"drivers": [DRIVER], "box": {"kind": "none"}, "baffle_width_m": 3.0} | channel for channel in channels
            ],
            "checks": {"leads": {}},
            "limits": {},
        }
    )


ONE = kit_of({"name": "one"})
TWO = kit_of({"name": "left", "place_m": [-0.5, 0.0]}, {"name": "right", "place_m": [0.5, 0.0]})


def sweep(kit: Kit, stage: str = "playing", channel: str = "", at: str = "", **changes: Any) -> Sweep:
    position = "on axis" if stage == "playing" else ""
    asked = {"level_v": 1.0 if stage == "playing" else 0.1, "path_gain": 10.0 if stage == "playing" else 1.0}
    asked |= {"start_hz": 20.0, "stop_hz": 20000.0, "seconds": 0.5, "position": position} | changes
    name = channel or kit.channels[0].name
    return Sweep(stage=stage, channel=name, at=at or name, **asked)  # type: ignore[arg-type]


def played(bench: SimulatedBench, *requests: Sweep) -> list[Capture]:
    with bench.stage(requests[0].stage) as player:
        return list(player.play(requests))


def transfer(output: np.ndarray, source: np.ndarray, at_hz: list[float]) -> np.ndarray:
    """Ratio of two spectra near some frequencies, the mean over 2 Hz weighted by the source's power."""
    size = 2 ** math.ceil(math.log2(output.size))
    y, x = np.fft.rfft(output, size), np.fft.rfft(source, size)
    f = np.fft.rfftfreq(size, 1 / 48000)
    near = [np.abs(f - hz) < 1 for hz in at_hz]
    return np.array([np.sum(y[n] * x[n].conj()) / np.sum(np.abs(x[n]) ** 2) for n in near])


def drawn_driver(bench: SimulatedBench) -> Driver:
    return sheet_of(bench.unit.boxes[0].coils[0])


def textbook_impedance(driver: Driver, f: np.ndarray) -> np.ndarray:
    """Voice coil and a parallel resonance (Small 1972); the kit's driver has no inductance."""
    x = f / driver.fs_hz
    return driver.re_ohm + driver.re_ohm * driver.qms / driver.qes / (1 + 1j * driver.qms * (x - 1 / x))


def test_it_is_a_bench_and_describes_itself_as_json() -> None:
    bench: Bench = SimulatedBench(ONE, "P1", ["loud-room=50"], seed=4)
    described = json.loads(json.dumps(bench.describe()))
    assert (described["kind"], described["serial"], described["seed"]) == ("simulated", "P1", 4)
    assert described["faults"] == ["loud-room=50"]


@pytest.mark.parametrize("sense_in", ["return", "source"])
def test_the_leads_show_the_textbook_impedance(sense_in: str) -> None:
    bench = SimulatedBench(ONE, "P1", sense_in=sense_in)
    at_hz = [30.0, 45.0, 60.0, 120.0, 1000.0, 8000.0]
    (capture,) = played(bench, sweep(ONE, "leads"))
    known = bench.known_load_capture(10.0)
    assert capture.inputs == ("drive", "sense")
    assert capture.calibration.sense_ohm == 10.0
    ratio = transfer(capture.volts("sense"), capture.volts("drive"), at_hz)
    # With 10 ohm in place of the unit and 10 ohm to sense, the second input must read a half; the clips add 0.03 ohm.
    own = 10.0 if sense_in == "return" else 10.03
    skew = transfer(known.volts("sense"), known.volts("drive"), at_hz) / (own / 20.03)
    ratio = ratio / skew
    found = 10.0 * (1 / ratio - 1) if sense_in == "return" else 10.0 * ratio / (1 - ratio)
    expected = textbook_impedance(drawn_driver(bench), np.array(at_hz)) + 0.03
    # The means over 2 Hz blur the resonance by some tenths of a percent.
    assert np.abs(found / expected - 1) == pytest.approx(0.0, abs=0.006)


def test_the_inputs_differ_by_a_part_of_a_decibel_that_the_seed_fixes() -> None:
    skews = []
    for seed in (1, 1, 2):
        known = SimulatedBench(ONE, "P1", seed=seed).known_load_capture(10.0)
        skews.append(abs(transfer(known.volts("sense"), known.volts("drive"), [1000.0])[0]) * 2.003)
    assert skews[0] == skews[1]
    assert skews[0] != pytest.approx(skews[2], abs=1e-4)
    assert all(0 < abs(20 * np.log10(skew)) < 0.16 for skew in skews)


def direct(capture: Capture, milliseconds: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and transfer of microphone over loopback, cut off before the first wall answers."""
    mic, loop = capture.pascal(), capture.volts("loopback")
    size = 2 ** math.ceil(math.log2(mic.size))
    x = np.fft.rfft(loop, size)
    impulse = np.fft.irfft(np.fft.rfft(mic, size) * x.conj() / (np.abs(x) ** 2 + 1e-6 * np.max(np.abs(x) ** 2)), size)
    impulse[round(milliseconds * 48) :] = 0
    return np.fft.rfftfreq(size, 1 / 48000), np.fft.rfft(impulse)


def expected_pa_per_v(driver: Driver, distance_m: float) -> float:
    """From the reference efficiency eta0 = 4 pi2 / c3 fs3 Vas / Qes (Small 1972), into a half space."""
    efficiency = 4 * np.pi**2 / 343.0**3 * driver.fs_hz**3 * driver.vas_m3 / driver.qes
    watt = efficiency / driver.re_ohm
    return float(np.sqrt(watt * 1.2 * 343.0 / (2 * np.pi)) / distance_m)


@pytest.mark.parametrize(("position", "distance_m"), [("on axis", 0.5), ("far", 1.0)])
def test_the_microphone_hears_the_level_of_the_reference_efficiency(position: str, distance_m: float) -> None:
    bench = SimulatedBench(ONE, "P1", ambient_db=0.0)
    (capture,) = played(bench, sweep(ONE, position=position))
    f, h = direct(capture, 4.0 if distance_m < 0.7 else 3.0 + 2.0)
    middle = (f > 1500) & (f < 6000)
    per_volt = np.sqrt(np.mean(np.abs(h[middle]) ** 2)) / 10.0
    expected = expected_pa_per_v(drawn_driver(bench), distance_m)
    # The loopback may be 0.05 dB off, and the cone's size adds to the distance by 0.2 % at half a metre.
    assert 20 * np.log10(per_volt / expected) == pytest.approx(0.0, abs=0.15)


def test_the_sound_arrives_after_its_way() -> None:
    bench = SimulatedBench(ONE, "P1", ambient_db=0.0)
    f, h = direct(played(bench, sweep(ONE))[0])
    middle = (f > 2000) & (f < 8000)
    delay_s = -np.polyfit(f[middle], np.unwrap(np.angle(h[middle])), 1)[0] / (2 * np.pi)
    assert delay_s == pytest.approx(0.5 / 343.2, abs=5e-6)


def test_a_way_of_half_a_metre_is_good_to_95_db_between_the_frequencies_worked_out() -> None:
    f = np.fft.rfftfreq(160000, 1 / 48000)
    asked: list[int] = []

    def way(some_hz: np.ndarray) -> np.ndarray:
        asked.append(some_hz.size)
        return np.exp(-2j * np.pi * some_hz * 0.5 / 343)

    error = np.abs(_at_every_bin(way, f) - np.exp(-2j * np.pi * f * 0.5 / 343))
    assert 20 * np.log10(np.max(error)) < -95
    assert asked[0] < f.size / 3
    assert np.max(error[f < 2000]) == 0


def test_the_level_of_the_loopback_is_what_the_request_asks_of_the_card() -> None:
    (capture,) = played(SimulatedBench(ONE, "P1"), sweep(ONE, level_v=2.0))
    # 2 V RMS at the leads behind a gain of 10.
    assert np.max(np.abs(capture.volts("loopback"))) == pytest.approx(0.2 * np.sqrt(2), rel=0.008)


def test_harmonics_grow_with_the_level() -> None:
    ratios = []
    for level_v in (1.0, 2.0):
        bench = SimulatedBench(ONE, "P1", ambient_db=0.0)
        (capture,) = played(bench, sweep(ONE, level_v=level_v, seconds=1.5))
        mic, loop = capture.pascal(), capture.volts("loopback")
        size = 2 ** math.ceil(math.log2(mic.size))
        x = np.fft.rfft(loop, size)
        spectrum = np.fft.rfft(mic, size) * x.conj() / (np.abs(x) ** 2 + 1e-5 * np.max(np.abs(x) ** 2))
        impulse = np.fft.irfft(spectrum, size)
        rate_s = 1.5 / np.log(1000)
        f = np.fft.rfftfreq(size, 1 / 48000)
        magnitudes = []
        for order in (1, 2, 3):
            start = round((0.5 / 343.2 - rate_s * np.log(order)) * 48000) - 96
            piece = np.take(impulse, np.arange(start, start + 384), mode="wrap")
            magnitudes.append(np.abs(np.fft.rfft(piece, size)))
        at = np.argmin(np.abs(f - 6000))
        ratios.append([magnitudes[1][at] / magnitudes[0][at], magnitudes[2][at] / magnitudes[0][at]])
    # Where the driver is flat: 0.3 % and 0.1 % at 1 V, twice and four times as much at 2 V.
    assert ratios[0] == pytest.approx([0.003, 0.001], rel=0.1)
    assert ratios[1] == pytest.approx([0.006, 0.004], rel=0.1)


def test_the_room_is_as_loud_as_said() -> None:
    bench = SimulatedBench(ONE, "P1", ambient_db=50.0)
    captures = played(bench, *[sweep(ONE, start_hz=20.0 + n) for n in range(6)])
    silence = [c.pascal()[: int(0.2 * 48000)] for c in captures]
    power = np.mean([np.abs(np.fft.rfft(piece * np.hanning(piece.size))) ** 2 for piece in silence], axis=0)
    f = np.fft.rfftfreq(silence[0].size, 1 / 48000)
    mean_square = 2 * power[(f > 200) & (f < 2000)].sum() / (silence[0].size ** 2 * 3 / 8)
    # A third of the three decades from 20 Hz to 20 kHz.
    assert 10 * np.log10(mean_square / 4e-10) == pytest.approx(50.0 - 10 * np.log10(3), abs=0.5)


def test_the_converters_noise_is_100_db_below_full_scale_and_nothing_wraps_around() -> None:
    bench = SimulatedBench(ONE, "P1", ambient_db=-100.0)
    captures = [*played(bench, sweep(ONE)), *played(bench, sweep(ONE, "leads"))]
    for capture in captures:
        plan = layout(20.0, 20000.0, 0.5, 48000.0)
        early = capture.samples[:, : plan.mark_before].astype(float)
        # The end of the capture would be seen here if the convolution were circular: marks are 60 dB above this.
        assert 20 * np.log10(np.std(early, axis=1)) == pytest.approx(-100.0, abs=0.3)
        assert np.max(np.abs(early)) < 6e-5


def latency_samples(capture: Capture, role: str) -> float:
    plan = capture.layout
    stimulus = compose(plan)
    size = 2 ** math.ceil(math.log2(capture.samples.shape[1] + stimulus.size))
    cross = np.fft.rfft(capture.volts(role), size) * np.fft.rfft(stimulus, size).conj()
    # Sixteen times finer by zero-padding.
    return float(np.argmax(np.abs(np.fft.irfft(cross, 16 * size))) / 16)


def test_latency_holds_in_a_stage_and_changes_when_the_stream_is_opened_anew() -> None:
    bench = SimulatedBench(ONE, "P1")
    first = [latency_samples(c, "loopback") for c in played(bench, sweep(ONE), sweep(ONE, start_hz=30.0))]
    second = [latency_samples(c, "loopback") for c in played(bench, sweep(ONE))]
    assert first[0] == pytest.approx(first[1], abs=0.07)
    assert abs(first[0] - second[0]) > 10
    assert all(500 <= latency <= 5000 for latency in first + second)


def test_the_tail_is_there_in_spite_of_the_latency() -> None:
    bench = SimulatedBench(ONE, "P1")
    (capture,) = played(bench, sweep(ONE))
    plan = layout(20.0, 20000.0, 0.5, 48000.0)
    assert capture.samples.shape[1] == capture_frames(plan, False)
    assert latency_samples(capture, "loopback") + plan.frames < capture.samples.shape[1]


def test_everything_follows_from_serial_seed_request_and_attempt() -> None:
    def samples(serial: str = "P1", seed: int = 0, times: int = 1) -> np.ndarray:
        return played(SimulatedBench(ONE, serial, seed=seed), *[sweep(ONE)] * times)[-1].samples

    first = samples()
    assert np.array_equal(first, samples())
    assert not any(np.array_equal(first, other) for other in (samples("P2"), samples(seed=1), samples(times=2)))


def test_limits_are_never_looked_at() -> None:
    kit = ONE.model_copy(update={"limits": None})
    (without,), (with_limits,) = (played(SimulatedBench(k, "P1"), sweep(k)) for k in (kit, ONE))
    assert np.array_equal(without.samples, with_limits.samples)


def test_attempts_at_one_request_are_counted() -> None:
    bench = SimulatedBench(ONE, "P1")
    captures = played(bench, sweep(ONE), sweep(ONE), sweep(ONE, start_hz=30.0))
    assert [capture.attempt for capture in captures] == [1, 2, 1]


def test_samples_are_24_bit_steps() -> None:
    (capture,) = played(SimulatedBench(ONE, "P1"), sweep(ONE))
    assert capture.samples.dtype == np.float32
    steps = capture.samples.astype(float) * 2**23
    assert np.array_equal(steps, np.rint(steps))
    assert np.unique(steps % 256).size == 256


def test_an_input_turned_up_too_far_is_cut_off_at_full_scale() -> None:
    (clean,), (cut,) = (played(SimulatedBench(ONE, "P1", f), sweep(ONE)) for f in ([], ["clipping=6"]))
    assert np.max(np.abs(clean.samples)) < 0.9
    assert np.max(cut.samples[0]) == 1 - 2**-23
    assert np.min(cut.samples[0]) == -1
    assert np.count_nonzero(np.abs(cut.samples[0]) > 0.9999) > 1000
    assert np.array_equal(cut.samples[1], clean.samples[1])


def test_the_other_box_is_heard_from_further_away() -> None:
    bench = SimulatedBench(TWO, "P1", ambient_db=0.0)
    here, there = played(bench, sweep(TWO), sweep(TWO, "playing", "right", "left"))
    (f, near), (_, far) = direct(here), direct(there, 5.0)
    low = (f > 300) & (f < 700)
    way_m = np.hypot(1.0, 0.5)
    drivers = [sheet_of(box.coils[0]) for box in bench.unit.boxes]
    levels = [expected_pa_per_v(d, m) for d, m in zip(drivers, (0.5, way_m), strict=True)]
    found = np.sqrt(np.mean(np.abs(far[low]) ** 2) / np.mean(np.abs(near[low]) ** 2))
    assert 20 * np.log10(found) == pytest.approx(20 * np.log10(levels[1] / levels[0]), abs=0.7)


def test_in_real_time_one_sound_follows_the_other_while_the_caller_works(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    monkeypatch.setattr(time, "sleep", lambda seconds: clock.__setitem__(0, clock[0] + seconds))
    bench = SimulatedBench(ONE, "P1", faster=1.0)
    ends = []
    with bench.stage("playing") as player:
        for capture in player.play([sweep(ONE)] * 3):
            ends.append(clock[0] - 100.0)
            sound_s = capture.samples.shape[1] / 48000
            clock[0] += 0.2
    assert sound_s > 0.2
    assert ends == pytest.approx([sound_s, 2 * sound_s, 3 * sound_s])


def test_out_of_real_time_nobody_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "sleep", lambda _: pytest.fail("slept"))
    assert len(played(SimulatedBench(ONE, "P1"), sweep(ONE))) == 1


def test_what_the_bench_cannot_do_is_said() -> None:
    bench = SimulatedBench(ONE, "P1")
    with pytest.raises(BenchError, match="its stage is 'leads'"), bench.stage("playing") as player:
        list(player.play([sweep(ONE, "leads")]))
    with pytest.raises(BenchError, match=r"needs 2\.83 V .* it has 2 V"):
        played(bench, sweep(ONE, level_v=20.0))
    with pytest.raises(BenchError, match="device is gone"):
        played(SimulatedBench(ONE, "P1", ["unplugged"]), sweep(ONE))


def test_a_microphone_behind_a_box_is_said() -> None:
    deep = kit_of({"name": "left"}, {"name": "right", "place_m": [0.0, 1.0]})
    with pytest.raises(BenchError, match="see place_m in the kit"):
        played(SimulatedBench(deep, "P1"), sweep(deep, "playing", "right", "left"))
