"""Many units of a demonstration kit, drawn from its tolerances and played to its polarity check.

Only the drawn transfer functions are the project's; time of flight, reversals, latency, reflection and noise are made
here.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from captures import ALLOWANCE_S, BENCH, RATE_HZ, V_PER_PA, captured, demo_kit, playing
from numpy.typing import NDArray
from scipy import fft

from checks import polarity
from rig.circuit.radiation import driver_pressure_pa, microphone_at
from rig.circuit.tolerance import draw
from rig.design.kit import Kit, SweepSpec
from rig.design.speaker import ChannelSpec, DriverSpec
from rig.values.captures import Capture
from rig.values.readings import Reading
from rig.values.requests import Sweep

#: Frequencies at which drawn units are worked out; between them they are interpolated.
GRID_HZ = np.geomspace(4.0, 24000.0, 600)
NOISE_BELOW_DB = 20.0
REVERSED_PART = 0.35
SECONDS = 0.4


@dataclass(frozen=True)
class ReadPolarity:
    """One polarity reading and what it should be."""

    unit: int
    reading: Reading
    true: int
    #: What the check says speaks for it; NaN for readings without.
    confidence: float


@dataclass(frozen=True)
class Place:
    """Where the microphone really stands, what the air is like and what is reflected."""

    aside_m: float
    up_m: float
    closer_m: float
    air_m_s: float
    echo_s: float
    echo_gain: float

    @classmethod
    def drawn(cls, random: np.random.Generator) -> "Place":
        return cls(
            *(random.uniform(-5e-3, 5e-3) for _ in range(3)),
            air_m_s=random.uniform(341.0, 347.0),
            echo_s=random.uniform(1.5e-3, 7e-3),
            echo_gain=10 ** (random.uniform(-14, -7) / 20),
        )

    def path_m(self, driver: DriverSpec, distance_m: float) -> float:
        right, up = self.aside_m - driver.right_mm * 1e-3, self.up_m - driver.up_mm * 1e-3
        return float(np.sqrt(right**2 + up**2 + (distance_m - self.closer_m + (driver.behind_mm or 0.0) * 1e-3) ** 2))


NOMINAL = Place(0.0, 0.0, 0.0, 343.0, 0.0, 0.0)


def short_kit(name: str) -> Kit:
    """The demonstration kit with a short sweep, so that a thousand units take no hour."""
    kit = demo_kit(name)
    spec = kit.sweeps.playing
    short = SweepSpec(start_hz=spec.start_hz, stop_hz=spec.stop_hz, seconds=SECONDS)
    return kit.model_copy(update={"sweeps": kit.sweeps.model_copy(update={"playing": short})})


def drawn_pressures(kit: Kit, units: int, random: np.random.Generator) -> dict[str, NDArray[np.complex128]]:
    """Of each channel the pressure of its drivers without their flight, shape (drivers, units, GRID_HZ)."""
    distance_m = kit.positions[0].distance_m
    pressures = {}
    for channel in kit.channels:
        model = draw(kit.model(channel.name), random, units)
        whole = driver_pressure_pa(model, GRID_HZ, 1.0, microphone_at(distance_m), 343.0)
        paths = np.array([NOMINAL.path_m(driver, distance_m) for driver in channel.drivers])
        pressures[channel.name] = whole * np.exp(2j * np.pi * GRID_HZ * paths[:, None, None] / 343.0)
    return pressures


@lru_cache(maxsize=4)
def _neighbours(size: int, highest_hz: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    position = np.interp(np.linspace(0, highest_hz, size), GRID_HZ, np.arange(GRID_HZ.size))
    below = np.minimum(position.astype(np.int64), GRID_HZ.size - 2)
    return below, position - below


def between(frequency_hz: NDArray[np.float64], values: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Values on GRID_HZ, at evenly spaced frequencies from 0 on."""
    below, part = _neighbours(frequency_hz.size, float(frequency_hz[-1]))
    return np.asarray(values[below] + part * (values[below + 1] - values[below]))


def heard(channel: ChannelSpec, pressures: NDArray[np.complex128], signs: list[int], place: Place, distance_m: float):
    """Pascal per volt of one unit's channel, each driver along its own path, and one reflection."""

    def response(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        total = np.zeros(frequency_hz.size, np.complex128)
        for driver, own, sign in zip(channel.drivers, pressures, signs, strict=True):
            path_m = place.path_m(driver, distance_m)
            nearer = NOMINAL.path_m(driver, distance_m) / path_m
            total += (
                sign * nearer * between(frequency_hz, own) * np.exp(-2j * np.pi * frequency_hz * path_m / place.air_m_s)
            )
        return total * (1 + place.echo_gain * np.exp(-2j * np.pi * frequency_hz * place.echo_s))

    return response


def band_noise(
    request: Sweep,
    channel: ChannelSpec,
    pressures: NDArray[np.complex128],
    frames: int,
    rate_hz: float,
    random: np.random.Generator,
) -> NDArray[np.float64]:
    """Noise in volts that stands 20 dB below the sweep in the band of each driver.

    In the band both are RMS: the sweep's over the time in which it passes the band. The noise is pink there, and
    straight on logarithmic axes between the bands and beyond.
    """
    at_hz, per_octave = [], []
    for driver, own in zip(channel.drivers, pressures, strict=True):
        low, high = driver.band_hz
        inside = (low <= GRID_HZ) & (high >= GRID_HZ)
        # A sweep that is even over the logarithm of frequency passes all octaves in the same time.
        power = np.mean(np.abs(own[inside]) ** 2) * request.level_v**2 * 10 ** (-NOISE_BELOW_DB / 10)
        at_hz += [low, high]
        per_octave += [power / np.log(high / low)] * 2
    size = int(fft.next_fast_len(frames, real=True))
    frequency_hz = np.maximum(fft.rfftfreq(size, 1 / rate_hz), 4.0)
    order = np.argsort(at_hz)
    logs = np.interp(np.log(frequency_hz), np.log(at_hz)[order], np.log(per_octave)[order])
    density = np.exp(logs) / frequency_hz
    parts = random.standard_normal((2, frequency_hz.size))
    spectrum = (parts[0] + 1j * parts[1]) * np.sqrt(density * rate_hz * size / 4)
    return np.asarray(fft.irfft(spectrum, size)[:frames] * V_PER_PA)


def capture_of(
    kit: Kit,
    channel: ChannelSpec,
    pressures: NDArray[np.complex128],
    signs: list[int],
    random: np.random.Generator,
    loopback: bool = True,
) -> Capture:
    """One channel of one unit as the bench hears it."""
    request = kit.sweep("playing", channel.name, position=kit.positions[0].name)
    place = Place.drawn(random)
    response = heard(channel, pressures, signs, place, kit.positions[0].distance_m)
    plan = request.layout(RATE_HZ)
    frames = plan.frames + round(ALLOWANCE_S * RATE_HZ)
    noise = band_noise(request, channel, pressures, frames, RATE_HZ, random)
    return captured(
        request,
        playing(request, response, loopback=loopback),
        replace(BENCH, air_celsius=20.0),
        latency=random.uniform(20, 4000),
        noise={"microphone": noise},
    )


def tell(name: str, first: int, last: int, seed: int, loopback: bool = True) -> list[ReadPolarity]:
    """Read units `first` to `last` of a kit."""
    kit = short_kit(name)
    settings = polarity.Settings.model_validate(kit.checks["polarity"])
    pressures = drawn_pressures(kit, last - first, np.random.default_rng([seed, first]))
    found = []
    for unit in range(first, last):
        random = np.random.default_rng([seed, 1_000_000 + unit])
        signs, captures = {}, []
        for channel in kit.channels:
            signs[channel.name] = [-1 if random.random() < REVERSED_PART else 1 for _ in channel.drivers]
            own = pressures[channel.name][:, unit - first]
            captures.append(capture_of(kit, channel, own, signs[channel.name], random, loopback))
        read = polarity.read(captures, settings, kit)
        sure = {r.subject: r.value for r in read.readings if r.quantity == "confidence"}
        truths = true_signs(kit, signs, settings)
        for reading in read.readings:
            key = reading.quantity, reading.subject
            if key in truths:
                found.append(ReadPolarity(unit, reading, truths[key], sure.get(reading.subject, float("nan"))))
    return found


def true_signs(kit: Kit, signs: dict[str, list[int]], settings: polarity.Settings) -> dict[tuple[str, str], int]:
    """What each reading ought to be; 0 where drivers of one channel disagree."""
    truths = {}
    for channel in kit.channels:
        own = signs[channel.name]
        for driver, sign in zip(channel.drivers, own, strict=True):
            truths["driver polarity", f"{channel.name} {driver.name}"] = sign
        truths["channel polarity", channel.name] = own[0] if len(set(own)) == 1 else 0
    pairs = [(a.name, b.name) for a, b in kit.equal_channels()] + [(c.low, c.high) for c in settings.crossings]
    for a, b in pairs:
        # With several drivers: 0 unless all of them stand to their fellows alike.
        relative = {x * y for x, y in zip(signs[a], signs[b], strict=True)}
        truths["polarity between", f"{a} against {b}"] = relative.pop() if len(relative) == 1 else 0
    return truths
