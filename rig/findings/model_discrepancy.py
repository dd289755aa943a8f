"""What a learnt design leaves open of a channel with a fault: how far what was left out of the model shows in it.

Good builds have taught each driver's impedance and pressure but for a smooth factor of a known spread
(`rig.circuit.factor`), and each part's impedance is its value's but for losses. What that does to a curve follows from
how far the curve hangs on the driver or part at each frequency, under the fault: much beside a sharp resonance that the
fault makes, nothing where the network shuts a driver off. So a fault is not refused for a resonance's Q, nor for what a
tweeter does below its band once its capacitor is bridged.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from rig.circuit.builds_model import NEPER_DB, Z_FACTOR
from rig.circuit.channel import Branch, Channel, channel_parts, find_part, map_parts
from rig.circuit.factor import Factor, smooth_correlation
from rig.circuit.parts import Part
from rig.circuit.units import Complex, Floats, Value
from rig.findings.branches import branches_of, channel_impedance_ohm
from rig.findings.dictionary import Cause, Hypothesis, unchanged
from rig.findings.observed import SILENT, Asked, compressed_ohm
from rig.findings.prediction import Scene, design, driver_pressures, with_fault

#: Of a part's impedance besides its value: of the magnitude, and of its angle in radians, which is its losses (film
#: 0.001 to 0.01, bipolar electrolytic 0.02 to 0.05). Common practice, no source.
PART_SIGMA = 0.004 + 0.015j
#: A coil of another value is of another wire: so far is its resistance from the right one's (logarithm).
WIRE_SIGMA, WIRE = 0.8, "wire of "
#: What was left out of a driver in its box is the driver's or the box's: once one of them is another one, it may be
#: gone, and something else there, up to so many times the driver's resonance (our choice;
#: tests/benchmarks/naming_faults.py).
OF_RESONANCE = 5.0
OF_THE_BOX = ("leak", "damping", "blocked port", "tuning")
OF_DRIVERS = ("weak", "resonance", "shorted turns", "impedance", "driver leads")
#: Step of the logarithm of a component's impedance; numerical.
STEP = 1e-4


def left_out(scene: Scene, hypothesis: Hypothesis, like: Asked) -> Floats:
    """Covariance of what is observed from what was left out of the model, shape (values, values).

    Numbers that are means over bands have none: their own spread is wide enough.
    """
    columns, wires = left_out_columns(scene, hypothesis, like)
    size = len(columns)
    found = np.zeros((size + len(like.bands) + like.has_ping + like.has_others,) * 2)
    found[:size, :size] = columns @ columns.T * _correlation(like) + wires @ wires.T
    return found


@lru_cache(maxsize=8)
def _correlation(like: Asked) -> Floats:
    hertz = np.array([*like.z_hz, *like.z_hz, *like.level_hz, *like.low_hz])
    return smooth_correlation(hertz, hertz)


# As many as `likelihood.linear_at_start` has.
@lru_cache(maxsize=256)
def left_out_columns(scene: Scene, hypothesis: Hypothesis, like: Asked) -> tuple[Floats, Floats]:
    """Standard deviations of impedance and levels, shape (values, columns) each.

    One column for either part of each factor, which is smooth; and one for each coil of another value, whose wire is
    another one as well.
    """
    z, level, wires = _slopes(scene, hypothesis, like)
    is_low = np.arange(level.shape[1]) >= len(like.level_hz)
    if is_low.any():
        # Low levels are differences to a good build: what is left out of both alike does not show.
        level = level - np.where(is_low, _slopes(scene, _nothing(scene), like)[1], 0)
    z_sigma, level_sigma = (
        _sigmas(scene.model, hypothesis, np.array(hertz)) for hertz in (like.z_hz, [*like.level_hz, *like.low_hz])
    )
    columns = np.concatenate(
        [
            np.concatenate([z.real * z_sigma.real, z.imag * z_sigma.real, level.real * level_sigma.real], axis=1),
            np.concatenate([-z.imag * z_sigma.imag, z.real * z_sigma.imag, -level.imag * level_sigma.imag], axis=1),
        ]
    ).T
    return columns, wires


def _nothing(scene: Scene) -> Hypothesis:
    return Hypothesis(Cause("good", scene.model.name), unchanged)


def _slopes(scene: Scene, hypothesis: Hypothesis, like: Asked) -> tuple[Complex, Complex, Floats]:
    """What the logarithm of each factor does, the drivers' and parts' impedances first, then the drivers' pressures.

    To the compressed impedance and to the compressed levels in dB, as complex numbers whose real part a magnitude sees
    of a magnitude; shape (factors, frequencies) each. And one standard deviation of the wire of each coil of another
    value, shape (values, coils).
    """
    coils = [name for name in wrong_parts(hypothesis) if find_part(scene.model, name).kind == "L"]
    stepped, count = _stepped(scene.model, coils)
    factors = count - len(coils)
    faults = 1 + (hypothesis.second is not None)
    faulty, _ = with_fault(hypothesis, stepped, np.zeros((count + 1, faults)))
    drivers = len(scene.model.drivers)
    z_hz, level_hz = np.asarray(like.z_hz), np.array([*like.level_hz, *like.low_hz])
    z = compressed_ohm(channel_impedance_ohm(branches_of(faulty, count + 1), z_hz))
    z = np.broadcast_to(z, (count + 1, z_hz.size))
    pressure = driver_pressures(scene, hypothesis, faulty, level_hz)
    pressure = pressure if pressure.ndim > 2 else pressure[:, np.newaxis]
    pressure = np.broadcast_to(pressure, (drivers, count + 1, level_hz.size))
    total, ratio = (
        pressure.sum(axis=0),
        np.abs(pressure[:, -1].sum(axis=0)) / np.abs(design(scene, level_hz).sum(axis=0)),
    )
    compressed = NEPER_DB * ratio / (ratio + SILENT)
    of_z = (z[:-1] - z[-1]) / STEP
    of_level = compressed * np.log(total[:-1] / total[-1]) / STEP
    heard_of = compressed * pressure[:, -1] / total[-1]
    wires = np.concatenate([of_z.real, of_z.imag, of_level.real], axis=1)[factors:].T * WIRE_SIGMA
    of_z, of_level = of_z[:factors], of_level[:factors]
    return np.concatenate([of_z, np.zeros((drivers, z_hz.size))]), np.concatenate([of_level, heard_of]), wires


def wrong_parts(hypothesis: Hypothesis) -> list[str]:
    """Parts that are said to be of another value than the kit's."""
    second = [] if hypothesis.second is None else wrong_parts(hypothesis.second)
    return [*(hypothesis.cause.what if hypothesis.cause.kind == "value" else ()), *second]


def _stepped(channel: Channel, coils: Sequence[str]) -> tuple[Channel, int]:
    """Units with one impedance a step larger each: drivers, parts, then the wire of some coils; the last as it is.

    And how many are stepped.
    """
    names = [*(driver.name for driver in channel.drivers), *(part.name for part in channel_parts(channel))]
    names += [WIRE + name for name in coils]
    rows = 1 + STEP * np.eye(len(names) + 1)

    def by(name: str) -> Floats:
        return rows[:, names.index(name) : names.index(name) + 1]

    def part_of(part: Part) -> Part:
        value: Value = part.value / by(part.name) if part.kind == "C" else part.value * by(part.name)
        wire = by(WIRE + part.name) if part.name in coils else 1.0
        return replace(part, value=value, series_ohm=part.series_ohm * by(part.name) * wire)

    def branch_of(branch: Branch) -> Branch:
        # Blocked impedance and the square of Bl go with the whole; Qes, the ratio of the two, stays.
        driver, times = branch.driver, by(branch.driver.name)
        return replace(branch, driver=replace(driver, re_ohm=driver.re_ohm * times, le_h=driver.le_h * times))

    changed = map_parts(channel, part_of)
    return replace(changed, branches=tuple(map(branch_of, changed.branches))), len(names)


def _sigmas(channel: Channel, hypothesis: Hypothesis, frequency_hz: Floats) -> Complex:
    """Standard deviations of both parts of the logarithm of each factor, in the order of `_slopes`."""
    other = hypothesis.cause, *((hypothesis.second.cause,) if hypothesis.second else ())
    changed = {name for cause in other if cause.kind in OF_DRIVERS for name in cause.what}
    if any(cause.kind in OF_THE_BOX for cause in other):
        changed |= {driver.name for driver in channel.drivers if driver.in_box}

    def of(factor: Factor | None, below_hz: float = 0.0) -> Complex:
        if factor is None:
            return np.zeros(frequency_hz.size, np.complex128)
        sigma, gone = factor.sigma_at(frequency_hz), np.log(factor.at(frequency_hz))
        here = np.where(frequency_hz < below_hz, 1.0, 0.0)
        real, imaginary = (
            np.hypot(known, here * np.hypot(part, Z_FACTOR))
            for known, part in ((sigma.real, gone.real), (sigma.imag, gone.imag))
        )
        return np.asarray(real + 1j * imaginary)

    of_parts = [np.full(frequency_hz.size, PART_SIGMA) for _ in channel_parts(channel)]
    z = [
        of(driver.impedance_factor, OF_RESONANCE * float(driver.fs_hz) if driver.name in changed else 0.0)
        for driver in channel.drivers
    ]
    return np.array([*z, *of_parts, *(of(driver.pressure_factor) for driver in channel.drivers)])
