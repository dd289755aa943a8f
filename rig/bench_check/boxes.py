"""The captures of the stage playing, and each box that the microphone hears held against the design."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rig.bench_check.measured import gain_db, has_signal, with_right_loopback
from rig.circuit.radiation import pressure_pa
from rig.design.kit import Kit
from rig.signals.arrays import Complex
from rig.signals.deconvolution import gated_frequency_response
from rig.signals.gating import Gated, gate
from rig.signals.phase import mean_cosine
from rig.signals.smoothing import log_frequency_grid
from rig.values.captures import Capture, Untrusted
from rig.values.readings import Floats
from rig.values.requests import Sweep
from rig.verdict.responses import (
    CALIBRATED_WITHIN_DB,
    OUTPUT_WITHIN_DB,
    AcousticResponse,
    acoustic_response,
    air_speed_m_s,
    band_gate,
    noise_power,
)

#: A short gate keeps the room out of what is reported of a box: before and after the arrival; and where it can tell
#: (our choice; tests/benchmarks/bench_faults.py).
SHORT_GATE_S = (0.001, 0.0035)
SHORT_FROM_HZ, SHORT_TO_HZ = 400.0, 16000.0
#: A box that plays nothing above this is looked at through a long one (our choice; tests/benchmarks/bench_faults.py).
BASS_BELOW_HZ = 2000.0
EVENED_POINTS = 18
#: A level is off by a gain alone where so many percent of it lie so close to their median (our choice;
#: tests/benchmarks/bench_faults.py).
EVEN_PERCENT, EVEN_DB = 80, 1.5
#: Points of an octave that tell its phase (our choice; tests/benchmarks/bench_faults.py).
FEWEST_OF_OCTAVE = 12
#: Points of a response that count stand so far above the noise (our choice; tests/benchmarks/bench_faults.py).
CLEAR_DB = 12.0


@dataclass(frozen=True, eq=False)
class BoxLevel:
    """One box at the microphone against the design, at frequencies that stand out of the noise."""

    channel: str
    grid: Floats
    #: Measured and expected, pascal per volt at the leads, shape (n,).
    measured: Complex
    expected: Complex
    #: True: timed by the loopback.
    timed: bool

    @property
    def off_db(self) -> float:
        """Median level against the design."""
        return float(np.median(self.shape_db))

    @property
    def shape_db(self) -> Floats:
        """Level against the design in half octaves, shape (n,)."""
        return np.asarray(10 * np.log10(evened(np.abs(self.measured) ** 2) / evened(np.abs(self.expected) ** 2)))

    @property
    def is_even(self) -> bool:
        """Whether a gain alone would bring the level to the design's: a driver that is off bends it."""
        return float(np.percentile(np.abs(self.shape_db - self.off_db), EVEN_PERCENT)) < EVEN_DB

    @cached_property
    def best(self) -> tuple[float, float]:
        """Delay against the design in seconds, and the mean cosine of the phase there: -1 is upside down.

        The delay is the one at which most of the octaves agree with the design, each by itself and whatever its sign:
        a driver connected the wrong way round turns its octaves over and moves nothing.
        """
        delays, agreement = self._agreements
        at = int(np.argmax(agreement))
        return float(delays[at]), float(mean_cosine(self.measured, self.expected, self.grid, delays[at : at + 1])[0])

    @cached_property
    def moved(self) -> tuple[float, float]:
        """Agreement with the design at the best delay, 0 to 1, and how much of it is lost without that delay."""
        delays, agreement = self._agreements
        best = float(np.max(agreement))
        return best, best - float(np.interp(0.0, delays, agreement))

    @cached_property
    def _agreements(self) -> tuple[Floats, Floats]:
        """Delays in seconds, and the mean over octaves of the magnitude of the mean cosine at each, shape (n,)."""
        delays = np.arange(-4e-3, 4e-3, 5e-6)
        octave = np.floor(np.log2(self.grid / self.grid[0])).astype(int)
        cosines = [
            np.abs(mean_cosine(self.measured[inside], self.expected[inside], self.grid[inside], delays))
            for inside in (octave == n for n in range(octave[-1] + 1))
            if np.count_nonzero(inside) >= FEWEST_OF_OCTAVE
        ]
        return delays, np.mean(cosines, axis=0)


def evened(values: Floats) -> Floats:
    """Running mean over half an octave of `_gated`'s grid."""
    reach = EVENED_POINTS // 2
    return np.convolve(np.pad(values, reach, mode="edge"), np.full(2 * reach + 1, 1 / (2 * reach + 1)), "valid")


@dataclass(frozen=True, eq=False)
class Playing:
    """The captures of the stage: silence, each channel's quiet sweep, and the first channel's again, longer and softer.

    The microphone stands at the first box all the time.
    """

    kit: Kit
    silence: Capture
    sweeps: tuple[Capture, ...]
    soft: Capture

    @property
    def all_sweeps(self) -> tuple[Capture, ...]:
        """Everything that sounds."""
        return (*self.sweeps, self.soft)

    @property
    def has_loopback(self) -> bool:
        """Whether a loopback is wired."""
        return self.silence.has("loopback")

    @property
    def loops(self) -> bool:
        """Whether the loopback brings what is played."""
        return self.has_loopback and all(has_signal(capture, "loopback") for capture in self.sweeps)

    @cached_property
    def box_levels(self) -> tuple[BoxLevel, ...]:
        """The boxes that the microphone hears."""
        return tuple(one for capture in self.sweeps if (one := box_level(self, capture)))


def box_level(bench: Playing, capture: Capture) -> BoxLevel | None:
    """A box against the design where it stands; None where the microphone does not hear it."""
    if not has_signal(capture, "microphone"):
        return None
    request, kit = capture.request, bench.kit
    try:
        response = acoustic_response(with_right_loopback(capture))
        gated, grid = _gated(response, request)
        design = designed_pa(kit, request, capture, grid)
    except (Untrusted, ValueError):
        return None
    measured = gated_frequency_response(gated, response.sent, grid)
    noise = np.sqrt(noise_power(response, gated, grid))
    clear = np.abs(measured) > noise * 10 ** (CLEAR_DB / 20)
    if np.count_nonzero(clear) < grid.size / 4:
        return None
    arrival_s = gated.first_s + float(gated.time_zero_s) - response.zero_s
    measured = measured * np.exp(-2j * np.pi * grid * arrival_s)
    return BoxLevel(request.channel, grid[clear], measured[clear], design[clear], response.timed)


def designed_pa(kit: Kit, request: Sweep, capture: Capture, frequency_hz: Floats) -> Complex:
    """Pascal per volt of a box at the microphone, in the air of a capture, by the design; shape (n,)."""
    microphone_m = kit.microphone_m(request.channel, request.at, kit.position(request.position))
    model = kit.model(request.channel, request.position)
    return pressure_pa(model, frequency_hz, 1.0, microphone_m, air_speed_m_s(capture)).reshape(-1)


def _gated(response: AcousticResponse, request: Sweep) -> tuple[Gated, Floats]:
    """A short gate that keeps the room out, or a long one for a box that plays bass alone; and what it can tell."""
    if request.stop_hz < BASS_BELOW_HZ:
        grid = log_frequency_grid(request.start_hz, request.stop_hz, 24)
        return band_gate(response, grid), grid
    grid = log_frequency_grid(max(SHORT_FROM_HZ, request.start_hz), min(request.stop_hz, SHORT_TO_HZ), 36)
    return gate(response.impulse, response.sample_rate_hz, response.arrival_s, *SHORT_GATE_S), grid


def way_s(bench: Playing, channel: str) -> float:
    """Time of flight from a box to where the microphone stands."""
    request = bench.sweeps[0].request
    way_m = bench.kit.microphone_m(channel, request.at, bench.kit.position(request.position))
    return float(np.linalg.norm(way_m)) / air_speed_m_s(bench.silence)


def looped_db(bench: Playing) -> float:
    """Level at the loopback against what was asked for, or what it was when calibrated; 0 without a loopback."""
    if not bench.loops:
        return 0.0
    found = np.median([gain_db(capture, "loopback") for capture in bench.sweeps])
    return float(found) - (bench.silence.calibration.loopback_db or 0.0)


def output_within_db(bench: Playing) -> float:
    """How far the output's level may be off."""
    return OUTPUT_WITHIN_DB if bench.silence.calibration.loopback_db is None else CALIBRATED_WITHIN_DB


def output_off_db(bench: Playing) -> float:
    """How far the card's output is off: as the loopback says, unless the boxes' level speaks against it."""
    off_db = looped_db(bench)
    levels_db = [one.off_db for one in bench.box_levels]
    believed = not levels_db or abs(np.median(levels_db) - off_db) < abs(np.median(levels_db))
    return off_db if believed and abs(off_db) > output_within_db(bench) else 0.0
