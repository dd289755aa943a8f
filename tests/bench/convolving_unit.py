"""A loudspeaker and its bench wiring as a JACK client that convolves: wired as `unit_client` has it, with any filters.

Run as a program it takes a file of impulse responses ("microphone", "sense") and a delay in frames for what only goes
through a cable; it says "ready", and ends when its standard input does.
"""

import contextlib
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from unit_client import INPUTS, OUTPUTS, running_client

NOISE = 1e-5


class Convolver:
    """A filter of finite length over blocks of any one size, by overlap and add."""

    def __init__(self, taps: np.ndarray) -> None:
        self._taps = taps
        self._left = np.zeros(taps.size)
        self._spectrum, self._size = np.zeros(0), 0

    def __call__(self, block: np.ndarray) -> np.ndarray:
        size = int(2 ** np.ceil(np.log2(block.size + self._taps.size)))
        if size != self._size:
            self._spectrum, self._size = np.fft.rfft(self._taps, size), size
        filtered = np.fft.irfft(np.fft.rfft(block, size) * self._spectrum, size)[: block.size + self._taps.size]
        filtered[: self._taps.size] += self._left
        self._left = filtered[block.size :]
        return filtered[: block.size]


def serve(filters: Mapping[str, np.ndarray], delay_frames: int) -> None:
    """Be the client until standard input ends."""
    import jack

    client = jack.Client("unit", no_start_server=True)
    played = [client.inports.register(f"in_{number + 1}") for number in range(OUTPUTS)]
    heard = [client.outports.register(f"out_{number + 1}") for number in range(INPUTS)]
    cable = np.zeros(delay_frames + 1)
    cable[-1] = 1.0
    # Microphone of the amplifier on output 1, loopback of output 3, drive and sense of output 4.
    ways = [(0, filters["microphone"]), (2, cable), (3, cable), (3, filters["sense"])]
    wired = [(source, Convolver(taps)) for source, taps in ways]
    random = np.random.default_rng(1)

    @client.set_process_callback
    def process(frames: int) -> None:
        blocks = [port.get_array().astype(np.float64) for port in played]
        for port, (source, convolver) in zip(heard, wired, strict=True):
            port.get_array()[:] = convolver(blocks[source]) + NOISE * random.standard_normal(frames)

    with client:
        print("ready", flush=True)
        sys.stdin.read()


def running_convolver(
    file: Path, filters: Mapping[str, np.ndarray], delay_frames: int
) -> contextlib.AbstractContextManager[subprocess.Popen]:
    """The client in a process of its own; its filters go through a file."""
    np.savez(file, **filters)
    return running_client(Path(__file__), str(file), str(delay_frames))


if __name__ == "__main__":
    with np.load(sys.argv[1]) as kept:
        serve(dict(kept), int(sys.argv[2]))
