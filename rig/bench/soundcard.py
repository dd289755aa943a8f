"""The sound card bench: finds the device, holds its stream open in a process of its own, plays requests through it.

The only importer of sounddevice, and only in a child process: there the list of devices is always fresh, and a driver
that hangs can be ended. Without the PortAudio library everything else of the rig works.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any

from rig.bench.base import BenchError, BenchSetupError
from rig.bench.devices import UNFIT_APIS, Device, difference, find_device
from rig.bench.devices import ListedDevice as ListedDevice
from rig.bench.power import power_supply
from rig.bench.settings import BenchSettings, DeviceSettings, LeadsSettings, PlayingSettings
from rig.bench.shuttle import Buffers, Shuttle, allocate
from rig.bench.worker import HEARTBEAT_S, WAKE_S, AudioProcess, ignore_interrupt, serve
from rig.readings import KnownLoad
from rig.requests import COLD_S, Request, Stage

if TYPE_CHECKING:
    from rig.bench.player import StreamPlayer
    from rig.bench.routing import Routing
    from rig.bench.soaking import Surroundings
    from rig.kit import Kit

#: So much sound can be written ahead and fetched late.
RING_S = 60.0
LIST_DEADLINE_S = 30.0
#: The actual rate may differ from the one asked for by no more than a clock does.
RATE_TOLERANCE = 1e-4


def _sounddevice() -> Any:
    try:
        import sounddevice
    except OSError as error:
        raise BenchError(
            f"the PortAudio library is missing ({error}); install it (on Debian and Ubuntu: apt install libportaudio2)"
        ) from None
    except ImportError as error:
        raise BenchError(f"the Python package sounddevice is missing ({error}); install it with pip") from None
    return sounddevice


def _devices(sd: Any) -> list[Device]:
    apis = sd.query_hostapis()
    return [
        Device(
            host_api=str(apis[found["hostapi"]]["name"]),
            name=str(found["name"]),
            inputs=int(found["max_input_channels"]),
            outputs=int(found["max_output_channels"]),
            sample_rate_hz=float(found["default_samplerate"]),
        )
        for found in sd.query_devices()
    ]


def _list_in_child(link: Connection) -> None:
    ignore_interrupt()
    try:
        link.send(("devices", _devices(_sounddevice())))
    except Exception as error:
        link.send(("error", str(error)))


def connected_devices() -> list[Device]:
    """The sound devices that are there now.

    Raises
    ------
    BenchError
        If the sound library is missing or does not answer.
    """
    context = multiprocessing.get_context("spawn")
    link, theirs = context.Pipe()
    child = context.Process(target=_list_in_child, args=(theirs,), daemon=True)
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
    wanted = settings.device if settings else None
    rows = []
    for device in connected_devices():
        remark = difference(device, wanted) if wanted else UNFIT_APIS.get(device.host_api, "")
        rows.append(ListedDevice(device, wanted is not None and not remark, remark))
    return rows


def _extra_settings(sd: Any, host_api: str) -> Any:
    """Where the host API can be kept from converting or processing, do so."""
    if host_api == "Windows WASAPI":
        return sd.WasapiSettings(exclusive=True)
    if host_api == "Core Audio":
        return sd.CoreAudioSettings(change_device_parameters=True, fail_if_conversion_required=True)
    return None


def _flag_bits(status: Any) -> int:
    """Bits in the order of `worker.FLAGS`."""
    return (
        bool(status.input_underflow)
        | bool(status.input_overflow) << 1
        | bool(status.output_underflow) << 2
        | bool(status.output_overflow) << 3
    )


def _open_stream(sd: Any, wanted: DeviceSettings, shuttle: Shuttle) -> tuple[Any, Device]:
    devices = _devices(sd)
    place = find_device(devices, wanted)

    def callback(heard: Any, sounding: Any, frames: int, when: Any, status: Any) -> None:
        shuttle.process(heard, sounding, _flag_bits(status) if status else 0)

    try:
        stream = sd.Stream(
            samplerate=wanted.sample_rate_hz,
            blocksize=wanted.block_frames,
            device=place,
            channels=(wanted.inputs, wanted.outputs),
            dtype="float32",
            latency=wanted.latency_s or "high",
            extra_settings=_extra_settings(sd, wanted.host_api),
            callback=callback,
        )
        stream.start()
    except (sd.PortAudioError, ValueError) as error:
        raise BenchError(
            f"{devices[place]} does not open at {wanted.sample_rate_hz:g} Hz ({error}); is another program using it, "
            f"or does it run at another rate?"
        ) from None
    actual_hz = float(stream.samplerate)
    if abs(actual_hz / wanted.sample_rate_hz - 1) > RATE_TOLERANCE:
        stream.abort()
        stream.close()
        raise BenchError(
            f"{devices[place]} runs at {actual_hz:g} Hz where bench.toml asks for {wanted.sample_rate_hz:g} Hz; set "
            "sample_rate_hz to what the device runs at"
        )
    return stream, devices[place]


def audio_process(link: Connection, buffers: Buffers, wanted: DeviceSettings) -> None:
    """Run in the child: open the device, say so, keep the stream running until told otherwise."""
    ignore_interrupt()
    try:
        sd = _sounddevice()
        stream, device = _open_stream(sd, wanted, Shuttle(buffers))
    except Exception as error:
        link.send(("error", str(error)))
        return
    facts = {
        **asdict(device),
        "sample_rate_hz": float(stream.samplerate),
        # Some drivers report nonsense; nothing is computed from it.
        "reported_latency_s": [float(part) if 0 < part < 10 else None for part in stream.latency],
        "library": sd.get_portaudio_version()[1],
    }
    link.send(("open", facts))
    serve(link, buffers, lambda: bool(stream.active))
    stream.abort()
    stream.close()


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
        #: The session's stream, while there is one.
        self._shared: tuple[AudioProcess, Buffers] | None = None
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
            self._shared[0].wait_for(round(WAKE_S * self._device.sample_rate_hz), WAKE_S + HEARTBEAT_S)
            yield
        finally:
            audio, self._shared = self._shared[0], None
            audio.close()

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
        # Only here: the child process imports this module too and needs none of it.
        from rig.bench.player import StreamPlayer

        audio, buffers = self._shared or self._opened([self.settings.wiring(name)])
        routing = self._routing(name, float(audio.facts["sample_rate_hz"]), buffers.inputs)
        try:
            with self._surroundings(name, routing) as around:
                yield StreamPlayer(audio, routing, buffers.ring_frames, around)
        finally:
            if self._shared is None:
                audio.close()
            elif audio.is_streaming:
                # An error on its way out may still hold the programme's iterator.
                audio.silence()

    def _routing(self, stage: Stage, rate_hz: float, numbers: Sequence[int] | None = None) -> Routing:
        """Outputs and inputs of a stage; `numbers` are the card's inputs that are recorded, in their order."""
        from rig.bench.routing import Routing

        wiring = self.settings.wiring(stage)
        recorded = tuple(numbers or wiring.inputs.values())
        return Routing(
            outputs_of=lambda channel: _outputs_of(wiring, channel),
            roles=tuple(wiring.inputs),
            rows=tuple(recorded.index(number) for number in wiring.inputs.values()),
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

    def _opened(self, wirings: Sequence[LeadsSettings | PlayingSettings]) -> tuple[AudioProcess, Buffers]:
        outputs = sorted({number for wiring in wirings for number in _used_outputs(wiring)})
        inputs = sorted({number for wiring in wirings for number in wiring.inputs.values()})
        rate_hz = self._device.sample_rate_hz
        buffers = allocate(round(RING_S * rate_hz), outputs, inputs, rate_hz)
        audio = AudioProcess(audio_process, buffers, self._device)
        self._facts = audio.facts
        return audio, buffers


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
