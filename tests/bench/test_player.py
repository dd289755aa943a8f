"""The player on a stream that never existed: frames pass as soon as somebody waits for them."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rig.bench.player import StreamPlayer
from rig.bench.routing import Routing
from rig.signals.stimulus import mark_band_hz
from rig.values.captures import Calibration
from rig.values.requests import Marks, Sweep
from rig.verdict.examine import capture_troubles
from rig.verdict.spacing import PING, PLAYING, SILENCE, in_a_row, joined

RATE_HZ = 48000.0
LATENCY = 2048
REQUESTS = [
    Sweep("playing", "left", "left", 1.0, 1.0, 100.0, 20000.0, 0.3, "front", code=code, spacing=PING)
    for code in (40, 3, 17, 25)
]


class JumpingStream:
    """A loop through a cable from one output to one input, whose driver loses or doubles some frames and says nothing.

    Parameters
    ----------
    at : frame of the recording from which on it is so
    later : frames by which what comes after that comes later; negative: frames that were lost
    """

    block_frames = 256

    def __init__(self, at: int, later: int) -> None:
        self.at, self.later = at, later
        self.done = self.written = 0
        noise = np.random.default_rng(1).normal(0.0, 1e-5, 2**20)
        self._played, self._noise = np.zeros(2**20, np.float32), noise.astype(np.float32)

    def wait_for(self, frame, deadline_s, meanwhile=lambda: None):
        while self.done < frame:
            self.done = min(self.done + self.block_frames, frame)
            meanwhile()

    def write(self, start, samples, outputs):
        assert not np.any(samples[: max(self.done - start, 0)])
        self._played[start : start + samples.size] = samples
        self.written = start + samples.size

    def read(self, start, frames):
        assert start >= 0
        assert start + frames <= self.done
        at = np.arange(start, start + frames)
        sent = at - LATENCY - np.where(at >= self.at, self.later, 0)
        heard = self._played[np.clip(sent, 0, None)] * (sent >= 0)
        return (heard + self._noise[at])[np.newaxis]

    def flags_between(self, start, stop):
        return ()


def player(stream):
    routing = Routing(lambda channel: (1,), ("loopback",), (0,), Calibration({"loopback": 1.0}, 2.0), RATE_HZ)
    return StreamPlayer(stream, routing, 2**20)


def captures_of(stream):
    return list(player(stream).play(REQUESTS))


@pytest.fixture(scope="module")
def steady():
    return captures_of(JumpingStream(2**20, 0))


def test_a_driver_that_loses_nothing_gives_every_capture(steady):
    assert [capture.request for capture in steady] == REQUESTS
    assert not any(capture_troubles(capture) for capture in steady)


def test_the_next_stimulus_begins_in_the_frame_after_the_last_one():
    stream = JumpingStream(2**20, 0)
    captures = list(player(stream).play(REQUESTS))
    assert stream.written == round(0.4 * RATE_HZ) + sum(capture.layout.frames for capture in captures)


def test_the_first_look_of_a_stream_is_as_long_as_the_next_or_they_could_not_agree():
    stream = player(JumpingStream(2**20, 0))
    looks = [capture for _ in range(2) for capture in stream.play(REQUESTS[:1])]
    assert looks[0].samples.shape == looks[1].samples.shape


@pytest.mark.parametrize("sounding", [0, 1])
@pytest.mark.parametrize("later", [-8192, -4096, -256, 256, 4096, 8192])
def test_what_a_driver_drops_or_doubles_in_silence_spoils_the_capture_that_sounds_and_no_other(later, sounding, steady):
    plans = [request.layout(RATE_HZ) for request in REQUESTS]
    begins = round(0.4 * RATE_HZ) + sum(plan.frames for plan in plans[:sounding])
    captures = captures_of(JumpingStream(begins + plans[sounding].sweep_start + LATENCY + 12000, later))
    assert [n for n, capture in enumerate(captures) if capture_troubles(capture)] == [sounding]
    if not sounding:
        return
    # The stimulus lies where it did before, so that looks at one unit can be compared.
    for capture, before in zip(captures[2:], steady[2:], strict=True):
        plan = capture.layout
        heard, expected = (each.samples[0, : plan.frames] for each in (capture, before))
        assert capture.samples.shape == before.samples.shape
        assert np.max(np.abs(heard - expected)) < 1e-3


def quiet_and_loud():
    """A quiet sweep and a silence at one place, and the loud sweep there."""
    ping = Sweep("playing", "left", "left", 0.1, 1.0, 100.0, 20000.0, 0.3, "front", code=7, spacing=PING)
    loud = replace(ping, level_v=1.0, seconds=0.5, code=9, spacing=PLAYING)
    marks = Marks(0.8, *mark_band_hz(100.0, 20000.0))
    silence = replace(loud, level_v=0.0, seconds=1.0, marks=marks, code=8, spacing=SILENCE)
    return (*in_a_row([ping], [silence, loud]),)


def test_what_comes_right_behind_shares_the_mark_and_each_capture_is_whole():
    (ping,), (silence, loud) = quiet_and_loud()
    stream = JumpingStream(2**20, 0)
    asked_at = []

    def then():
        asked_at.append(stream.done)
        return [joined(silence, loud)]

    captures = list(player(stream).play([ping, silence], then))
    assert [capture.request for capture in captures] == [ping, silence, loud]
    assert [capture.request.spacing.joined for capture in captures] == [False, True, True]
    assert not any(capture_troubles(capture) for capture in captures)
    plans = [capture.layout for capture in captures]
    starts = [round(0.4 * RATE_HZ)]
    for before, plan in pairwise(plans):
        starts.append(starts[-1] + before.mark_after - plan.mark_before)
    assert stream.written == starts[-1] + plans[-1].frames
    # Between the silence's marks it is silent, and the loud sweep's own silence is the end of that.
    quiet = captures[1].samples[0, plans[1].between_marks.start + LATENCY : plans[1].mark_after + LATENCY]
    for silent in (quiet, captures[2].samples[0, : plans[2].mark_before + LATENCY]):
        assert np.max(np.abs(silent)) < 1e-4
    # What follows is asked for as late as can be, and once.
    assert len(asked_at) == 1
    assert 0 < starts[1] + plans[1].mark_after - asked_at[0] < round(0.53 * RATE_HZ)


def test_what_is_not_known_in_time_is_played_by_itself_and_reads_alike():
    (ping,), (silence, loud) = quiet_and_loud()
    stream = JumpingStream(2**20, 0)

    def late():
        stream.done += round(0.6 * RATE_HZ)
        return [joined(silence, loud)]

    captures = list(player(stream).play([ping, silence], late))
    assert [capture.request.spacing.joined for capture in captures] == [False, True, False]
    assert not any(capture_troubles(capture) for capture in captures)
    joint = list(player(JumpingStream(2**20, 0)).play([ping, silence], lambda: [joined(silence, loud)]))
    assert captures[2].layout == joint[2].layout


def test_nothing_behind_is_asked_of_somebody_who_comes_too_late():
    (ping,), (silence, _) = quiet_and_loud()
    stream = JumpingStream(2**20, 0)
    running = player(stream).play([ping, silence], lambda: pytest.fail("asked"))
    next(running)
    stream.done += round(2.0 * RATE_HZ)
    assert [capture.request for capture in running] == [silence]


def test_marks_of_other_outputs_or_of_another_level_are_not_shared():
    (ping,), (silence, loud) = quiet_and_loud()
    assert not joined(replace(silence, channel="right"), loud).spacing.joined
    assert not joined(silence, replace(loud, level_v=2.0)).spacing.joined
    assert not joined(silence, replace(loud, spacing=PLAYING)).spacing.joined
    # Nor are those of two sweeps: what the room still answers to one is no silence of the other.
    assert not joined(ping, replace(loud, level_v=ping.level_v, spacing=ping.spacing)).spacing.joined
    stream = JumpingStream(2**20, 0)
    louder = replace(silence, spacing=replace(silence.spacing, joined=True), marks=replace(silence.marks, level_v=0.7))
    captures = list(player(stream).play([ping, louder]))
    assert not captures[1].request.spacing.joined
    assert not any(capture_troubles(capture) for capture in captures)
