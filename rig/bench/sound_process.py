"""In the child: finds the device, opens its stream, keeps it running. The only importer of sounddevice.

A child process's list of devices is always fresh, and a driver that hangs can be ended. Without the PortAudio library
everything else of the rig works. What is imported here delays the first sound: no settings, no checks.
"""

from __future__ import annotations

import contextlib
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.bench.devices import Device, WantedDevice, find_device
from rig.bench.shuttle import Buffers, Shuttle
from rig.bench.worker import ignore_interrupt, serve
from rig.files.errors import BenchError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

#: The actual rate may differ from the one asked for by no more than a clock does; our choice.
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


def list_in_child(link: Connection) -> None:
    """Run in the child: say which devices there are."""
    ignore_interrupt()
    try:
        link.send(("devices", _devices(_sounddevice())))
    except Exception as error:
        link.send(("error", _words_of(error)))


def _words_of(error: Exception) -> str:
    """What to say of an error; the library's own say little, and some nothing."""
    if isinstance(error, BenchError):
        return str(error)
    text = " ".join(str(error).split()) or "it does not say why"
    return f"the sound library fails ({type(error).__name__}: {text}); unplug the sound card, plug it in and try again"


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


def _stream_of(sd: Any, wanted: WantedDevice, place: int, buffers: Buffers) -> Any:
    """A stream that plays and records, or does the one thing that is asked of it."""
    shuttle = Shuttle(buffers)

    def both(recorded: Any, sounding: Any, frames: int, when: Any, status: Any) -> None:
        shuttle.process(recorded, sounding, _flag_bits(status) if status else 0)

    def record(recorded: Any, frames: int, when: Any, status: Any) -> None:
        both(recorded, np.empty((frames, 0), np.float32), frames, when, status)

    def play(sounding: Any, frames: int, when: Any, status: Any) -> None:
        both(np.empty((frames, 0), np.float32), sounding, frames, when, status)

    common = {
        "samplerate": wanted.sample_rate_hz,
        "blocksize": wanted.block_frames,
        "device": place,
        "dtype": "float32",
        "latency": wanted.latency_s or "high",
        "extra_settings": _extra_settings(sd, wanted.host_api),
    }
    if not buffers.outputs:
        return sd.InputStream(channels=wanted.inputs, callback=record, **common)
    if not buffers.inputs:
        return sd.OutputStream(channels=wanted.outputs, callback=play, **common)
    return sd.Stream(channels=(wanted.inputs, wanted.outputs), callback=both, **common)


def _open_stream(sd: Any, wanted: WantedDevice, buffers: Buffers) -> tuple[Any, Device]:
    devices = _devices(sd)
    place = find_device(devices, wanted)
    try:
        stream = _stream_of(sd, wanted, place, buffers)
        stream.start()
    except (sd.PortAudioError, ValueError) as error:
        words = str(error) or "the driver does not say why"
        raise BenchError(
            f"{devices[place]} does not open at {wanted.sample_rate_hz:g} Hz ({words}); is another program using it, "
            f"or does it run at another rate?"
        ) from None
    actual_hz = float(stream.samplerate)
    # What is no number lies within no tolerance either.
    if not abs(actual_hz / wanted.sample_rate_hz - 1) <= RATE_TOLERANCE:
        stream.abort()
        stream.close()
        raise BenchError(
            f"{devices[place]} runs at {actual_hz:g} Hz where bench.toml asks for {wanted.sample_rate_hz:g} Hz; set "
            "sample_rate_hz to what the device runs at"
        )
    return stream, devices[place]


def audio_process(link: Connection, buffers: Buffers, wanted: WantedDevice) -> None:
    """Run in the child: open the device, say so, keep the stream running until told otherwise."""
    ignore_interrupt()
    try:
        sd = _sounddevice()
        stream, device = _open_stream(sd, wanted, buffers)
    except Exception as error:
        link.send(("error", _words_of(error)))
        return
    facts = {
        **asdict(device),
        "sample_rate_hz": float(stream.samplerate),
        # Some drivers report nonsense; nothing is computed from it.
        "reported_latency_s": [float(part) if 0 < part < 10 else None for part in np.atleast_1d(stream.latency)],
        "library": sd.get_portaudio_version()[1],
    }
    link.send(("open", facts))
    serve(link, buffers, lambda: bool(stream.active))
    # What is recorded is with the parent by now. Where the device is gone, so is what could be closed.
    with contextlib.suppress(Exception):
        stream.abort()
    with contextlib.suppress(Exception):
        stream.close()
