"""A channel with every part and driver parameter moved a little: how far good units lie apart."""

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from rig.circuit.channel import Branch, Channel, channel_parts, map_parts
from rig.circuit.driver import Driver
from rig.circuit.factor import ELSEWHERE, Factor
from rig.circuit.parts import Part
from rig.circuit.population import Parameter
from rig.circuit.tolerance import CUT_OFF_SIGMA, DriverTolerance
from rig.circuit.units import Floats, Value

#: Losses of boxes built alike differ by so much (standard deviation of their logarithm): common practice, no source.
LOSSES_SIGMA = 0.3
#: Standard deviation of standard normal numbers none of which lie beyond `CUT_OFF_SIGMA`; by definition.
CUT_OFF_DEVIATION = math.sqrt(
    1
    - math.sqrt(2 / math.pi)
    * (CUT_OFF_SIGMA * math.exp(-(CUT_OFF_SIGMA**2) / 2) / math.erf(CUT_OFF_SIGMA / math.sqrt(2)))
)
#: How softly a driver is hung, and the powers of it that go with it where mass, motor and losses stay (R. H. Small,
#: JAES 20 (1972)): a unit that is softer resonates lower, and is as loud above.
SUSPENSION = "cms_m_n"
OF_SUSPENSION = {"fs_hz": -0.5, "qms": -0.5, "qes": -0.5}


def parameters(channel: Channel, spread: DriverTolerance | None = None) -> tuple[Parameter, ...]:
    """Everything of a channel that is spread: as good builds taught it, else by tolerances.

    By tolerances it is what `rig.circuit.tolerance.draw` spreads, and the box's losses; parameters without tolerance
    are left out.
    """
    if channel.population is not None:
        return channel.population.spread
    found = [*_of_parts(channel), *_of_drivers(channel, spread or DriverTolerance()), *_of_box(channel, spread)]
    return tuple(parameter for parameter in found if parameter.sigma > 0)


def _of_parts(channel: Channel) -> Iterator[Parameter]:
    for part in channel_parts(channel):
        sigma = part.tolerance / CUT_OFF_SIGMA
        yield Parameter("part", part.name, "value", sigma)
        if float(np.max(part.series_ohm)) > 0:
            yield Parameter("series", part.name, "series_ohm", sigma)


def _of_drivers(channel: Channel, spread: DriverTolerance) -> Iterator[Parameter]:
    halves = {"re_ohm": spread.re, "fs_hz": spread.fs, "qms": spread.qms, "qes": spread.qes, "le_h": spread.le}
    for driver in channel.drivers:
        for field, half in halves.items():
            yield Parameter("driver", driver.name, field, half / CUT_OFF_SIGMA)


def _of_box(channel: Channel, spread: DriverTolerance | None) -> Iterator[Parameter]:
    if channel.box.kind == "vented":
        yield Parameter("box", "", "tuning_hz", (spread or DriverTolerance()).tuning / CUT_OFF_SIGMA)
    if channel.box.kind != "none" and bool(np.all(np.isfinite(channel.box.leakage_q))):
        yield Parameter("box", "", "leakage_q", LOSSES_SIGMA)


def by_suspension(resonance: Parameter) -> Parameter:
    """The spread of a resonance, as that of the suspension that makes it."""
    return replace(resonance, field=SUSPENSION, sigma=resonance.sigma / abs(OF_SUSPENSION["fs_hz"]))


def moved_good(channel: Channel, deviations: Floats) -> Channel:
    """Good units of a channel.

    Parameters
    ----------
    channel : Channel
    deviations : array of shape (units, parameters and hidden directions)
        Of its spread, then of what builds could not teach; in standard deviations.
    """
    among = parameters(channel)
    found, learnt = channel, channel.population
    if learnt is not None and learnt.hidden_root.size:
        found = moved(found, learnt.hidden, deviations[:, len(among) :] @ learnt.hidden_root.T)
    return moved(found, among, deviations[:, : len(among)])


def drawn_good(channel: Channel, random: np.random.Generator, units: int) -> Channel:
    """Units of the population that builds taught, around its mean: parameters are arrays of shape (units, 1).

    What the lumped model leaves out of a driver lies elsewhere in each unit, as its resonances do.
    """
    learnt = channel.population
    if learnt is None:
        raise ValueError(f"channel {channel.name}: no builds have taught how far its units lie apart")
    among = tuple(replace(p, sigma=p.sigma / from_mean(learnt.units)) for p in learnt.spread)
    found = moved(channel, among, _cut_off(random, (units, len(among))))

    def elsewhere(factor: Factor | None, higher: Floats) -> Factor | None:
        return None if factor is None else replace(factor, higher=higher)

    def branch_of(branch: Branch) -> Branch:
        higher = np.exp(ELSEWHERE * random.standard_normal((units, 1)))
        driver = branch.driver
        impedance, pressure = (elsewhere(of, higher) for of in (driver.impedance_factor, driver.pressure_factor))
        return replace(branch, driver=replace(driver, impedance_factor=impedance, pressure_factor=pressure))

    return replace(found, branches=tuple(map(branch_of, found.branches)))


def from_mean(units: int) -> float:
    """How much further the next unit lies from the mean of so many than from that of all (standard deviations)."""
    return float((1 + 1 / units) ** 0.5)


def _cut_off(random: np.random.Generator, shape: tuple[int, ...]) -> Floats:
    """Numbers of mean 0 and standard deviation 1, normal but for their ends, which are cut off as of a tolerance."""
    found = random.standard_normal(shape)
    while np.any(outside := np.abs(found) > CUT_OFF_SIGMA):
        found[outside] = random.standard_normal(int(outside.sum()))
    return found / CUT_OFF_DEVIATION


def moved(channel: Channel, among: tuple[Parameter, ...], deviations: Floats) -> Channel:
    """The channel with each parameter moved.

    Parameters
    ----------
    channel : Channel
        The design, with one number a parameter.
    among : tuple of Parameter
    deviations : array of shape (units, parameters)
        In standard deviations.

    Returns
    -------
    Channel
        Its parameters are arrays of shape (units, 1).
    """
    factor = {(p.owner, p.name, p.field): np.exp(p.sigma * deviations[:, i : i + 1]) for i, p in enumerate(among)}

    def part_of(part: Part) -> Part:
        value = part.value * factor.get(("part", part.name, "value"), 1.0)
        series = part.series_ohm * factor.get(("series", part.name, "series_ohm"), 1.0)
        return replace(part, value=value, series_ohm=series)

    def driver_of(driver: Driver) -> Driver:
        def by(field: str) -> Value:
            times = factor.get(("driver", driver.name, field), 1.0)
            if field in OF_SUSPENSION and ("driver", driver.name, SUSPENSION) in factor:
                times = times * factor["driver", driver.name, SUSPENSION] ** OF_SUSPENSION[field]
            return times

        # A resonance moves by the suspension: Vas goes with its inverse square and the moving mass stays.
        return replace(
            driver,
            re_ohm=driver.re_ohm * by("re_ohm"),
            fs_hz=driver.fs_hz * by("fs_hz"),
            qms=driver.qms * by("qms"),
            qes=driver.qes * by("qes"),
            vas_m3=driver.vas_m3 / by("fs_hz") ** 2 * by("vas_m3"),
            le_h=driver.le_h * by("le_h"),
            le_exponent=_by_odds(driver.le_exponent, by("le_exponent")),
            rolloff_hz=driver.rolloff_hz * by("rolloff_hz"),
        )

    branches = tuple(Branch(driver_of(b.driver), b.elements) for b in map_parts(channel, part_of).branches)
    box = replace(
        channel.box,
        volume_m3=channel.box.volume_m3 * factor.get(("box", "", "volume_m3"), 1.0),
        tuning_hz=channel.box.tuning_hz * factor.get(("box", "", "tuning_hz"), 1.0),
        leakage_q=channel.box.leakage_q * factor.get(("box", "", "leakage_q"), 1.0),
    )
    return replace(channel, branches=branches, box=box)


def _by_odds(exponent: Value, times: Value) -> Value:
    """An exponent whose odds are multiplied, so that it stays between 0 and 1."""
    return exponent * times / (1 - exponent + exponent * times)
