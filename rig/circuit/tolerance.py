"""Units of a design drawn from the tolerances of its parts and drivers."""

from dataclasses import dataclass, replace

import numpy as np

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, map_parts
from rig.circuit.driver import Driver
from rig.circuit.parts import Part
from rig.circuit.units import Floats

#: Values are drawn normally with the tolerance at so many standard deviations, and none beyond (common practice, no
#: source).
CUT_OFF_SIGMA = 2.0


@dataclass(frozen=True)
class DriverTolerance:
    """Half widths of the drivers' and box's spread, as fractions of the nominal value."""

    re: float = 0.04
    fs: float = 0.08
    qms: float = 0.15
    qes: float = 0.08
    le: float = 0.10
    tuning: float = 0.03


#: Drivers and boxes of one batch lie closer together than batches do: by two thirds. Common practice, no source.
ONE_BATCH = DriverTolerance(**{name: 2 / 3 * half for name, half in vars(DriverTolerance()).items()})


def draw(channel: Channel, rng: np.random.Generator, units: int, spread: DriverTolerance | None = None) -> Channel:
    """A channel whose parameters are arrays of shape (units, 1), one row a unit drawn from the design.

    Every parameter is spread on its own by a normal distribution that is cut off at the tolerance, with a
    standard deviation of half the tolerance before it is cut: parts are sorted to their band, and most lie
    well inside. A driver's resonance moves by its suspension, as most of the spread of a resonance does: Vas
    goes with the inverse square of fs, and the moving mass stays. Positions, areas and box volume are not
    spread.

    Parameters
    ----------
    channel : Channel
        The design, with one number a parameter.
    rng : numpy.random.Generator
        The same generator state draws the same units.
    units : int
        From 1.
    spread : DriverTolerance or None
        None is the default spread. A part's own tolerance stands in the part.
    """
    spread = spread or DriverTolerance()

    def spread_part(part: Part) -> Part:
        return replace(
            part,
            value=part.value * _factors(rng, units, part.tolerance),
            series_ohm=part.series_ohm * _factors(rng, units, part.tolerance),
        )

    drawn = map_parts(channel, spread_part)
    branches = tuple(
        Branch(_spread_driver(branch.driver, rng, units, spread), branch.elements) for branch in drawn.branches
    )
    box: Box = replace(channel.box, tuning_hz=channel.box.tuning_hz * _factors(rng, units, spread.tuning))
    return replace(drawn, branches=branches, box=box)


def _spread_driver(driver: Driver, rng: np.random.Generator, units: int, spread: DriverTolerance) -> Driver:
    resonance = _factors(rng, units, spread.fs)
    return replace(
        driver,
        re_ohm=driver.re_ohm * _factors(rng, units, spread.re),
        fs_hz=driver.fs_hz * resonance,
        qms=driver.qms * _factors(rng, units, spread.qms),
        qes=driver.qes * _factors(rng, units, spread.qes),
        vas_m3=driver.vas_m3 / resonance**2,
        le_h=driver.le_h * _factors(rng, units, spread.le),
    )


def _factors(rng: np.random.Generator, units: int, tolerance: float) -> Floats:
    """Factors around 1 of shape (units, 1): a normal distribution of sigma tolerance / 2, cut off at two sigma."""
    deviations = rng.standard_normal((units, 1))
    while np.any(outside := np.abs(deviations) > CUT_OFF_SIGMA):
        deviations[outside] = rng.standard_normal(int(outside.sum()))
    return np.asarray(1 + tolerance / CUT_OFF_SIGMA * deviations)
