"""One output of a card at a time, all inputs at once, before anybody has said what they are connected to."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Literal, Protocol

import numpy as np

from rig.bench.settings import DeviceSettings
from rig.bench.shuttle import Block, allocate
from rig.bench.worker import HEARTBEAT_S, WAKE_S, AudioProcess
from rig.files.errors import BenchError
from rig.signals.probing_noise import CREST, ProbedPath, probe_noise, probed_paths

#: Where the probing of an output begins, and by how much it goes up; our choice.
FIRST_DB, STEP_DB = -80.0, 10.0
#: Once it is heard it is played once more so much louder, where that is allowed: what hears it softly shows then; our
#: choice.
CONFIRM_DB = 10.0
#: Recorded beyond the noise: the longest delay of the equipment; our choice.
LONGEST_DELAY_S = 0.6
RING_S = 10.0
#: What the driver did not play and record whole is played so often; as a run does; our choice.
TRIES = 3
#: An input that reaches this is overdriven; our choice.
CLIPPED = 0.98

#: What the card is connected to, as the person at the bench was asked to do it.
Situation = Literal["clips open", "clips closed", "amplifier off", "amplifier on"]


class Probe(Protocol):
    """A card whose wiring nobody knows."""

    inputs: int
    outputs: int
    sample_rate_hz: float

    def arrange(self, situation: Situation, before: str = "") -> None:
        """What the person at the bench has just done; before which box the microphone stands."""
        ...

    def record(self, output: int | None, samples: Block) -> Block:
        """Play samples at one output (None: at none), and record all inputs, shape (inputs, frames)."""
        ...


class CardProbe:
    """A real card with its stream open; a microphone with a device of its own has the inputs behind the card's."""

    def __init__(self, audio: AudioProcess, device: DeviceSettings, microphone: AudioProcess | None, own: int) -> None:
        self._audio, self._microphone, self._has_inputs = audio, microphone, device.inputs > 0
        self.inputs, self.outputs = device.inputs + own, device.outputs
        self.sample_rate_hz = float(audio.facts["sample_rate_hz"])

    def arrange(self, situation: Situation, before: str = "") -> None:
        """Nothing: the person at the bench has done it."""

    def record(self, output: int | None, samples: Block) -> Block:
        """Play samples at one output (None: at none), and record all inputs.

        Raises
        ------
        BenchError
            If the device, its driver or the sound process fails, or the driver loses something each time.
        """
        for _ in range(TRIES):
            recorded, flags = self._recorded(output, samples)
            if not flags:
                return recorded
        raise BenchError(
            f"the sound driver reported {', '.join(flags)} each of {TRIES} times; close other programs, then try again"
        )

    def _recorded(self, output: int | None, samples: Block) -> tuple[Block, tuple[str, ...]]:
        """What all inputs recorded, and what the driver reported meanwhile."""
        frames = samples.size + round(LONGEST_DELAY_S * self.sample_rate_hz)
        start = self._audio.done + 2 * max(self._audio.block_frames, 1024)
        # Two devices have no time in common: whatever theirs is now, the sound comes later.
        theirs = self._microphone.done if self._microphone else 0
        self._audio.write(start, samples if output else np.zeros_like(samples), [output or 1])
        seconds = (start + frames - self._audio.done) / self.sample_rate_hz
        self._audio.wait_for(start + frames, seconds + HEARTBEAT_S)
        rows = [self._audio.read(start, frames)] if self._has_inputs else []
        flags = self._audio.flags_between(start, start + frames)
        if self._microphone:
            self._microphone.wait_for(theirs + frames, seconds + HEARTBEAT_S)
            rows.append(self._microphone.read(theirs, frames))
            flags += self._microphone.flags_between(theirs, theirs + frames)
        return np.concatenate(rows), flags


@contextmanager
def card_probe(device: DeviceSettings, own: DeviceSettings | None = None) -> Iterator[CardProbe]:
    """A card with all its outputs and inputs open; on leaving, its outputs have faded and it is closed.

    `own` is a microphone with a device of its own.

    Raises
    ------
    BenchError
        If a device is not there, does not open, or fails.
    """
    from rig.bench.sound_process import audio_process

    rate_hz, frames = device.sample_rate_hz, round(RING_S * device.sample_rate_hz)
    buffers = allocate(frames, range(1, device.outputs + 1), range(1, device.inputs + 1), rate_hz)
    card, microphone = AudioProcess(audio_process, buffers, device.wanted), None
    try:
        if own is not None:
            theirs = allocate(frames, (), range(1, own.inputs + 1), rate_hz)
            microphone = AudioProcess(audio_process, theirs, own.wanted)
        card.wait_for(round(WAKE_S * rate_hz), WAKE_S + HEARTBEAT_S)
        yield CardProbe(card, device, microphone, own.inputs if own else 0)
    finally:
        card.close()
        if microphone:
            microphone.close()


def find_listeners(probe: Probe, output: int, highest_db: float) -> tuple[list[ProbedPath], float]:
    """What each input hears of an output, from very soft upwards, and the level it took in dB of full scale (RMS).

    Nothing is played louder than `highest_db`, nor louder than what an input bears.

    Raises
    ------
    BenchError
        If the card fails.
    """
    noise = probe_noise(probe.sample_rate_hz)
    level_db, was_heard = FIRST_DB, False
    found: list[ProbedPath] = []
    while True:
        sent: Block = noise * np.float32(10 ** (level_db / 20))
        recorded = probe.record(output, sent)
        if not np.all(np.isfinite(recorded)):
            raise BenchError("the card gives values that are no numbers; unplug it, plug it in and try again")
        found = probed_paths(sent, recorded, probe.sample_rate_hz)
        is_loud = bool(np.max(np.abs(recorded)) >= CLIPPED)
        if is_loud or was_heard or level_db >= highest_db:
            return found, level_db
        was_heard = any(one.is_clear for one in found)
        level_db = min(level_db + (CONFIRM_DB if was_heard else STEP_DB), highest_db)


def full_scale_db(volts: float, output_volts: float) -> float:
    """RMS level of a noise in dB of full scale that gives so many RMS volts; its peaks stay below full scale."""
    return float(min(20 * np.log10(volts / output_volts), -20 * np.log10(CREST)))


def input_silence(probe: Probe) -> Sequence[tuple[float, float]]:
    """With nothing played: mean and RMS about it of each input, in samples."""
    recorded = probe.record(None, np.zeros_like(probe_noise(probe.sample_rate_hz)))
    return [(float(np.mean(row)), float(np.std(row))) for row in recorded]
