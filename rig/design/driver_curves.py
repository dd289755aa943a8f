"""A driver's own curves, measured by the builder and given as files: its impedance, and its level.

What the curves show beyond the lumped model becomes a factor on the model's impedance and pressure, as what good builds
teach does; parameters are fitted to an impedance in free air first, so that the factor is no more than the rest.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np

from rig.circuit.box import Box, driver_impedance
from rig.circuit.channel import Branch, Channel, box_of
from rig.circuit.driver import Driver
from rig.circuit.factor import Factor
from rig.circuit.fit import Fit, default_parameters, fit_impedance
from rig.circuit.minimum_phase import minimum_phase
from rig.circuit.radiation import driver_pressure_pa, microphone_at
from rig.circuit.units import Complex, Floats
from rig.files.columns import read_curve_columns
from rig.files.errors import TableError
from rig.files.tables import Table, between, is_beside_kit
from rig.signals.levels import REFERENCE_PRESSURE_PA

#: Points an octave at which a factor is kept; numerical.
PER_OCTAVE = 24
#: A fit that leaves more than this of an impedance (root mean square of the relative difference) is of no driver; our
#: choice.
FIT_WITHIN = 0.1
#: The second fit reaches from the lowest frequency to so many times the resonance, where that leaves so many points;
#: numerical.
UP_TO_FS, LEAST_POINTS = 8.0, 12
#: So many times its resonance a driver's level is that of its mass and magnet alone (common practice, no source).
PASSBAND_FS = (3.0, 8.0)
#: What a fit tells of a driver in free air; the exponent is last.
FITTED = ("re_ohm", "fs_hz", "qms", "qes", "le_h", "le_exponent")


class ImpedanceCurve(Table):
    """A driver's impedance at its own terminals, from a file of columns (`rig.files.columns`)."""

    file: Annotated[str, is_beside_kit()]
    mounted: Literal["free air", "box"] = "free air"


class LevelCurve(Table):
    """A driver's level on its axis without its network, from a file of columns."""

    file: Annotated[str, is_beside_kit()]
    #: A sheet's curves are those on a large baffle.
    mounted: Literal["large baffle", "box"] = "large baffle"
    volts: Annotated[float, between(0.01, 100)] = 2.83
    distance_m: Annotated[float, between(0.1, 10)] = 1.0


@dataclass(frozen=True, eq=False)
class DriverCurves:
    """What the files of a driver hold. Arrays of shape (n,); None: no such file."""

    impedance: tuple[ImpedanceCurve, Floats, Complex] | None
    #: Natural logarithm of the pressure in pascal, and phase in radians where the file has one.
    level: tuple[LevelCurve, Floats, Floats, Floats | None] | None
    #: What the impedance in free air tells of the driver, by the lumped model's names.
    fitted: Mapping[str, float]

    def passband_db(self, fs_hz: float, band_hz: tuple[float, float]) -> float | None:
        """Level for 2.83 V at 1 m on a large baffle where a driver moves as a piston; None where no file tells.

        That is well above its resonance, before inductance and size show, as far as it is in the file and the band.
        """
        if self.level is None or self.level[0].mounted != "large baffle":
            return None
        at, frequency, log, _ = self.level
        low, high = max(band_hz[0], frequency[0]), min(band_hz[1], frequency[-1])
        if low < high:
            low, high = (float(np.clip(times * fs_hz, low, high)) for times in PASSBAND_FS)
        mean = float(np.mean(np.interp(np.log(np.geomspace(low, high, 60)), np.log(frequency), log)))
        return float(20 * np.log10(np.exp(mean) * at.distance_m * 2.83 / at.volts / REFERENCE_PRESSURE_PA))


def read_driver_curves(
    impedance: ImpedanceCurve | None, level: LevelCurve | None, start: Driver, folder: Path, files: Mapping[Path, bytes]
) -> DriverCurves:
    """Read a driver's files, which stand beside kit.toml; `start` is the driver as far as it is known without them.

    Raises
    ------
    TableError
        If a file is missing or wrong, or shows the impedance of no driver in free air.
    """
    of_impedance, of_level, fitted = None, None, {}
    if impedance is not None:
        path = folder / impedance.file
        found = read_curve_columns(path, "ohm", files.get(path))
        log = np.log(found.magnitude)
        phase = np.radians(found.degrees) if found.degrees is not None else minimum_phase(found.frequency_hz, log, True)
        ohm = np.asarray(np.exp(log + 1j * phase))
        of_impedance = (impedance, found.frequency_hz, ohm)
        if impedance.mounted == "free air":
            fitted = _fitted(start, found.frequency_hz, ohm, path)
    if level is not None:
        found = read_curve_columns(folder / level.file, "dB", files.get(folder / level.file))
        log = found.magnitude * np.log(10) / 20 + np.log(REFERENCE_PRESSURE_PA)
        turn = None if found.degrees is None else np.unwrap(np.radians(found.degrees))
        of_level = (level, found.frequency_hz, log, turn)
    return DriverCurves(of_impedance, of_level, fitted)


def _fitted(start: Driver, frequency_hz: Floats, ohm: Complex, path: Path) -> dict[str, float]:
    """Parameters of the driver: all over the whole curve, then all but the exponent around the resonance.

    So far below the treble a free exponent would pass for resistance, and a cone's resonances lie above.
    """
    if frequency_hz.size < len(FITTED):
        raise TableError(f"{path}: found {frequency_hz.size} lines with numbers; allowed: {len(FITTED)} or more")
    whole = _fit(start, frequency_hz, ohm, FITTED)
    below = frequency_hz <= UP_TO_FS * whole.values["fs_hz"]
    around = whole
    if below.sum() > LEAST_POINTS:
        changes: dict[str, Any] = {name: whole.values[name] for name in FITTED if name in whole.values}
        near = replace(start, **changes)
        around = _fit(near, frequency_hz[below], ohm[below], FITTED[:-1])
    if not around.converged or around.residual_rms_relative > FIT_WITHIN:
        raise TableError(
            f"{path}: found an impedance that no driver has in free air (the nearest is "
            f"{100 * around.residual_rms_relative:.0f} % off); allowed: that of the bare driver, or "
            'mounted = "box" for one in its box without its network'
        )
    found = {**whole.values, **around.values}
    return {name: found[name] for name in FITTED if name in found}


def _fit(start: Driver, frequency_hz: Floats, ohm: Complex, names: Sequence[str]) -> Fit:
    alone = Channel("alone", (Branch(start),))
    return fit_impedance(
        alone, frequency_hz, ohm, start.name, [n for n in default_parameters(alone, start.name) if n in names]
    )


@lru_cache(maxsize=64)
def with_curves(driver: Driver, box: Box, baffle_width_m: float, curves: DriverCurves) -> Driver:
    """A driver of a box with what its own curves show beyond the lumped model."""
    if curves.impedance is not None:
        at, frequency, ohm = curves.impedance
        model = driver_impedance(driver, Box() if at.mounted == "free air" else box, frequency)
        driver = replace(driver, impedance_factor=_factor(frequency, np.log(ohm / model)))
    if curves.level is not None:
        where, frequency, log, turn = curves.level
        has_box = where.mounted == "box"
        on_axis = replace(driver, position_m=(0.0, 0.0), offset_m=0.0, polarity=1)
        alone = Channel("alone", (Branch(on_axis),), box if has_box else Box(), baffle_width_m if has_box else None)
        pressure = driver_pressure_pa(alone, frequency, where.volts, microphone_at(where.distance_m))[0]
        more = log - np.log(np.abs(pressure))
        phase = minimum_phase(frequency, more)
        if turn is not None:
            phase = phase + _without_delay(frequency, np.unwrap(turn - np.angle(pressure) - phase), driver.band_hz)
        driver = replace(driver, pressure_factor=_factor(frequency, more + 1j * phase))
    return driver


def driver_with_curves(channel: Channel, driver: Driver, curves: DriverCurves) -> Driver:
    """A driver of a channel (of one unit) with what its own curves show."""
    width = channel.baffle_width_m
    return with_curves(driver, box_of(channel, driver), float(np.inf if width is None else width), curves)


def _without_delay(frequency: Floats, phase: Floats, band_hz: tuple[float, float]) -> Floats:
    """What a file's phase has beyond a minimum one, without delay and sign: where a driver stands is the kit's."""
    inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    inside = inside if inside.sum() > 2 else np.ones_like(inside)
    slope, start = np.polyfit(frequency[inside], phase[inside], 1)
    return np.asarray(phase - slope * frequency - np.pi * np.round(start / np.pi))


def _factor(frequency: Floats, log: Complex) -> Factor:
    """A factor at no more points than it needs; nothing is said of how good units differ in it."""
    octaves = np.log2(frequency[-1] / frequency[0])
    grid = np.geomspace(frequency[0], frequency[-1], min(max(int(octaves * PER_OCTAVE) + 1, 2), frequency.size))
    unwrapped = log.real + 1j * np.unwrap(log.imag)
    at, known = np.log(grid), np.log(frequency)
    kept = np.interp(at, known, unwrapped.real) + 1j * np.interp(at, known, unwrapped.imag)
    return Factor(grid, np.asarray(kept), np.zeros(grid.size, np.complex128))
