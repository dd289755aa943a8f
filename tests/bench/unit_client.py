"""A loudspeaker and its bench wiring as a JACK client: what the sound card bench is tested against.

The client appears to PortAudio as a sound card. What the rig plays into its inputs it filters with filters of its own,
not the rig's, and hands out what a microphone, a loopback cable and a sense resistor would give:

    card's output 1, 2   amplifier inputs of the channels "left" and "right"
    card's output 3      loopback cable
    card's output 4      source for the bare leads, through the sense resistor to the load and back
    card's input 1       microphone
    card's input 2       loopback cable
    card's input 3, 4    drive (before the resistor) and sense

Run as a program it takes its settings as JSON, says "ready", and ends when its standard input does. As a module it
offers `sound_server` and `running_unit` to tests.
"""

import contextlib
import ctypes.util
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from scipy.signal import bilinear, butter, lfilter, sosfilt

SPEED_OF_SOUND_M_S = 343.0
SAMPLE_RATE_HZ = 48000.0
#: Long, so that a busy machine loses no cycle.
PERIOD_FRAMES = 2048
HOST_API = "JACK Audio Connection Kit"
INPUTS = OUTPUTS = 4


@dataclass(frozen=True)
class SpeakerSettings:
    """A two-way speaker: second order crossover, second order low end, whole samples of flight."""

    #: Microphone's voltage at full scale for full scale at the amplifier's input, in the passband.
    gain: float = 0.3
    low_hz: float = 60.0
    crossover_hz: float = 2500.0
    woofer_sign: float = 1.0
    #: A second order crossover sums when one driver is reversed.
    tweeter_sign: float = -1.0
    distance_m: float = 0.5


@dataclass(frozen=True)
class LoadSettings:
    """Impedance at the leads: a voice coil and one resonance, through a sense resistor in the return lead."""

    re_ohm: float = 6.0
    le_h: float = 0.4e-3
    resonance_hz: float = 70.0
    #: Height of the resonance above `re_ohm`, and its mechanical Q.
    resonance_ohm: float = 30.0
    resonance_q: float = 4.0
    sense_ohm: float = 10.0


@dataclass(frozen=True)
class WiringSettings:
    """What is between the card and the unit: factors of 1 where a cable is whole, of 0 where it is off."""

    output: float = 1.0
    microphone: float = 1.0
    loopback: float = 1.0
    #: Peak of a hum of 50 Hz and its third harmonic at every input.
    hum: float = 0.0
    #: RMS of the room's noise at the microphone, below 300 Hz for the most part.
    room: float = 0.0
    #: Microphone and loopback, and drive and sense, are on each other's inputs.
    exchanged: bool = False


@dataclass(frozen=True)
class UnitSettings:
    """All that the client is."""

    name: str = "unit"
    speakers: tuple[SpeakerSettings, ...] = (SpeakerSettings(), SpeakerSettings())
    load: LoadSettings = field(default_factory=LoadSettings)
    wiring: WiringSettings = field(default_factory=WiringSettings)
    #: RMS at each of the card's inputs, full scale 1.0.
    noise: float = 1e-5
    seed: int = 1


def sense_filter(load: LoadSettings, sample_rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Digital filter from drive to sense: Rs / (Z(s) + Rs) with s by the bilinear transform."""
    numerator, denominator = _impedance_polynomials(load)
    total = np.polyadd(numerator, load.sense_ohm * denominator)
    return bilinear(load.sense_ohm * denominator, total, sample_rate_hz)


def impedance_ohm(load: LoadSettings, frequency_hz: np.ndarray, sample_rate_hz: float = SAMPLE_RATE_HZ) -> np.ndarray:
    """The impedance that the client really has: Z(s) where the bilinear transform puts each frequency."""
    s = 2j * sample_rate_hz * np.tan(np.pi * np.asarray(frequency_hz) / sample_rate_hz)
    numerator, denominator = _impedance_polynomials(load)
    return np.polyval(numerator, s) / np.polyval(denominator, s)


def _impedance_polynomials(load: LoadSettings) -> tuple[np.ndarray, np.ndarray]:
    """Z = Re + s Le + Res (w0/Q) s / (s^2 + (w0/Q) s + w0^2), the circuit of a driver in a closed box."""
    omega = 2 * np.pi * load.resonance_hz
    denominator = np.array([1.0, omega / load.resonance_q, omega**2])
    numerator = np.polymul([load.le_h, load.re_ohm], denominator)
    return np.polyadd(numerator, [load.resonance_ohm * omega / load.resonance_q, 0.0]), denominator


class Filter:
    """Second-order sections whose state is kept from block to block."""

    def __init__(self, sections: np.ndarray) -> None:
        self._sections = sections
        self._state = np.zeros((len(sections), 2))

    def __call__(self, block: np.ndarray) -> np.ndarray:
        filtered, self._state = sosfilt(self._sections, block, zi=self._state)
        return filtered


class Speaker:
    """From the amplifier's input to the microphone."""

    def __init__(self, settings: SpeakerSettings, sample_rate_hz: float) -> None:
        def sections(kind: str, hz: float) -> Filter:
            return Filter(butter(2, hz, kind, fs=sample_rate_hz, output="sos"))

        self._low_end = sections("highpass", settings.low_hz)
        self._woofer = sections("lowpass", settings.crossover_hz)
        self._tweeter = sections("highpass", settings.crossover_hz)
        self._settings = settings
        self._flight = np.zeros(round(settings.distance_m / SPEED_OF_SOUND_M_S * sample_rate_hz))

    def __call__(self, block: np.ndarray) -> np.ndarray:
        settings = self._settings
        both = self._low_end(block)
        radiated = settings.woofer_sign * self._woofer(both) + settings.tweeter_sign * self._tweeter(both)
        stream = np.concatenate((self._flight, settings.gain * radiated))
        self._flight = stream[block.size :]
        return stream[: block.size]


class Unit:
    """All outputs of the client for all its inputs, block by block."""

    def __init__(self, settings: UnitSettings, sample_rate_hz: float) -> None:
        self._speakers = [Speaker(speaker, sample_rate_hz) for speaker in settings.speakers]
        self._numerator, self._denominator = sense_filter(settings.load, sample_rate_hz)
        self._sense_state = np.zeros(len(self._denominator) - 1)
        self._random = np.random.default_rng(settings.seed)
        self._noise = settings.noise
        self._wiring, self._rate_hz, self._frames = settings.wiring, sample_rate_hz, 0
        #: Blocks that are held back, once it has leapt.
        self._late_blocks: list[list[np.ndarray]] | None = None
        self._room = Filter(butter(1, 300.0, fs=sample_rate_hz, output="sos"))

    def leap(self, frames: int) -> None:
        """Put a silent block in: all that is heard comes later by that."""
        self._late_blocks = [*(self._late_blocks or []), [np.zeros(frames)] * INPUTS]

    def __call__(self, played: list[np.ndarray]) -> list[np.ndarray]:
        wiring = self._wiring
        played = [wiring.output * block for block in played]
        channels = zip(self._speakers, played[:2], strict=False)
        microphone = sum((speaker(block) for speaker, block in channels), np.zeros(played[0].size))
        sense, self._sense_state = lfilter(self._numerator, self._denominator, played[3], zi=self._sense_state)
        if wiring.room:
            # Behind a low-pass of first order white noise of RMS 1 keeps a part pi / 2 * 300 Hz of its band.
            part = np.sqrt(np.pi / 2 * 300.0 / (self._rate_hz / 2))
            microphone = microphone + wiring.room / part * self._room(self._random.standard_normal(microphone.size))
        heard = [wiring.microphone * microphone, wiring.loopback * played[2], played[3], sense]
        if wiring.hum:
            turns = 50.0 * (self._frames + np.arange(microphone.size)) / self._rate_hz
            hum = wiring.hum * (0.8 * np.sin(2 * np.pi * turns) + 0.2 * np.sin(6 * np.pi * turns))
            heard = [block + hum for block in heard]
        self._frames += microphone.size
        if self._late_blocks is not None:
            self._late_blocks.append(heard)
            heard = self._late_blocks.pop(0)
        if wiring.exchanged:
            heard = [heard[n] for n in (1, 0, 3, 2)]
        if self._noise:
            heard = [block + self._noise * self._random.standard_normal(block.size) for block in heard]
        return heard


def settings_from(document: dict) -> UnitSettings:
    """Settings out of JSON."""
    return UnitSettings(
        **{
            **document,
            "speakers": tuple(SpeakerSettings(**speaker) for speaker in document["speakers"]),
            "load": LoadSettings(**document["load"]),
            "wiring": WiringSettings(**document["wiring"]),
        }
    )


def serve(settings: UnitSettings) -> None:
    """Be the client until standard input ends."""
    import jack

    client = jack.Client(settings.name, no_start_server=True)
    played = [client.inports.register(f"in_{number + 1}") for number in range(OUTPUTS)]
    heard = [client.outports.register(f"out_{number + 1}") for number in range(INPUTS)]
    unit = Unit(settings, client.samplerate)

    # Told to leap, it is a block later from then on.
    signal.signal(signal.SIGUSR1, lambda *_: unit.leap(PERIOD_FRAMES))

    @client.set_process_callback
    def process(frames: int) -> None:
        blocks = unit([port.get_array().astype(np.float64) for port in played])
        for port, block in zip(heard, blocks, strict=True):
            port.get_array()[:] = block

    with client:
        print("ready", flush=True)
        sys.stdin.read()


def missing_parts() -> str:
    """What this machine lacks for sound through a sound server; empty when all is there."""
    lacking = []
    if shutil.which("jackd") is None or shutil.which("jack_wait") is None:
        lacking.append("jackd and jack_wait (package jackd2)")
    if ctypes.util.find_library("portaudio") is None:
        lacking.append("PortAudio (package libportaudio2)")
    if find_spec("jack") is None:
        lacking.append("the Python package JACK-Client")
    return ", ".join(lacking)


@contextlib.contextmanager
def sound_server() -> Iterator[subprocess.Popen]:
    """A sound server without hardware; processes started meanwhile find it through the environment."""
    before = {key: os.environ.get(key) for key in ("JACK_DEFAULT_SERVER", "JACK_NO_AUDIO_RESERVATION")}
    server, name = _started_server()
    os.environ.update(JACK_DEFAULT_SERVER=name, JACK_NO_AUDIO_RESERVATION="1")
    try:
        yield server
    finally:
        end(server)
        # A server that was killed leaves its shared memory behind.
        for left in Path("/dev/shm").glob(f"jack_*{name}_*"):
            left.unlink(missing_ok=True)
        for key, value in before.items():
            os.environ.pop(key) if value is None else os.environ.update({key: value})


def _started_server() -> tuple[subprocess.Popen, str]:
    # Few fixed names, not one for each run: the place of a server that was killed is free only to one of its own name,
    # and there are eight places. A name in use by another run is refused by the server itself.
    for number in range(4):
        name = f"kitproof-{number}"
        command = ["jackd", "--no-realtime", "-n", name, "-t", "3000", "-d", "dummy"]
        command += ["-r", f"{SAMPLE_RATE_HZ:.0f}", "-p", str(PERIOD_FRAMES)]
        environment = {**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"}
        server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
        deadline = time.monotonic() + 10
        while server.poll() is None and time.monotonic() < deadline:
            if _answers(name) and not has_ended(server, 0.5):
                return server, name
        end(server)
    raise RuntimeError("no sound server could be started under any of four names")


def _answers(name: str) -> bool:
    command = ["jack_wait", "-w", "-t", "2", "-s", name]
    return subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False).returncode == 0


def running_unit(settings: UnitSettings) -> contextlib.AbstractContextManager[subprocess.Popen]:
    """The client in a process of its own, on the server that the environment names."""
    return running_client(Path(__file__), json.dumps(asdict(settings)))


@contextlib.contextmanager
def running_client(script: Path, *arguments: str) -> Iterator[subprocess.Popen]:
    """A client that says "ready" and ends with its input."""
    process = subprocess.Popen(
        [sys.executable, str(script.resolve()), *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line == "ready\n", f"{script.stem} did not start: {line!r}"
        yield process
    finally:
        end(process)


def end(process: subprocess.Popen) -> None:
    """End a process that was started here, kindly at first."""
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
    # A client ends with its input; a server waits to be told.
    if process.stdin is not None and has_ended(process):
        return
    process.terminate()
    if not has_ended(process):
        process.kill()
        process.wait()


def has_ended(process: subprocess.Popen, within_s: float = 3.0) -> bool:
    """Whether a process ends by itself within a time."""
    try:
        process.wait(within_s)
    except subprocess.TimeoutExpired:
        return False
    return True


if __name__ == "__main__":
    serve(settings_from(json.loads(sys.argv[1])))
