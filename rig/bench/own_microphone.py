"""A microphone that is a device of its own: a second stream beside the card's, and which of its frames belong to which.

The two streams count frames by clocks of their own, and nothing joins them but the time of day at which each driver
handed over its last block. That is good to a block or so: enough to cut a recording generously around a stimulus, which
then tells by its own marks where it lies.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rig.bench.base import OWN_DEVICE_EARLY_S
from rig.bench.worker import WAKE_S, AudioProcess

#: A recording may come so much later than its sound lasts; our choice.
LATE_S = 4.0

Block = NDArray[np.float32]


class OwnMicrophone:
    """The stream of a microphone with a clock of its own.

    Parameters
    ----------
    audio : AudioProcess
        Open; records one input and plays nothing.
    sample_rate_hz : float
        Of both streams, as they state it.
    """

    role = "microphone"

    def __init__(self, audio: AudioProcess, sample_rate_hz: float) -> None:
        self._audio = audio
        self._rate_hz = sample_rate_hz

    def wake(self) -> None:
        """Wait until there is enough before whatever may be asked for.

        Raises
        ------
        BenchError
            If the device, its driver or its process fails.
        """
        wake_s = WAKE_S + 2 * OWN_DEVICE_EARLY_S
        self._audio.wait_for(round(wake_s * self._rate_hz), wake_s + LATE_S)

    def frame_at(self, card: AudioProcess, frame: int) -> int:
        """The frame that this stream was at when the card was at a frame of its own."""
        theirs, their_s = card.moment
        mine, my_s = self._audio.moment
        return mine + round((their_s - my_s) * self._rate_hz) + frame - theirs

    def recorded(
        self, card: AudioProcess, start: int, frames: int, meanwhile: Callable[[], None]
    ) -> tuple[Block, tuple[str, ...]]:
        """What was heard around some frames of the card, shape (frames,), and what the driver reported of it.

        It begins `OWN_DEVICE_EARLY_S` early.

        Raises
        ------
        BenchError
            If the device, its driver or its process fails.
        """
        first = max(self.frame_at(card, start) - round(OWN_DEVICE_EARLY_S * self._rate_hz), 0)
        due_s = max(first + frames - self._audio.done, 0) / self._rate_hz
        self._audio.wait_for(first + frames, due_s + LATE_S, meanwhile)
        flags = self._audio.flags_between(first, first + frames)
        return self._audio.read(first, frames)[0], tuple(f"{self.role}: {flag}" for flag in flags)
