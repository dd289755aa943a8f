"""A sound card with a unit behind it, in the place of the library that talks to sound cards; it can misbehave.

What is played goes through the unit's own impulse responses and comes back as its bench would hear it, so that a good
unit passes as long as the card behaves.
"""

import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from types import SimpleNamespace
from typing import Any
from unittest import mock

import numpy as np
import pytest
from convolving_unit import Convolver

from hostile.virtual_time import Clock, Killed, Process, processes
from rig.bench import shuttle, soaking, sound_process, soundcard, worker

RATE_HZ = 48000.0
INPUTS = OUTPUTS = 4
#: Handed over at a time; and what the unit is worked out in.
BLOCK = PIECE = 2048
#: Behind the longest ringing there is nothing to be worked out.
QUIET = 2**16
NOISE = 1e-5
NAME, OWN_NAME, HOST_API = "card", "usb", "hostile"
#: What a microphone with a device of its own hears comes so much later than what the card hears, in frames.
OWN_LATER = 3 * PIECE
CALIBRATOR_HZ = 1000.0
Block = np.ndarray[Any, np.dtype[np.float32]]


class PortAudioError(Exception):
    """The library's own."""


class Status:
    """What a driver reports of a block."""

    def __init__(self, *names: str) -> None:
        for name in ("input_underflow", "input_overflow", "output_underflow", "output_overflow"):
            setattr(self, name, name in names)
        self._is_any = bool(names)

    def __bool__(self) -> bool:
        return self._is_any


class Wired:
    """A unit and the cables between it and the card, block by block."""

    def __init__(self) -> None:
        self._wired: list[tuple[int, Convolver]] = []
        self._amplitude, self._frame = 0.0, 0
        self._silent_for = QUIET
        self._random = np.random.default_rng(1)

    def wire(self, filters: Mapping[str, np.ndarray[Any, Any]], delay_frames: int, amplitude: float) -> None:
        """Wire it, also anew.

        Parameters
        ----------
        filters
            Impulse responses: "microphone" from output 1, "drive" and "sense" from output 4; the loopback is a cable.
        amplitude
            Of a sound calibrator's tone at the microphone.
        """
        cable = np.zeros(delay_frames + 1)
        cable[-1] = 1.0
        ways = ((0, filters["microphone"]), (2, cable), (3, filters["drive"]), (3, filters["sense"]))
        self._wired = [(source, Convolver(taps)) for source, taps in ways]
        self._amplitude = amplitude

    def __call__(self, played: Block) -> Block:
        """Shape (frames, outputs) to (frames, inputs), of PIECE frames."""
        self._silent_for = 0 if np.any(played) else self._silent_for + len(played)
        heard = NOISE * self._random.standard_normal((len(played), INPUTS))
        if self._silent_for < QUIET:
            for row, (source, convolver) in enumerate(self._wired):
                heard[:, row] += convolver(played[:, source].astype(np.float64))
        if self._amplitude:
            frames = self._frame + np.arange(len(played))
            heard[:, 0] += self._amplitude * np.sin(2 * np.pi * CALIBRATOR_HZ / RATE_HZ * frames)
        self._frame += len(played)
        return heard.astype(np.float32)


class Card:
    """What the fake library finds plugged in; a trick may change any of it at any time."""

    def __init__(self, clock: Clock, unit: Callable[[Block], Block], has_own: bool = False) -> None:
        self.clock, self.unit = clock, unit
        self.devices: list[dict[str, Any]] = [{"name": NAME, "inputs": INPUTS, "outputs": OUTPUTS, "rate": RATE_HZ}]
        if has_own:
            self.devices.append({"name": OWN_NAME, "inputs": 1, "outputs": 0, "rate": RATE_HZ})
        #: What the card heard, piece by piece, for a microphone on a device of its own; since when, by the clock.
        self.air: list[np.ndarray[Any, Any]] = []
        self.air_since_s = 0.0
        self.streams: list[Stream] = []
        #: What happens in a call of the library: its name -> something that may raise or wait.
        self.calls: dict[str, Callable[[], object]] = {}
        self.stated_rate_hz, self.stated_latency = RATE_HZ, (0.1, 0.1)
        #: Blocks until a trick is played, counted over all streams, and the trick.
        self.strikes_at, self.strike = -1, lambda stream: None
        self.blocks = 0
        #: Loudest that was played, of full scale.
        self.loudest = 0.0

    def call(self, name: str) -> None:
        """A call of the library has come."""
        self.calls.get(name, lambda: None)()

    def end_process(self) -> None:
        """As a driver that crashes: whoever is in a call of the library is gone."""
        raise Killed

    def library(self) -> SimpleNamespace:
        """What stands in the place of the module `sounddevice`."""

        def opened(channels: object, is_one_way: bool = False, **named: Any) -> Stream:
            self.call("open")
            return Stream(self, channels, is_one_way=is_one_way, **named)

        def only(inputs: bool) -> Callable[..., Stream]:
            return lambda channels, **named: opened(
                (channels, 0) if inputs else (0, channels), is_one_way=True, **named
            )

        def devices() -> list[dict[str, Any]]:
            self.call("list")
            names = ("max_input_channels", "max_output_channels", "default_samplerate")
            return [
                {"name": one["name"], "hostapi": 0, **dict(zip(names, list(one.values())[1:], strict=True))}
                for one in self.devices
            ]

        return SimpleNamespace(
            PortAudioError=PortAudioError,
            query_hostapis=lambda: [{"name": HOST_API}],
            query_devices=devices,
            get_portaudio_version=lambda: (1, "a card of the tests"),
            Stream=opened,
            InputStream=only(True),
            OutputStream=only(False),
        )


class Stream:
    """An open stream: hands over a block whenever one is due."""

    def __init__(
        self,
        card: Card,
        channels: Any,
        callback: Callable[..., None],
        samplerate: float,
        is_one_way: bool = False,
        device: int = 0,
        **_: Any,
    ) -> None:
        self._card, self._callback, self._channels = card, callback, channels
        named = card.devices[device]["name"] if device < len(card.devices) else ""
        self._is_own, self._aired = named == OWN_NAME, 0
        self._is_one_way, self._owner = is_one_way, threading.get_ident()
        self.active, self.due_s = False, float("inf")
        #: What a trick may change: frames of the next block; what becomes of what is played and heard; reports.
        self.frames: Callable[[], int] = lambda: BLOCK
        self.s_per_frame = 1 / samplerate
        self.late_s = 0.0
        self.on_played: Callable[[Block], Block] = lambda played: played
        self.on_heard: Callable[[Block], Block] = lambda heard: heard
        self.status: Callable[[], Status | None] = lambda: None
        #: Heard and not yet handed over; played and not yet through the unit.
        self.waiting = np.zeros((BLOCK, INPUTS), np.float32)
        self._played = np.zeros((0, OUTPUTS), np.float32)
        card.streams.append(self)

    @property
    def samplerate(self) -> float:
        return self._card.stated_rate_hz

    @property
    def latency(self) -> object:
        return self._card.stated_latency

    def start(self) -> None:
        self._card.call("start")
        self.active, self.due_s = True, self._card.clock.now_s
        if not self._is_own:
            self._card.air, self._card.air_since_s = [], self.due_s
        else:
            self._aired = round((self.due_s - self._card.air_since_s) * RATE_HZ) - OWN_LATER
        self._card.clock.drivers.append(self)

    def abort(self) -> None:
        self._card.call("abort")
        self.end()

    def close(self) -> None:
        self._card.call("close")
        self.end()

    def end(self) -> None:
        """No more blocks."""
        self.active = False
        if self in self._card.clock.drivers:
            self._card.clock.drivers.remove(self)

    def dies(self) -> None:
        """Its process ends, as a driver that crashes ends it."""
        self._card.clock.kill_thread(self._owner)

    def left_by(self, owner: int) -> None:
        """Its process has ended."""
        if owner == self._owner:
            self.end()

    def block(self) -> None:
        card = self._card
        card.blocks += 1
        if card.blocks == card.strikes_at:
            card.strike(self)
            if not self.active:
                return
        frames = self.frames()
        self.due_s = max(self.due_s + frames * self.s_per_frame, card.clock.now_s) + self.late_s
        self.late_s = 0.0
        while len(self.waiting) < frames:
            self._through_the_unit(np.zeros((PIECE, OUTPUTS), np.float32))
        heard, self.waiting = self.waiting[:frames], self.waiting[frames:]
        # What the driver's own memory holds when it comes is anything.
        sounding = np.full((frames, OUTPUTS), np.nan, np.float32)
        self._call_back(self.on_heard(heard), sounding, frames)
        if np.all(np.isfinite(sounding)):
            card.loudest = max(card.loudest, float(np.max(np.abs(sounding), initial=0.0)))
        else:
            card.loudest = float("nan")
        self._played = np.concatenate((self._played, self.on_played(sounding)))
        while len(self._played) >= PIECE:
            piece, self._played = self._played[:PIECE], self._played[PIECE:]
            self._through_the_unit(piece)

    def _through_the_unit(self, played: Block) -> None:
        heard = self._from_the_air() if self._is_own else self._card.unit(played)
        if not self._is_own and len(self._card.devices) > 1:
            self._card.air.append(heard[:, 0].copy())
        self.waiting = np.concatenate((self.waiting, heard))

    def _from_the_air(self) -> Block:
        """The next piece of what the card's unit sounds; where no card plays there is silence."""
        heard = np.zeros((PIECE, INPUTS), np.float32)
        number, place = divmod(self._aired, PIECE)
        for n, first in ((number, -place), (number + 1, PIECE - place)):
            if 0 <= n < len(self._card.air):
                part = self._card.air[n][max(-first, 0) : min(PIECE, PIECE - first)]
                heard[max(first, 0) : max(first, 0) + len(part), 0] = part
        self._aired += PIECE
        return heard

    def _call_back(self, heard: Block, sounding: Block, frames: int) -> None:
        """As the library does: what is raised in a callback is printed, and the stream has ended."""
        inputs, outputs = self._channels
        both = (heard[:, :inputs], sounding[:, :outputs])
        given = [both[0] if inputs else both[1]] if self._is_one_way else both
        try:
            self._callback(*given, frames, None, self.status())
        except Exception:
            traceback.print_exc(file=sys.stderr)
            self.end()
        if not outputs:
            sounding.fill(0)


@contextmanager
def plugged_in(unit: Callable[[Block], Block], has_own: bool = False) -> Iterator[Card]:
    """Within it this is the card that commands find, and time passes for it alone."""
    clock, started = Clock(), list[Process]()
    card = Card(clock, unit, has_own)

    def left() -> None:
        for stream in card.streams:
            stream.left_by(threading.get_ident())

    of_sound, now = processes(clock, left, started), clock.module()
    with ExitStack() as stack, pytest.MonkeyPatch.context() as patch:
        # This one alone: a patch of the whole would forget what is loaded meanwhile, which would then be loaded twice.
        patch.setitem(sys.modules, "sounddevice", card.library())
        stack.enter_context(mock.patch.object(sound_process, "ignore_interrupt"))
        for module in (worker, soundcard):
            stack.enter_context(mock.patch.object(module, "multiprocessing", of_sound))
        for module in (worker, shuttle, soaking):
            stack.enter_context(mock.patch.object(module, "time", now))
        try:
            yield card
        finally:
            left_open = [one for one in started if one.is_alive()]
            for one in left_open:
                one.kill()
                one.join(1.0)
    assert not left_open, "a sound process was left behind"
    assert not any(stream.active for stream in card.streams), "a stream was left open"
    # NaN is not below.
    assert card.loudest <= 1.0, f"played {card.loudest:g} of full scale"
