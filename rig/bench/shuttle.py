"""The memory that the sound process shares with its parent, and the callback that empties and fills it.

Both sides count frames from the opening of the stream. Nothing waits on the callback and the callback waits on nothing.
"""

import multiprocessing
import time
from collections.abc import Sequence
from ctypes import c_float, c_int64
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Block = NDArray[np.float32]

#: The output goes from silence to full and back in so long; our choice.
RAMP_S = 0.03

#: What a driver may report of a block, bit by bit; our choice.
FLAGS = ("input underflow", "input overflow", "output underflow", "output overflow")
FLAG_LOG = 256

#: Places in the shared counters; by definition.
DONE, WRITTEN, STOP, FADED, FLAGGED, BLOCK, STREAMING, BROKEN, MOMENT = range(9)


@dataclass(frozen=True)
class Buffers:
    """Memory that both processes see."""

    ring_frames: int
    #: Numbers (from 1) of the device's outputs and inputs that are in use.
    outputs: tuple[int, ...]
    inputs: tuple[int, ...]
    ramp_frames: int
    counters: Any = field(repr=False)
    flag_log: Any = field(repr=False)
    playing: Any = field(repr=False)
    recording: Any = field(repr=False)

    def state(self) -> NDArray[np.int64]:
        """The counters, shape (9,)."""
        return np.frombuffer(self.counters, dtype=np.int64)

    def flags(self) -> NDArray[np.int64]:
        """Frame and bits of what the driver reported, shape (256, 2), written in a circle."""
        return np.frombuffer(self.flag_log, dtype=np.int64).reshape(FLAG_LOG, 2)

    def rings(self) -> tuple[Block, Block]:
        """What is to sound and what was heard, shapes (outputs, ring_frames) and (inputs, ring_frames)."""
        return tuple(  # type: ignore[return-value]
            np.frombuffer(memory, dtype=np.float32)[: count * self.ring_frames].reshape(count, self.ring_frames)
            for memory, count in ((self.playing, len(self.outputs)), (self.recording, len(self.inputs)))
        )


def allocate(ring_frames: int, outputs: Sequence[int], inputs: Sequence[int], sample_rate_hz: float) -> Buffers:
    """Shared memory for a stream."""
    context = multiprocessing.get_context("spawn")
    return Buffers(
        ring_frames=ring_frames,
        outputs=tuple(outputs),
        inputs=tuple(inputs),
        ramp_frames=max(1, round(RAMP_S * sample_rate_hz)),
        counters=context.RawArray(c_int64, MOMENT + 1),
        flag_log=context.RawArray(c_int64, 2 * FLAG_LOG),
        # A stream may only play or only record; memory of no size cannot be shared.
        playing=context.RawArray(c_float, max(1, ring_frames * len(outputs))),
        recording=context.RawArray(c_float, max(1, ring_frames * len(inputs))),
    )


class Shuttle:
    """The callback's work, in the child: copy between the rings and the driver's blocks.

    While streaming, whoever writes may be late, hang or be gone: the last of what is written is then faded out, and
    what comes after it fades in.
    """

    def __init__(self, buffers: Buffers) -> None:
        self._state = buffers.state()
        self._flags = buffers.flags()
        self._playing, self._recording = buffers.rings()
        self._size = buffers.ring_frames
        self._outputs = tuple(number - 1 for number in buffers.outputs)
        self._inputs = tuple(number - 1 for number in buffers.inputs)
        self._ramp_frames = buffers.ramp_frames
        self._step = 1.0 / buffers.ramp_frames
        self._gain = 0.0

    def process(self, recorded: Block, sounding: Block, bits: int = 0) -> None:
        """Fill `sounding` and store `recorded`, both of shape (frames, device channels)."""
        frames = len(sounding)
        at = int(self._state[DONE])
        if bits:
            count = int(self._state[FLAGGED])
            self._flags[count % FLAG_LOG] = (at, bits)
            self._state[FLAGGED] = count + 1
        if not frames:
            return
        # The driver's block is not empty when it comes: outputs that nobody uses must be silenced as well.
        sounding.fill(0)
        ready = min(max(int(self._state[WRITTEN]) - at, 0), frames)
        place = at % self._size
        first = min(ready, self._size - place)
        for ring, column in zip(self._playing, self._outputs, strict=True):
            sounding[:first, column] = ring[place : place + first]
            sounding[first:ready, column] = ring[: ready - first]
        self._ramp(sounding, frames, int(self._state[WRITTEN]) - at)
        first = min(frames, self._size - place)
        for ring, column in zip(self._recording, self._inputs, strict=True):
            ring[place : place + first] = recorded[:first, column]
            ring[: frames - first] = recorded[first:, column]
        self._state[BLOCK] = frames
        self._state[MOMENT] = time.monotonic_ns()
        self._state[DONE] = at + frames

    def _ramp(self, sounding: Block, frames: int, ahead: int) -> None:
        stop, streaming = bool(self._state[STOP]), bool(self._state[STREAMING])
        ending = streaming and ahead < frames + self._ramp_frames
        if ending or self._gain != (0.0 if stop else 1.0):
            step = -self._step if stop else self._step
            gain = np.clip(self._gain + step * np.arange(1, frames + 1), 0.0, 1.0)
            if ending:
                left = np.clip((ahead - np.arange(1, frames + 1)) * self._step, 0.0, 1.0)
                gain = np.minimum(gain, left)
                if not stop:
                    self._state[BROKEN] += int(np.count_nonzero(left < 1))
            sounding *= gain[:, np.newaxis]
            self._gain = float(gain[-1])
        elif stop:
            sounding.fill(0)
        self._state[FADED] = int(stop and self._gain == 0)
