"""What a simulated unit truly gives, in closed form: nothing here reads a capture."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from rig.circuit.driver import Driver
from rig.circuit.units import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S, speed_of_sound_m_s
from rig.signals.bands import band_edges_hz
from rig.signals.smoothing import smooth_power
from rig.signals.weighting import a_weighting_db
from rig.simulated.bench import SECOND_HARMONIC, THIRD_HARMONIC, WIDE_TRAVEL_HZ, SimulatedBench
from rig.simulated.elements import MovingCoil
from rig.simulated.noises import below_folding
from rig.simulated.room import PINK_BAND_HZ, reflections
from rig.simulated.unit import box_pressure_pa, lead_gain
from rig.values.requests import Sweep

Floats = NDArray[np.float64]

RATE_HZ = 48000.0
REFERENCE_PA = 20e-6
#: Lines of the room's transfer function: 4 seconds.
FRAMES = 4 * 48000
FREE_LINES = 3000


def sheet_of(coil: MovingCoil) -> Driver:
    """What a measurement of a driver in free air would find (Small, JAES 20, 1972)."""
    omega = 1 / np.sqrt(coil.mass_kg * coil.compliance_m_n)
    return Driver(
        name=coil.name,
        re_ohm=coil.re_ohm,
        fs_hz=omega / (2 * np.pi),
        qms=omega * coil.mass_kg / coil.resistance_n_s_m,
        qes=omega * coil.mass_kg * coil.re_ohm / coil.force_factor**2,
        vas_m3=AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2 * coil.area_m2**2 * coil.compliance_m_n,
        sd_m2=coil.area_m2,
        le_h=coil.le_h,
        le_exponent=coil.le_exponent,
    )


def pressure_pa(bench: SimulatedBench, request: Sweep, frequency_hz: Floats, in_room: bool) -> NDArray[np.complex128]:
    """Pressure at the microphone for one volt at the leads, of the box in front, by the unit's own physics."""
    speed = speed_of_sound_m_s(bench._sound.air_celsius)
    microphone_m = bench.kit.microphone_m(request.at, request.at, bench.kit.position(request.position))
    pressure = box_pressure_pa(bench.unit, request.at, microphone_m, frequency_hz, speed)
    if in_room:
        place = bench.kit.channel(request.at).place_m
        whole = reflections(bench._sound.room, (place[0], place[1]), microphone_m, FRAMES, RATE_HZ, speed)
        pressure = pressure * np.interp(frequency_hz, fft.rfftfreq(FRAMES, 1 / RATE_HZ), whole)
    return np.asarray(pressure)


def lead_peak_v(bench: SimulatedBench, request: Sweep, frequency_hz: Floats) -> Floats:
    """Peak of a tone at the leads."""
    output = bench.unit.output(request.channel)
    return np.asarray(request.level_v * np.sqrt(2) / request.path_gain * np.abs(lead_gain(output, frequency_hz)))


def travel_v(bench: SimulatedBench, request: Sweep, frequency_hz: Floats) -> Floats:
    """Peak of what the driver bends, which rises at low frequencies."""
    weight = (1 + 2 / (1 + (frequency_hz / WIDE_TRAVEL_HZ) ** 2)) * below_folding(frequency_hz / RATE_HZ)
    return np.asarray(lead_peak_v(bench, request, frequency_hz) * weight)


def fundamental_pa(bench: SimulatedBench, request: Sweep, frequency_hz: Floats, in_room: bool) -> Floats:
    """Peak pressure of the fundamental: a cubic term b x**3 adds 3/4 b peak**3 to it."""
    third = 1.5 * THIRD_HARMONIC * travel_v(bench, request, frequency_hz) ** 3
    peak_v = lead_peak_v(bench, request, frequency_hz) + third
    return np.asarray(peak_v * np.abs(pressure_pa(bench, request, frequency_hz, in_room)))


def level_db(bench: SimulatedBench, request: Sweep, frequency_hz: Floats, smoothing: float, in_room: bool) -> Floats:
    """Sound pressure level, smoothed over dense lines; in free air everything is smooth and fewer will do."""
    line_hz = np.geomspace(request.start_hz, request.stop_hz, FREE_LINES)
    if in_room:
        line_hz = fft.rfftfreq(FRAMES, 1 / RATE_HZ)
        line_hz = line_hz[(line_hz >= request.start_hz) & (line_hz <= request.stop_hz)]
    power = fundamental_pa(bench, request, line_hz, in_room) ** 2 / 2
    smooth = smooth_power(power, line_hz, np.clip(frequency_hz, line_hz[0], line_hz[-1]), smoothing)
    return np.asarray(10 * np.log10(smooth / REFERENCE_PA**2))


def harmonic_db(bench: SimulatedBench, request: Sweep, frequency_hz: Floats, order: int) -> Floats:
    """Second or third harmonic at the microphone in the room over the fundamental: a x**2 and b x**3 of a sine."""
    peak = travel_v(bench, request, frequency_hz)
    bent = {2: SECOND_HARMONIC * np.sqrt(2) / 2 * peak**2, 3: 2 * THIRD_HARMONIC / 4 * peak**3}[order]
    played = bent * np.abs(pressure_pa(bench, request, order * frequency_hz, True))
    return np.asarray(20 * np.log10(played / fundamental_pa(bench, request, frequency_hz, True)))


@lru_cache(maxsize=4)
def noise_density(ambient_db: float, floor_pa: float) -> tuple[Floats, Floats]:
    """Frequencies and power of pink noise and a converter's white one in each line of 1 Hz, in squared pascal."""
    line_hz = np.arange(1.0, RATE_HZ / 2)
    inside = (line_hz >= PINK_BAND_HZ[0]) & (line_hz <= PINK_BAND_HZ[1])
    pink = np.where(inside, 1 / line_hz, 0.0)
    power = (REFERENCE_PA * 10 ** (ambient_db / 20)) ** 2 * pink / pink.sum() + floor_pa**2 / (RATE_HZ / 2)
    return line_hz, power


def noise_dba(ambient_db: float, floor_pa: float) -> float:
    """A-weighted level of the room's and the converter's noise."""
    line_hz, power = noise_density(ambient_db, floor_pa)
    weighted = power * 10 ** (a_weighting_db(line_hz) / 10)
    return float(10 * np.log10(weighted.sum() / REFERENCE_PA**2))


def band_db(ambient_db: float, floor_pa: float, mid_hz: Floats) -> Floats:
    """Levels of the noise in third-octave bands."""
    line_hz, power = noise_density(ambient_db, floor_pa)
    upto = np.concatenate(([0.0], np.cumsum(power)))
    edges = [np.interp(edge, np.append(line_hz - 0.5, line_hz[-1] + 0.5), upto) for edge in band_edges_hz(mid_hz, 3)]
    return np.asarray(10 * np.log10((edges[1] - edges[0]) / REFERENCE_PA**2))
