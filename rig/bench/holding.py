"""A steady tone that is held while a person reads a meter, and what the inputs hear meanwhile."""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.bench.routing import Routing
from rig.bench.worker import WAKE_S, AudioProcess
from rig.files.errors import BenchSetupError

#: A tone comes and goes so slowly that nothing clicks; our choice.
FADE_S = 0.1
#: From writing a tone to its sounding; our choice.
LEAD_S = 0.05
#: After a tone's start so much is not listened to: latency, and what rings; our choice.
SETTLE_S = 1.0
#: What was heard may be fetched so much late; our choice.
LATE_S = 4.0


@dataclass(frozen=True)
class Tone:
    """A sine at the card's output."""

    frequency_hz: float
    #: RMS volts at the output, by what the bench believes of it.
    level_v: float
    #: It ends by itself after so long, whatever the person does.
    seconds: float = 50.0


class HeldTone:
    """A tone that sounds."""

    def __init__(self, audio: AudioProcess, routing: Routing, start: int, stop: int, peak: float) -> None:
        self._audio, self._routing, self._start, self._stop = audio, routing, start, stop
        #: Its peak in samples, full scale 1.0.
        self.peak = peak

    def is_sounding(self) -> bool:
        """Whether it sounds still.

        Raises
        ------
        BenchError
            If the device, its driver or the sound process failed meanwhile.
        """
        self._audio.check()
        return self._audio.done < self._stop

    def recorded(self, seconds: float) -> dict[str, NDArray[np.float64]]:
        """Role -> samples of the next so many seconds, shape (frames,), full scale 1.0.

        Raises
        ------
        BenchError
            If the device, its driver or the sound process fails.
        """
        rate_hz = self._routing.sample_rate_hz
        frames = round(seconds * rate_hz)
        first = max(self._audio.done, self._start + round(SETTLE_S * rate_hz))
        due_s = (first + frames - self._audio.done) / rate_hz
        self._audio.wait_for(first + frames, due_s + LATE_S)
        rows = self._audio.read(first, frames)
        return {
            role: rows[row].astype(np.float64)
            for role, row in zip(self._routing.roles, self._routing.rows, strict=True)
        }


@contextmanager
def held(audio: AudioProcess, routing: Routing, channel: str, tone: Tone) -> Iterator[HeldTone]:
    """Let a tone sound on a channel's outputs; on leaving it fades, and the output is silent.

    Raises
    ------
    BenchSetupError
        If the card cannot give that level, or nothing plays the channel.
    BenchError
        If the device, its driver or the sound process fails.
    """
    rate_hz, output_volts = routing.sample_rate_hz, routing.calibration.output_volts
    peak = tone.level_v * math.sqrt(2) / output_volts
    if not 0 < peak <= 1:
        raise BenchSetupError(
            f"a tone of {tone.level_v:g} V RMS needs {peak * output_volts:.3g} V peak at the card's output; allowed by "
            f"output_volts is up to {output_volts:g} V"
        )
    frames, fade = round(tone.seconds * rate_hz), round(FADE_S * rate_hz)
    wave = peak * np.sin(2 * np.pi * tone.frequency_hz / rate_hz * np.arange(frames))
    edge = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    wave[:fade] *= edge
    wave[frames - fade :] *= edge[::-1]
    start = max(audio.written, round(WAKE_S * rate_hz), audio.done + 2 * audio.block_frames + round(LEAD_S * rate_hz))
    audio.write(start, wave.astype(np.float32), routing.outputs_of(channel))
    try:
        yield HeldTone(audio, routing, start, start + frames, peak)
    finally:
        audio.silence()
