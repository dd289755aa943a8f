"""The player on a stream that never existed: frames pass as soon as somebody waits for them."""

import numpy as np
import pytest

from rig.bench.player import StreamPlayer
from rig.bench.routing import Routing
from rig.values.captures import Calibration
from rig.values.requests import Sweep
from rig.verdict.examine import capture_troubles
from rig.verdict.spacing import PING

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
        self.done = max(self.done, frame)
        meanwhile()

    def write(self, start, samples, outputs):
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


def captures_of(stream):
    routing = Routing(lambda channel: (1,), ("loopback",), (0,), Calibration({"loopback": 1.0}, 2.0), RATE_HZ)
    return list(StreamPlayer(stream, routing, 2**20).play(REQUESTS))


@pytest.fixture(scope="module")
def steady():
    return captures_of(JumpingStream(2**20, 0))


def test_a_driver_that_loses_nothing_gives_every_capture(steady):
    assert [capture.request for capture in steady] == REQUESTS
    assert not any(capture_troubles(capture) for capture in steady)


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
