"""A microphone with a clock of its own as a JACK client: it hands on another client's output, resampled.

A server without hardware has one clock for all its clients. This client stands between the unit and the rig, appears to
PortAudio as a sound device with one input, and gives `1 + ppm` samples for each that it takes: what a converter on
another clock does to a sound. Its interpolator is a windowed sinc of its own.

Run as a program it takes its settings as JSON, says "ready", and ends when its standard input does.
"""

import contextlib
import json
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from unit_client import running_client

#: Samples on each side that are interpolated over.
REACH = 24
#: Windowed sinc over the distance in samples, fine enough for straight lines in between.
DISTANCE = np.linspace(-REACH, REACH, 2 * REACH * 1024 + 1)
KERNEL = np.sinc(DISTANCE) * np.i0(9 * np.sqrt(np.maximum(1 - (DISTANCE / REACH) ** 2, 0))) / np.i0(9)
#: Held back, so that a faster reader finds what it asks for: enough for two minutes at 300 ppm.
HELD_BACK = 2400


@dataclass(frozen=True)
class ResamplerSettings:
    """What is handed on, and by which clock."""

    ppm: float
    source: str = "unit:out_1"
    name: str = "usb-microphone"


class Resampler:
    """A stream read at steps of `1 / (1 + ppm)`, block by block."""

    def __init__(self, ppm: float) -> None:
        self._step = 1 / (1 + ppm * 1e-6)
        self._held = np.zeros(HELD_BACK)
        #: Where the next sample is read, in samples of `_held`.
        self._position = float(REACH)

    def __call__(self, block: np.ndarray) -> np.ndarray:
        self._held = np.concatenate((self._held, block))
        at = self._position + self._step * np.arange(block.size)
        whole = np.floor(at).astype(int)
        offsets = np.arange(1 - REACH, REACH + 1)
        distance = at[:, np.newaxis] - (whole[:, np.newaxis] + offsets)
        weights = np.interp(distance, DISTANCE, KERNEL)
        given = np.sum(weights * self._held[whole[:, np.newaxis] + offsets], axis=1)
        done = whole[-1] - 2 * REACH
        self._position += self._step * block.size - done
        self._held = self._held[done:]
        return given


def serve(settings: ResamplerSettings) -> None:
    """Be the client until standard input ends."""
    import jack

    client = jack.Client(settings.name, no_start_server=True)
    taken, given = client.inports.register("in_1"), client.outports.register("out_1")
    resampler = Resampler(settings.ppm)

    @client.set_process_callback
    def process(frames: int) -> None:
        given.get_array()[:] = resampler(taken.get_array().astype(np.float64))

    with client:
        client.connect(settings.source, taken)
        print("ready", flush=True)
        sys.stdin.read()


def running_resampler(settings: ResamplerSettings) -> contextlib.AbstractContextManager[subprocess.Popen]:
    """The client in a process of its own, on the server that the environment names."""
    return running_client(Path(__file__), json.dumps(asdict(settings)))


if __name__ == "__main__":
    serve(ResamplerSettings(**json.loads(sys.argv[1])))
