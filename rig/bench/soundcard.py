"""The sound card bench: finds the device, holds its stream open in a process of its own, plays requests through it.

The device itself is a child process's (`sound_process`), which can be ended where a driver hangs.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.bench.devices import UNFIT_APIS, Device, ListedDevice, difference
from rig.bench.power import power_supply
from rig.bench.settings import BenchSettings, LeadsSettings, PlayingSettings
from rig.bench.shuttle import Buffers, allocate
from rig.bench.sound_process import audio_process, list_in_child
from rig.bench.worker import HEARTBEAT_S, WAKE_S, AudioProcess
from rig.files.errors import BenchError, BenchSetupError
from rig.values.captures import KnownLoad
from rig.values.requests import COLD_S, Request, Stage

if TYPE_CHECKING:
    from rig.bench.player import StreamPlayer
    from rig.bench.routing import Routing
    from rig.bench.soaking import Surroundings
    from rig.design.kit import Kit

#: So much sound can be written ahead and fetched late; our choice.
RING_S = 60.0
LIST_DEADLINE_S = 30.0


def connected_devices() -> list[Device]:
    """The sound devices that are there now.

    Raises
    ------
    BenchError
        If the sound library is missing or does not answer.
    """
    context = multiprocessing.get_context("spawn")
    link, theirs = context.Pipe()
    child = context.Process(target=list_in_child, args=(theirs,), daemon=True)
    child.start()
    theirs.close()
    try:
        if not link.poll(LIST_DEADLINE_S):
            raise BenchError(f"the sound library did not list its devices within {LIST_DEADLINE_S:g} s")
        kind, content = link.recv()
    except EOFError:
        raise BenchError("the sound library ended the process that listed its devices") from None
    finally:
        child.kill()
        child.join()
        link.close()
    if kind == "error":
        raise BenchError(str(content))
    return list(content)


def list_devices(settings: BenchSettings | None) -> list[ListedDevice]:
    """The sound devices that are there, and which of them bench.toml means.

    Raises
    ------
    BenchError
        As `connected_devices`.
    """
    wanted = settings.wanted_devices if settings else []
    rows = []
    for device in connected_devices():
        remarks = [difference(device, one) for one in wanted] or [UNFIT_APIS.get(device.host_api, "")]
        rows.append(ListedDevice(device, bool(wanted) and "" in remarks, "" if "" in remarks else remarks[0]))
    return rows


@dataclass(frozen=True)
class _Streams:
    """The card's stream, and that of a microphone with a device of its own; each in a process of its own."""

    card: AudioProcess
    buffers: Buffers
    microphone: AudioProcess | None

    def close(self) -> None:
        self.card.close()
        if self.microphone:
            self.microphone.close()


class SoundCardBench:
    """A bench with a sound card, as bench.toml describes it.

    Parameters
    ----------
    settings : BenchSettings
        Of the kind "soundcard".
    kit : Kit
        Every channel of it must have an output in the wiring.
    known_load : KnownLoad, optional
        Calibration of the two electrical inputs.
    cold_s : float
        Length of a programme's cold start.

    Raises
    ------
    BenchSetupError
        If the settings are of another kind or have no output for one of the kit's channels.
    """

    def __init__(
        self, settings: BenchSettings, kit: Kit, known_load: KnownLoad | None = None, cold_s: float = COLD_S
    ) -> None:
        if settings.device is None:
            raise BenchSetupError(f"bench {settings.name!r}: kind: found {settings.kind!r}; allowed here: 'soundcard'")
        self.name = settings.name
        self.settings = settings
        self.known_load = known_load
        self._kit = kit
        self._cold_s = cold_s
        self._identities: dict[str, str] = {}
        self._device = settings.device
        self._facts: dict[str, object] = {}
        #: The session's streams, while there are any.
        self._shared: _Streams | None = None
        for key, wiring in (("leads", settings.leads), ("playing", settings.playing), ("soak", settings.soak)):
            missing = [channel.name for channel in kit.channels if wiring and wiring.output(channel.name) is None]
            if wiring and missing:
                raise BenchSetupError(
                    f"bench {settings.name!r}: {key}.outputs: found {', '.join(wiring.outputs)}; the kit also has "
                    f'{", ".join(missing)} (or use "*" for every channel)'
                )

    def describe(self) -> dict[str, object]:
        """Equipment and settings for the record; what the device said of itself once it was open."""
        settings = self.settings.model_dump(mode="json", exclude_none=True)
        load = self.known_load
        return {
            **settings,
            "opened": dict(self._facts),
            "identities": dict(self._identities),
            "power": power_supply(),
            "known_load": {"load_ohm": load.load_ohm, "made_at": load.made_at} if load else None,
        }

    def refuse(self, requests: Sequence[Request]) -> None:
        """Refuse, before anything sounds, what this bench could not do later.

        Raises
        ------
        BenchSetupError
            Naming the key of bench.toml that is missing or does not fit.
        BenchError
            If a programme would run on this computer's battery.
        """
        from rig.bench.refusals import refuse

        rate_hz = self._device.sample_rate_hz
        refuse(self.settings, self._kit, requests, lambda stage: self._routing(stage, rate_hz), round(RING_S * rate_hz))

    @contextmanager
    def session(self) -> Iterator[None]:
        """Hold one open stream for all stages: no second opening, one latency. It is silent between stages.

        Raises
        ------
        BenchError
            If the device is not there, does not open, or fails.
        """
        self._shared = self._opened(
            [wiring for wiring in (self.settings.leads, self.settings.playing, self.settings.soak) if wiring]
        )
        try:
            # The device wakes before the first request, not during it.
            self._shared.card.wait_for(round(WAKE_S * self._device.sample_rate_hz), WAKE_S + HEARTBEAT_S)
            yield
        finally:
            streams, self._shared = self._shared, None
            streams.close()

    @contextmanager
    def stage(self, name: Stage) -> Iterator[StreamPlayer]:
        """A stage on the session's stream, or outside of a session on one of its own.

        On leaving, the output has faded; a stream of its own is closed.

        Raises
        ------
        BenchSetupError
            If bench.toml has no wiring for the stage.
        BenchError
            If the device is not there, does not open, or fails.
        """
        # Only here: whoever lists devices needs none of it.
        from rig.bench.own_microphone import OwnMicrophone
        from rig.bench.player import StreamPlayer

        wiring = self.settings.wiring(name)
        streams = self._shared or self._opened([wiring])
        audio, buffers = streams.card, streams.buffers
        try:
            routing = self._routing(name, float(audio.facts["sample_rate_hz"]), buffers.inputs)
            microphone = None
            if streams.microphone and "microphone" in wiring.inputs:
                microphone = OwnMicrophone(streams.microphone, routing.sample_rate_hz)
                microphone.wake()
            with self._surroundings(name, routing) as around:
                yield StreamPlayer(audio, routing, buffers.ring_frames, around, microphone)
        finally:
            if self._shared is None:
                streams.close()
            elif audio.is_streaming:
                # An error on its way out may still hold the programme's iterator.
                audio.silence()

    def _routing(self, stage: Stage, rate_hz: float, numbers: Sequence[int] | None = None) -> Routing:
        """Outputs and inputs of a stage; `numbers` are the card's inputs that are recorded, in their order."""
        from rig.bench.routing import Routing

        wiring = self.settings.wiring(stage)
        inputs = self.settings.own_inputs(wiring)
        recorded = tuple(inputs.values() if numbers is None else numbers)
        return Routing(
            outputs_of=lambda channel: _outputs_of(wiring, channel),
            roles=tuple(inputs),
            rows=tuple(recorded.index(number) for number in inputs.values()),
            calibration=self.settings.calibration(stage, self.known_load),
            sample_rate_hz=rate_hz,
        )

    @contextmanager
    def _surroundings(self, stage: Stage, routing: Routing) -> Iterator[Surroundings | None]:
        """What is read beside the sound in the soak, its instruments open; None in the other stages."""
        if stage != "soak":
            yield None
            return
        from rig.bench.surroundings import instruments_of, surroundings

        with instruments_of(self.settings) as instruments:
            try:
                yield surroundings(self.settings, self._kit, routing, instruments, self._cold_s)
            finally:
                self._identities = instruments.identities() if instruments else {}

    def _opened(self, wirings: Sequence[LeadsSettings | PlayingSettings]) -> _Streams:
        outputs = sorted({number for wiring in wirings for number in _used_outputs(wiring)})
        inputs = sorted({number for wiring in wirings for number in self.settings.own_inputs(wiring).values()})
        rate_hz, own = self._device.sample_rate_hz, self.settings.microphone_device
        buffers = allocate(round(RING_S * rate_hz), outputs, inputs, rate_hz)
        theirs = sorted({wiring.inputs["microphone"] for wiring in wirings if own and "microphone" in wiring.inputs})
        if len(theirs) > 1:
            raise BenchSetupError(
                f"bench {self.name!r}: playing.inputs, soak.inputs: found the microphone at the inputs "
                f"{', '.join(map(str, theirs))} of its device; allowed is one"
            )
        card = AudioProcess(audio_process, buffers, self._device.wanted)
        microphone = None
        self._facts = card.facts
        try:
            if own and theirs:
                alone = allocate(buffers.ring_frames, (), theirs, rate_hz)
                microphone = AudioProcess(audio_process, alone, own.at(rate_hz).wanted)
                self._facts = {**card.facts, "microphone": microphone.facts}
        except BaseException:
            card.close()
            raise
        return _Streams(card, buffers, microphone)


def _loopback(wiring: LeadsSettings | PlayingSettings) -> list[int]:
    spare = wiring.loopback_output if isinstance(wiring, PlayingSettings) else None
    return [] if spare is None else [spare]


def _used_outputs(wiring: LeadsSettings | PlayingSettings) -> list[int]:
    return sorted({*wiring.outputs.values(), *_loopback(wiring)})


def _outputs_of(wiring: LeadsSettings | PlayingSettings, channel: str) -> tuple[int, ...]:
    """Outputs that carry the stimulus of a channel: its own, and the one that is looped back."""
    own = wiring.output(channel)
    if own is None:
        raise BenchSetupError(f"outputs: found {', '.join(wiring.outputs)}; none plays {channel!r}")
    return tuple({own, *_loopback(wiring)})
