"""What all inputs hear while nothing plays: their streams alone are open, and no output."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from rig.bench.devices import WantedDevice
from rig.bench.settings import BenchSettings
from rig.bench.shuttle import Block, allocate
from rig.bench.sound_process import audio_process
from rig.bench.worker import HEARTBEAT_S, WAKE_S, AudioProcess
from rig.files.errors import BenchSetupError
from rig.values.captures import Calibration

#: So much sound can be fetched late; our choice.
RING_S = 5.0


@dataclass(frozen=True)
class LiveInput:
    """One input of a bench."""

    #: Its number at its device, from 1; and whether that device is the microphone's own.
    number: int
    is_own_device: bool
    #: What bench.toml has there, as "microphone" or "drive"; empty: nothing.
    roles: tuple[str, ...] = ()


class Listener(Protocol):
    """Inputs that are listened to."""

    inputs: Sequence[LiveInput]
    sample_rate_hz: float
    #: Of the stage playing; None: not wired.
    calibration: Calibration | None

    def heard(self, seconds: float) -> Block:
        """What all inputs hear in the next so many seconds, shape (inputs, frames), full scale 1.0."""
        ...


class CardListener:
    """The inputs of a sound card, and behind them those of a microphone with a device of its own."""

    def __init__(
        self, streams: Sequence[AudioProcess], inputs: Sequence[LiveInput], calibration: Calibration | None
    ) -> None:
        self._streams = streams
        self.inputs, self.calibration = inputs, calibration
        self.sample_rate_hz = float(streams[0].facts["sample_rate_hz"])

    def heard(self, seconds: float) -> Block:
        """What all inputs hear in the next so many seconds.

        Raises
        ------
        BenchError
            If a device, its driver or its process fails.
        """
        frames = round(seconds * self.sample_rate_hz)
        # Two devices have no time in common, and for levels need none.
        starts = [stream.done for stream in self._streams]
        for stream, start in zip(self._streams, starts, strict=True):
            stream.wait_for(start + frames, seconds + HEARTBEAT_S)
        return np.concatenate([stream.read(start, frames) for stream, start in zip(self._streams, starts, strict=True)])


@contextmanager
def card_listening(settings: BenchSettings) -> Iterator[CardListener]:
    """Every input of a bench's devices, with no output opened; on leaving, the devices are closed.

    Raises
    ------
    BenchSetupError
        If bench.toml names no sound card.
    BenchError
        If a device is not there, does not open, or fails.
    """
    wanted = settings.wanted_devices
    if not wanted:
        raise BenchSetupError(f"bench {settings.name!r}: kind: found {settings.kind!r}; allowed here: 'soundcard'")
    with ExitStack() as stack:
        streams = [_opened(stack, device) for device in wanted if device.inputs]
        for stream in streams:
            stream.wait_for(round(WAKE_S * wanted[0].sample_rate_hz), WAKE_S + HEARTBEAT_S)
        yield CardListener(
            streams, live_inputs(settings), settings.calibration("playing") if settings.playing else None
        )


def _opened(stack: ExitStack, device: WantedDevice) -> AudioProcess:
    rate_hz = device.sample_rate_hz
    buffers = allocate(round(RING_S * rate_hz), (), range(1, device.inputs + 1), rate_hz)
    audio = AudioProcess(audio_process, buffers, device)
    stack.callback(audio.close)
    return audio


def live_inputs(settings: BenchSettings) -> list[LiveInput]:
    """The inputs of a bench's devices in their order, the card's first, with what bench.toml has there."""
    own = settings.microphone_device
    roles: dict[tuple[int, bool], list[str]] = {}
    for wiring in (settings.leads, settings.playing, settings.soak):
        for role, number in wiring.inputs.items() if wiring else ():
            known = roles.setdefault((number, own is not None and role == "microphone"), [])
            known += [role] if role not in known else []
    counts = ((settings.device.inputs if settings.device else 0, False), (own.inputs if own else 0, True))
    return [
        LiveInput(number, is_own, tuple(roles.get((number, is_own), ())))
        for count, is_own in counts
        for number in range(1, count + 1)
    ]
