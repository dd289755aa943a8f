"""Sound in a process of its own, and the hand on its switch.

The bench writes what is to sound at which frame into a ring and reads from another ring what was heard at which frame;
the callback in the child only copies. This module knows no sound library.
"""

import contextlib
import multiprocessing
import signal
import time
from collections.abc import Callable, Mapping, Sequence
from multiprocessing.connection import Connection
from typing import Any

import numpy as np

from rig.bench.shuttle import (
    BLOCK,
    BROKEN,
    DONE,
    FADED,
    FLAG_LOG,
    FLAGGED,
    FLAGS,
    MOMENT,
    STOP,
    STREAMING,
    WRITTEN,
    Block,
    Buffers,
)
from rig.files.errors import BenchError, BenchSetupError

#: Opening: the process starts, the library looks for devices, the driver starts; our choice.
OPEN_DEADLINE_S = 30.0
CLOSE_DEADLINE_S = 3.0
#: A driver that hands over nothing for so long hangs, or its device is gone; our choice.
HEARTBEAT_S = 2.0
#: Silence after the opening: a device that wakes swallows the first sound; our choice.
WAKE_S = 0.4
POLL_S = 0.01

#: (connection, buffers, the target's own settings); runs in the child.
Target = Callable[[Connection, Buffers, Any], None]


def serve(link: Connection, buffers: Buffers, is_active: Callable[[], bool]) -> None:
    """Stay in the child while the stream runs: until the parent says so, is gone, or the stream ends.

    The output is silent on return, unless the stream itself has ended.
    """
    state = buffers.state()
    words = ""
    while not words:
        try:
            if link.poll(0.05):
                link.recv()
                break
        except (EOFError, OSError):
            break
        if not is_active():
            words = "the stream ended by itself; is the device still plugged in?"
    state[STOP] = 1
    deadline = time.monotonic() + 0.5
    while not state[FADED] and is_active() and time.monotonic() < deadline:
        time.sleep(0.005)
    if words:
        with contextlib.suppress(OSError):
            link.send(("error", words))


def ignore_interrupt() -> None:
    """For the child: Ctrl-C goes to the parent, which fades the sound and then ends the child."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class AudioProcess:
    """The parent's hand on the child: opening, the two rings, stopping, and the end by force.

    Parameters
    ----------
    target : Target
        Runs in the child: opens the stream, sends ("open", facts) or ("error", words) or ("setup", words), serves.
    buffers : Buffers
        From `allocate`.
    job
        What the target needs to know; must pickle.
    """

    def __init__(self, target: Target, buffers: Buffers, job: object, open_deadline_s: float = OPEN_DEADLINE_S) -> None:
        self._buffers = buffers
        self._state = buffers.state()
        self._playing, self._recording = buffers.rings()
        context = multiprocessing.get_context("spawn")
        self._link, theirs = context.Pipe()
        self._process = context.Process(target=target, args=(theirs, buffers, job), daemon=True, name="kitproof sound")
        self._process.start()
        theirs.close()
        self._beat = (0, time.monotonic())
        try:
            #: What the child found on opening.
            self.facts: dict[str, Any] = self._opened(open_deadline_s)
        except BaseException:
            self.kill()
            raise

    @property
    def pid(self) -> int | None:
        """Process id of the child."""
        return self._process.pid

    @property
    def done(self) -> int:
        """Frames that the driver has taken and given since the opening."""
        return int(self._state[DONE])

    @property
    def moment(self) -> tuple[int, float]:
        """Frames that are done, and when the last of them was, in seconds of the clock that nobody sets."""
        while True:
            done, nanoseconds = self.done, int(self._state[MOMENT])
            if done == self.done:
                return done, nanoseconds * 1e-9

    @property
    def block_frames(self) -> int:
        """Length of the block that the driver handed over last."""
        return int(self._state[BLOCK])

    @property
    def written(self) -> int:
        """Frame up to which it is settled what will sound."""
        return int(self._state[WRITTEN])

    @property
    def is_streaming(self) -> bool:
        """Whether a stream has begun and nobody has silenced it."""
        return bool(self._state[STREAMING])

    @property
    def broken(self) -> int:
        """Frames for which a stream sounded faded or not at all, because nothing more had been written."""
        return int(self._state[BROKEN])

    def stream(self) -> None:
        """From now on, until `silence`, what is written is an endless sound that may break off: its end is faded."""
        self._state[BROKEN] = 0
        self._state[STREAMING] = 1

    def _opened(self, deadline_s: float) -> dict[str, Any]:
        deadline = time.monotonic() + deadline_s
        while not self._link.poll(0.05):
            if not self._process.is_alive() and not self._link.poll(0.1):
                raise BenchError(f"the sound process ended while opening (exit code {self._process.exitcode})")
            if time.monotonic() > deadline:
                raise BenchError(
                    f"the sound device did not open within {deadline_s:g} s; unplug it, plug it in and try again"
                )
        try:
            kind, content = self._link.recv()
        except (EOFError, OSError):
            raise BenchError("the sound process ended while opening") from None
        if kind == "open":
            self._beat = (0, time.monotonic())
            return dict(content)
        raise (BenchSetupError if kind == "setup" else BenchError)(str(content))

    def check(self) -> None:
        """See that the child lives and the driver keeps handing over blocks.

        Raises
        ------
        BenchError
            If not. The child is ended by force first, so that nothing sounds on.
        """
        words = ""
        try:
            if self._link.poll(0):
                words = str(self._link.recv()[1])
        except (EOFError, OSError):
            words = "the sound process ended"
        now, done = time.monotonic(), self.done
        if done != self._beat[0]:
            self._beat = (done, now)
        elif not words and now - self._beat[1] > HEARTBEAT_S:
            words = f"the sound device has handed over nothing for {HEARTBEAT_S:g} s; is it still plugged in?"
        if not words and not self._process.is_alive():
            words = f"the sound process died (exit code {self._process.exitcode})"
        if words:
            self.kill()
            raise BenchError(words)

    def wait_for(
        self, frame: int, deadline_s: float, meanwhile: Callable[[], None] = lambda: None, poll_s: float = POLL_S
    ) -> None:
        """Wait until `frame` frames are done.

        Raises
        ------
        BenchError
            As `check`, or when the deadline passes.
        """
        deadline = time.monotonic() + deadline_s
        # The caller may have been away for longer than a heartbeat.
        self._beat = (-1, time.monotonic())
        while self.done < frame:
            self.check()
            if time.monotonic() > deadline:
                self.kill()
                raise BenchError(
                    f"the sound did not come back within {deadline_s:.1f} s; the driver is too slow or hangs"
                )
            meanwhile()
            time.sleep(poll_s)

    def write(self, start: int, samples: Block, outputs: Sequence[int]) -> None:
        """Let `samples`, shape (frames,), sound from frame `start` on at some outputs; the others are silent then."""
        self.write_each(start, dict.fromkeys(outputs, samples))

    def write_each(self, start: int, signals: Mapping[int, Block]) -> None:
        """Let a signal of its own, each of shape (frames,), sound at each output; outputs not named are silent."""
        frames = max(len(samples) for samples in signals.values())
        # A stream's break was silence too, for whoever asks what was sent.
        silence_from = max(self.written, start - self._buffers.ring_frames if self.is_streaming else self.done)
        self._put(self._playing, silence_from, np.zeros((len(self._playing), max(start - silence_from, 0)), np.float32))
        rows = np.zeros((len(self._playing), frames), dtype=np.float32)
        for number, samples in signals.items():
            rows[self._buffers.outputs.index(number)] = samples
        self._put(self._playing, start, rows)
        self._state[WRITTEN] = start + frames

    def _put(self, ring: Block, start: int, rows: Block) -> None:
        place = start % self._buffers.ring_frames
        first = min(rows.shape[1], self._buffers.ring_frames - place)
        ring[:, place : place + first] = rows[:, :first]
        ring[:, : rows.shape[1] - first] = rows[:, first:]

    def read(self, start: int, frames: int) -> Block:
        """What was heard from frame `start` on, shape (inputs, frames).

        Raises
        ------
        BenchError
            If it has been overwritten since.
        """
        recorded = self._get(self._recording, start, frames)
        # A block's worth of margin: the callback counts a block only when it has written it.
        if self.done - start > self._buffers.ring_frames - 16384:
            raise BenchError(
                "the recording was not fetched in time and has been overwritten; is the computer too busy?"
            )
        return recorded

    def sent(self, start: int, frames: int, output: int) -> Block:
        """What was written for an output from frame `start` on, shape (frames,), without any fading.

        Raises
        ------
        BenchError
            If it has been overwritten since.
        """
        if self.written - start > self._buffers.ring_frames:
            raise BenchError("what was played has been overwritten; is the computer too busy?")
        row = self._buffers.outputs.index(output)
        (samples,) = self._get(self._playing[row : row + 1], start, frames)
        return np.asarray(samples, dtype=np.float32)

    def _get(self, ring: Block, start: int, frames: int) -> Block:
        place = start % self._buffers.ring_frames
        first = min(frames, self._buffers.ring_frames - place)
        return np.concatenate((ring[:, place : place + first], ring[:, : frames - first]), axis=1)

    def flags_between(self, start: int, stop: int) -> tuple[str, ...]:
        """What the driver reported between two frames."""
        bits = 0
        for frame, found in self._buffers.flags()[: min(int(self._state[FLAGGED]), FLAG_LOG)]:
            if start <= frame < stop:
                bits |= int(found)
        return tuple(name for bit, name in enumerate(FLAGS) if bits & (1 << bit))

    def silence(self) -> None:
        """Fade out what sounds and forget what was to sound; the stream stays open.

        Raises
        ------
        BenchError
            As `check`.
        """
        if not self._process.is_alive():
            return
        self._state[STOP] = 1
        deadline = time.monotonic() + HEARTBEAT_S
        while not self._state[FADED]:
            self.check()
            if time.monotonic() > deadline:
                self.kill()
                raise BenchError("the sound did not stop when told to; the sound process was ended")
            time.sleep(POLL_S)
        self._state[WRITTEN] = 0
        self._state[STREAMING] = 0
        self._state[STOP] = 0
        # What is written next must not fall into the way back up.
        self.wait_for(self.done + self._buffers.ramp_frames + self.block_frames, HEARTBEAT_S)

    def close(self) -> None:
        """Fade out, close the device and end the child; by force when it does not do so in time."""
        self._state[STOP] = 1
        with contextlib.suppress(OSError):
            self._link.send("close")
        self._process.join(CLOSE_DEADLINE_S)
        self.kill()

    def kill(self) -> None:
        """End the child now, whatever it does."""
        if self._process.is_alive():
            self._process.kill()
        self._process.join(CLOSE_DEADLINE_S)
        self._link.close()
