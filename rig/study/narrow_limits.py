"""Limits narrower than good units lie apart and a usual bench can tell: good units would be void, or even fail.

Units are drawn from the parts' tolerances and each is given an error of a usual bench (JCGM 101:2008, 5.9). A limit has
room when it holds nearly all of what would be read of them, and the expanded uncertainty beyond. Only numbers that the
lumped model gives are looked at; masks are what `kitproof learn` draws.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from checks import impedance, leads, leak, response
from rig.circuit.channel import Channel, find_driver, impedance_ohm
from rig.circuit.fit import default_parameters
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.tolerance import draw
from rig.circuit.unfitted_parts import held_uncertainty, moves_of_fit
from rig.design.kit import Kit
from rig.design.limits import Limit, limit_key
from rig.signals.divider import load_uncertainties, one_load_errors
from rig.signals.levels import REFERENCE_PRESSURE_PA, db
from rig.signals.uncertainty import DB_PER_PART, combined
from rig.study.designed import parameters
from rig.values.names import SENSITIVITY
from rig.values.readings import Floats

#: A usual bench (common practice, no source). Relative standard uncertainties: of marked resistors, of a meter, of a
#: microphone; the resistors; leads that nobody measured.
RESISTOR_U, METER_U, MICROPHONE_U = 0.005, 0.005, 0.25 / DB_PER_PART
SENSE_OHM, LOAD_OHM, LEAD_U_OHM = 10.0, 8.2, 0.1 / math.sqrt(3)
ERRORS = one_load_errors(
    LOAD_OHM, LOAD_OHM * RESISTOR_U, SENSE_OHM, SENSE_OHM * RESISTOR_U, LEAD_U_OHM, sense_in="return"
)
LEVEL_U_DB = DB_PER_PART * float(combined(MICROPHONE_U, METER_U))
#: Units drawn: all of them must have room, and what is read of them but for so many in a thousand on either side; our
#: choice.
UNITS, BEYOND = 1000, 2
#: Frequencies an octave: of the impedance, of levels, of the fit to the leads' sweep; what a fit reaches up to; our
#: choice.
IMPEDANCE_POINTS, LEVEL_POINTS, FIT_POINTS, FIT_UP_TO_FS = 6, 4, 12, 8.0
#: What is looked at of a driver and its box: check, quantity, and what the fit calls it.
FITTED = (
    (impedance.NAME, impedance.RE, "re_ohm"),
    (impedance.NAME, impedance.FS, "fs_hz"),
    (impedance.NAME, impedance.QTS, "qts"),
    (impedance.NAME, impedance.BOX_TUNING, "tuning_hz"),
    (leak.NAME, impedance.BOX_TUNING, "tuning_hz"),
    (leak.NAME, impedance.BOX_RESONANCE, "fc_hz"),
    (leak.NAME, impedance.QTC, "qtc"),
)


@dataclass(frozen=True)
class Reach:
    """What a quantity reads of good units on a usual bench."""

    check: str
    quantity: str
    subject: str
    unit: str
    lowest: float
    highest: float
    #: What the kit's model has for it.
    design: float

    def distances(self, percent: bool) -> tuple[float, float]:
        """How far below and above the design it reads."""
        unit = abs(self.design) / 100 if percent else 1.0
        return (self.design - self.lowest) / unit, (self.highest - self.design) / unit


def narrow_limits(kit: Kit) -> tuple[str, ...]:
    """One line of words for each limit of a kit that has no room: which, how wide it is, and what it would need."""
    needed: dict[tuple[str, str], list[Reach]] = {}
    for reach in reaches(kit):
        limits = kit.limits.get(reach.check, {})
        key = limit_key(limits, reach.quantity, reach.subject)
        if key in limits:
            needed.setdefault((reach.check, key), []).append(reach)
    return tuple(
        line for (check, key), some in needed.items() for line in _too_narrow(check, key, kit.limits[check][key], some)
    )


def _too_narrow(check: str, key: str, limit: Limit, reach: Sequence[Reach]) -> Iterator[str]:
    lowest, highest = min(one.lowest for one in reach), max(one.highest for one in reach)
    unit, where = reach[0].unit, f'limits.{check}."{key}"'
    why = "good units, measured on a usual bench, need"
    if limit.around == "design" and limit.align_within_db is not None:
        if limit.align_within_db < max(-lowest, highest):
            yield (
                f"{where}: align_within_db = {limit.align_within_db:g} is too narrow: {why} {max(-lowest, highest):.2g}"
            )
        return
    sides = [("lower", limit.lower, lowest, 1), ("upper", limit.upper, highest, -1)]
    if limit.is_around_number:
        below, above = (max(side) for side in zip(*(one.distances(limit.percent) for one in reach), strict=True))
        unit, sides = (
            "%" if limit.percent else unit,
            [("minus", limit.minus, below, -1), ("plus", limit.plus, above, -1)],
        )
    short = [(name, now, need) for name, now, need, inward in sides if now is not None and (now - need) * inward > 0]
    if short:
        stated = " and ".join(f"{name} = {now:g}" for name, now, _ in short)
        wanted = " and ".join(f"{name} = {need:.3g}" for name, _, need in short)
        yield f"{where}: {stated} {unit}".rstrip() + f" is too narrow: {why} {wanted}"


def reaches(kit: Kit) -> tuple[Reach, ...]:
    """What the lumped model gives of every channel and pair, as the checks call it."""
    found: list[Reach] = []
    levels: dict[str, Floats] = {}
    for n, spec in enumerate(kit.channels):
        if not kit.is_modelled(spec.name):
            continue
        model, random = spec.model(), np.random.default_rng([3, n])
        drawn = draw(model, random, UNITS)
        found += _electrical(kit, model, drawn, random)
        low, high = _level_band(kit)
        if spec.band[0] <= low and spec.band[1] >= high:
            level, design = (_level_db(kit, one, low, high) for one in (drawn, model))
            levels[spec.name] = level
            found.append(_reach(response.NAME, SENSITIVITY, spec.name, "dB SPL", level, LEVEL_U_DB, random=random))
            shift = level - design
            found.append(
                _reach(response.NAME, response.FREE_FIELD_LEVEL, spec.name, "dB", shift, LEVEL_U_DB, random=random)
            )
    for a, b in kit.equal_channels():
        if a.name in levels and b.name in levels:
            apart = levels[a.name] - levels[b.name]
            subject = f"{a.name} against {b.name}"
            found.append(
                _reach(response.NAME, response.MEAN_MATCH, subject, "dB", apart, 0.0, random=np.random.default_rng(4))
            )
    return tuple(found)


def _electrical(kit: Kit, model: Channel, drawn: Channel, random: np.random.Generator) -> Iterator[Reach]:
    """Of the impedance: its minimum and what is fitted to it."""
    grid = _grid(kit.sweeps.leads.start_hz, kit.sweeps.leads.stop_hz, IMPEDANCE_POINTS)
    lowest = np.min(np.abs(impedance_ohm(drawn, grid)), axis=1)
    u = float(load_uncertainties(ERRORS, float(np.median(lowest)))[0])
    for check in (leads.NAME, impedance.NAME):
        yield _reach(check, impedance.LOWEST_IMPEDANCE, model.name, "ohm", lowest, u, random=random)
    name = min(kit.channel(model.name).drivers, key=lambda spec: spec.band_hz[0]).name
    fit_hz = _grid(kit.sweeps.leads.start_hz, FIT_UP_TO_FS * float(find_driver(model, name).fs_hz), FIT_POINTS)
    names = [one for one in default_parameters(model, name) if one != "le_exponent"]
    held, _ = held_uncertainty(model, name, fit_hz, names)
    ohm = impedance_ohm(model, fit_hz)
    changes = [(p0 + p1 * ohm + p2 * ohm**2) / ohm for p0, p1, p2 in ERRORS]
    moves, _ = moves_of_fit(model, name, fit_hz, names, changes)
    for (check, quantity, fitted, unit), value in _fitted(drawn, name):
        whole = float(np.median(value)) * math.hypot(held.get(fitted, 0.0), *moves.get(fitted, ()))
        yield _reach(check, quantity, f"{model.name} {name}", unit, value, whole, random=random)


def _fitted(drawn: Channel, name: str) -> Iterator[tuple[tuple[str, str, str, str], Floats]]:
    """Check, quantity, what the fit calls it, unit; and the values of the drawn units, shape (units,)."""
    known = parameters(drawn, name)
    for check, quantity, fitted in FITTED:
        if quantity in known:
            value, unit = known[quantity]
            values = np.broadcast_to(np.asarray(value, np.float64).reshape(-1), UNITS)
            yield (check, quantity, fitted, unit), values


def _level_band(kit: Kit) -> tuple[float, float]:
    """Where the sensitivity is read, and the free-field level is aligned."""
    low, high = kit.checks.get("response", {}).get("sensitivity_hz", (500.0, 4000.0))
    return float(low), float(high)


def _level_db(kit: Kit, channel: Channel, low_hz: float, high_hz: float) -> Floats:
    """Mean level at the first position for 2.83 V at 1 m, shape (units,)."""
    place = kit.positions[0]
    microphone = microphone_at(place.distance_m, place.angle_deg)
    pressure = np.abs(pressure_pa(channel, _grid(low_hz, high_hz, LEVEL_POINTS), 2.83, microphone))
    level = np.mean(np.atleast_2d(db(pressure / REFERENCE_PRESSURE_PA)), axis=1)
    return np.asarray(level + db(place.distance_m))


def _reach(
    check: str, quantity: str, subject: str, unit: str, value: Floats, u: float, *, random: np.random.Generator
) -> Reach:
    """What is read of drawn units on benches with errors of their own, and the expanded uncertainty beyond."""
    read = value + u * random.standard_normal(value.shape)
    lowest, highest = np.quantile(read, [BEYOND / 1000, 1 - BEYOND / 1000])
    lowest, highest = min(lowest - 2 * u, np.min(value)), max(highest + 2 * u, np.max(value))
    # Units are drawn evenly around the design.
    return Reach(check, quantity, subject, unit, float(lowest), float(highest), float(np.median(value)))


def _grid(low_hz: float, high_hz: float, points_per_octave: int) -> Floats:
    return np.geomspace(low_hz, high_hz, max(2, round(math.log2(high_hz / low_hz) * points_per_octave)))
