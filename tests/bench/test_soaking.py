"""Programmes through a stream that needs no sound card: what sounds when, what the rows say, and that it ends."""

import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from looped_stream import RATE_HZ, looped

from rig.bench import soaking
from rig.bench.answers import Answer
from rig.bench.routing import Routing
from rig.bench.shuttle import allocate
from rig.bench.soaking import Surroundings
from rig.bench.worker import AudioProcess
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.noise_shape import Noise
from rig.signals.programme import NoiseSource
from rig.values.captures import Calibration
from rig.values.requests import Guard, Programme, RoleGuard

GUARD = Guard((RoleGuard("heat sink", "celsius", upper=90.0),), 30.0, 5.0, 3.0, (0.6, 1.6))
PROGRAMME = Programme(
    stage="soak",
    channels=("left", "right"),
    at="left",
    position="front",
    level_v=2.0,
    path_gain=10.0,
    noise=Noise(),
    seconds=10.0,
    ramp_s=2.0,
    every_s=2.0,
    guard=GUARD,
)
REST = replace(PROGRAMME, level_v=0.0)
ROUTING = Routing(
    outputs_of={"left": (1, 3), "right": (2, 3)}.__getitem__,
    roles=("microphone", "loopback"),
    rows=(0, 2),
    calibration=Calibration({"microphone": 1.0, "loopback": 1.0}, 2.0),
    sample_rate_hz=RATE_HZ,
)
#: The looped stream hands back what it sounds one block later.
LAG = 512


def answer(value=40.0, text="40.0", trouble="", answered_s=float("inf")):
    return Answer(value, "celsius", text, answered_s, trouble)


ANSWERS = {"heat sink": answer(), "ambient": answer(21.0, "21.0")}


def around(**changes):
    settings = {
        "observe": lambda piece: ({"frames": float(piece.recorded.shape[1])}, ""),
        "latest": lambda: dict(ANSWERS),
        "supply": lambda: "mains",
        "cold_s": 2.0,
        "live_s": 1.0,
    }
    return Surroundings(**settings | changes)


@pytest.fixture
def audio(monkeypatch):
    """A looped stream, four times as fast as the clock."""
    monkeypatch.setattr(soaking, "CLOCK_STEP_S", 10.0)
    running = AudioProcess(looped, allocate(round(60 * RATE_HZ), (1, 2, 3), (1, 2, 3), RATE_HZ), {"speed": 4})
    running.wait_for(4096, 20)
    yield running
    running.kill()


def soak(audio, programme=PROGRAMME, from_s=0.0, **changes):
    return soaking.Soak(audio, ROUTING, around(**changes), programme, from_s).rows()


def test_each_second_has_its_own_noise_at_its_own_level(audio):
    heard = []

    def observe(piece):
        heard.append(piece)
        return {}, ""

    rows = list(soak(audio, observe=observe))
    assert [row.seconds for row in rows] == pytest.approx([2, 4, 6, 8, 10])
    assert [row.state for row in rows] == ["cold", "ramp", "playing", "playing", "playing"]
    assert not any(row.event for row in rows)
    level = PROGRAMME.level_v / PROGRAMME.path_gain / 2.0
    sound = np.concatenate([piece.recorded for piece in heard], axis=1)
    sent = {channel: np.concatenate([piece.sent_v[channel] for piece in heard]) for channel in ("left", "right")}
    seconds = np.arange(sent["left"].size) / RATE_HZ
    for n, channel in enumerate(("left", "right")):
        expected = NoiseSource(PROGRAMME.noise, RATE_HZ, n).read(seconds.size) * PROGRAMME.level_v
        expected *= soaking.envelope(PROGRAMME, seconds, 2.0)
        late = seconds > soaking.RISE_S
        np.testing.assert_allclose(sent[channel][late], expected[late], atol=1e-6)
    # The box at the microphone plays "left", and the loopback carries it as well.
    for row in sound:
        np.testing.assert_allclose(row[LAG:], sent["left"][:-LAG] / 10.0 / 2.0, atol=1e-6)
    assert np.std(sound[0, -96000:]) == pytest.approx(level, rel=0.05)
    assert np.std(sound[0, 24000:72000]) == pytest.approx(level * 0.1, rel=0.1)
    assert np.max(np.abs(sound)) <= level * PROGRAMME.noise.crest_factor


def test_rows_that_do_not_fill_the_time_end_with_a_short_one(audio):
    doubtful = replace(ROUTING, calibration=replace(ROUTING.calibration, doubts={"output": "too old"}))
    rows = list(soaking.Soak(audio, doubtful, around(), replace(PROGRAMME, seconds=3.0)).rows())
    assert [row.doubts for row in rows] == [{"output": "too old"}] * 2
    assert [(row.seconds, row.values["frames"]) for row in rows] == [(2.0, 96000), (3.0, 48000)]


def test_a_programme_that_goes_on_rises_from_silence_and_says_so(audio):
    heard = []

    def observe(piece):
        heard.append(piece.sent_v["left"])
        return {}, ""

    rows = list(soak(audio, from_s=4.0, observe=observe))
    assert [row.seconds for row in rows] == pytest.approx([6, 8, 10])
    assert [row.state for row in rows] == ["gap", "playing", "playing"]
    played = np.concatenate(heard)
    source = NoiseSource(PROGRAMME.noise, RATE_HZ, 0)
    source.seek(round(4 * RATE_HZ))
    noise = source.read(played.size) * PROGRAMME.level_v
    full = round(PROGRAMME.ramp_s * RATE_HZ)
    np.testing.assert_allclose(played[full:], noise[full:], atol=1e-6)
    # An eighth of the way up, half a cosine is at 4 %.
    assert np.all(np.abs(played[: full // 8]) <= 0.04 * np.abs(noise[: full // 8]) + 1e-6)
    assert np.all(np.abs(played[:full]) <= np.abs(noise[:full]) + 1e-6)


def test_in_the_rest_nothing_sounds_and_everything_is_read_on(audio):
    rows = list(
        soak(audio, replace(REST, seconds=4.0), observe=lambda piece: ({"peak": np.abs(piece.recorded).max()}, ""))
    )
    assert [row.state for row in rows] == ["rest", "rest"]
    assert [row.values for row in rows] == [{"peak": 0.0, "celsius.heat sink": 40.0, "celsius.ambient": 21.0}] * 2
    assert rows[0].answers == {"heat sink": "40.0", "ambient": "21.0"}


def silent_after_s(audio, end):
    """How long something was still heard after `end()` was called; by the stream's own frames."""
    called = audio.done
    end()
    audio.wait_for(called + round(0.6 * RATE_HZ), 20)
    heard = audio.read(called, round(0.5 * RATE_HZ))
    loud = np.flatnonzero(np.any(heard != 0, axis=0))
    assert loud.size
    return (loud[-1] + 1 - LAG) / RATE_HZ


@pytest.fixture
def real_time():
    """A looped stream as fast as the clock."""
    running = AudioProcess(looped, allocate(round(60 * RATE_HZ), (1, 2, 3), (1, 2, 3), RATE_HZ), {"speed": 1})
    running.wait_for(4096, 20)
    yield running
    running.kill()


def test_closing_silences_within_a_tenth_of_a_second(real_time):
    rows = soak(real_time, replace(PROGRAMME, every_s=0.5))
    next(rows)
    took_s = silent_after_s(real_time, rows.close)
    print(f"\nsilent {1e3 * took_s:.0f} ms after closing")
    assert took_s < 0.1


def test_an_error_of_the_caller_silences_as_well(real_time):
    def take():
        for _ in soak(real_time, replace(PROGRAMME, every_s=0.5)):
            raise ZeroDivisionError

    def fail():
        with pytest.raises(ZeroDivisionError):
            take()

    called = real_time.done
    fail()
    real_time.wait_for(real_time.done + 12000, 20)
    assert real_time.read(called, real_time.done - called - 6000).any()
    assert not real_time.read(real_time.done - 6000, 6000).any()


def test_an_analysis_that_fails_ends_the_sound(real_time):
    def observe(piece):
        raise FloatingPointError("nothing to be seen")

    with pytest.raises(FloatingPointError):
        next(soak(real_time, replace(PROGRAMME, every_s=0.5), observe=observe))
    real_time.wait_for(real_time.done + 6000, 20)
    assert not real_time.read(real_time.done - 4000, 4000).any()


def test_a_caller_who_does_not_come_back_leaves_silence_and_the_row_says_so(audio):
    """Four times as fast: what is written ahead lasts less than half a second."""

    def observe(piece):
        return {"sent": np.ptp(np.append(0, piece.sent_v["left"])), "heard": np.ptp(piece.recorded[0])}, ""

    # What an earlier sound has left in the ring.
    audio.write(audio.done + 4096, np.full(round(59 * RATE_HZ), 0.5, np.float32), [1, 2, 3])
    audio.silence()
    rows = soak(audio, replace(PROGRAMME, seconds=30.0), observe=observe)
    next(rows)
    # Rows long, by the stream's own clock; nothing but a hang takes a minute.
    audio.wait_for(audio.done + round(8 * RATE_HZ), 60.0)
    assert not audio.read(audio.done - 9600, 9600).any()
    late, after = next(rows), [next(rows) for _ in range(6)]
    # In the row in which nothing sounded, what was sent is nothing too.
    assert (after[0].values["sent"], after[0].values["heard"]) == (0.0, 0.0)
    assert "the sound broke off for" in late.event + after[0].event
    assert not any("broke off" in row.event for row in after[-3:])
    # And it sounds again.
    assert np.std(audio.read(audio.done - 9600, 9600)[0]) > 0.05
    rows.close()


def test_missing_values_are_absent_and_troubles_are_told_once(audio):
    told = iter(
        [
            ANSWERS,
            ANSWERS,
            ANSWERS | {"heat sink": answer(float("nan"), "+OVLD", "no answer")},
            ANSWERS | {"heat sink": answer(float("nan"), "40.0", "no answer for 4 s", 0.1)},
            *[ANSWERS] * 2,
        ]
    )
    rows = list(soak(audio, latest=lambda: dict(next(told)), observe=lambda piece: ({}, "")))[:4]
    assert ["celsius.heat sink" in row.values for row in rows] == [True, False, False, True]
    assert [row.event for row in rows] == ["", "heat sink: no answer", "", "heat sink: all right again"]
    assert [row.answers.get("heat sink") for row in rows] == ["40.0", "+OVLD", None, "40.0"]


def test_a_pulled_mains_plug_and_the_driver_s_flags_are_told():
    buffers = allocate(round(60 * RATE_HZ), (1, 2, 3), (1, 2, 3), RATE_HZ)
    audio = AudioProcess(looped, buffers, {"speed": 4, "flag_at": 512 * 300})
    supplies = iter(["mains", "battery", "battery", "mains", "mains"])
    try:
        rows = list(soak(audio, supply=lambda: next(supplies)))
    finally:
        audio.kill()
    told = [row.event for row in rows]
    assert sum("input overflow" in words for words in told) == 1
    assert "power: the computer runs on its battery" in told[1]
    assert "power: all right again" in told[3]


def test_no_instrument_no_sound(audio):
    silent = {"heat sink": answer(float("nan"), "", "no answer"), "ambient": answer()}
    began = audio.done
    with pytest.raises(BenchError, match=r"heat sink \(TCPIP::here\): no answer; .*kitproof instruments"):
        next(soak(audio, latest=lambda: silent, addresses={"heat sink": "TCPIP::here"}))
    with pytest.raises(BenchError, match="ambient"):
        next(soak(audio, latest=lambda: {"heat sink": answer()}))
    assert audio.written == 0
    assert not audio.read(began, audio.done - began).any()


@pytest.mark.parametrize(
    ("programme", "words"),
    [
        (replace(PROGRAMME, level_v=10.5), "crest factor 2.*up to 2 V"),
        (replace(PROGRAMME, level_v=float("nan")), "output_volts"),
        (replace(PROGRAMME, channels=("left", "left too")), "no output of its own for 'left too'"),
    ],
)
def test_what_the_card_cannot_play_is_refused(audio, programme, words):
    routing = replace(ROUTING, outputs_of=lambda channel: (1, 3) if channel.startswith("left") else (2, 3))
    with pytest.raises(BenchSetupError, match=words):
        soaking.Soak(audio, routing, around(), programme)


def test_the_clock_s_jumps_are_told(audio, monkeypatch):
    offset = [0.0]
    clock = SimpleNamespace(time=lambda: time.monotonic() + offset[0], monotonic=time.monotonic, sleep=time.sleep)
    monkeypatch.setattr(soaking, "time", clock)
    rows = soak(audio)
    next(rows)
    offset[0] = 3600.0
    assert "the clock moved +3" in next(rows).event
    assert "clock" not in next(rows).event
    rows.close()


@pytest.mark.parametrize(
    ("span", "state"),
    [
        ((0, 5), "cold"),
        ((15, 20), "cold"),
        ((18, 23), "ramp"),
        ((25, 30), "ramp"),
        ((29, 34), "ramp"),
        ((30, 35), "playing"),
    ],
)
def test_a_row_that_is_only_in_part_at_a_level_is_of_the_ramp(span, state):
    assert soaking.state_of(replace(PROGRAMME, ramp_s=10.0), *span, 20.0) == state
