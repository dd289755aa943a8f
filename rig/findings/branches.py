"""Branches one by one: each is evaluated once for every distinct unit, and once for all faults that leave it alone.

Of many units of a channel most share a branch: where a part of the tweeter's network is moved the woofer's is not. In
parallel at the leads, branches do not know of each other: admittances and pressures are sums over them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, ElectronicFilter, box_of, impedance_ohm
from rig.circuit.driver import Driver
from rig.circuit.parts import Element, Group, Part, map_group
from rig.circuit.radiation import Position, driver_pressure_pa
from rig.circuit.units import Complex, Floats

Thing: TypeAlias = Part | Driver | Box | ElectronicFilter
AnyThing = TypeVar("AnyThing", Part, Driver, Box, ElectronicFilter)


@dataclass(frozen=True)
class Alone:
    """One branch of many units; equal if all that it depends on is."""

    #: The numbers of the branch and of its box that all units share, and the others, one row a unit.
    shared: tuple[object, ...]
    own: tuple[tuple[float, ...], ...]
    units: int
    channel: Channel = field(compare=False)
    own_table: Floats = field(compare=False)


def branches_of(channel: Channel, units: int) -> list[Alone]:
    """Each branch of a channel whose parameters are numbers or arrays of shape (units, 1)."""
    return [_alone(channel, branch, units) for branch in channel.branches]


def channel_impedance_ohm(branches: Sequence[Alone], frequency_hz: Floats) -> Complex:
    """Impedance at the leads, shape (units, frequencies) or (1, frequencies)."""
    wanted = tuple(frequency_hz.tolist())
    return np.asarray(1 / sum(_admittance(one, wanted) for one in branches))


def channel_pressure_pa(branches: Sequence[Alone], frequency_hz: Floats, microphone_m: Position) -> Complex:
    """Sound pressure at the microphone for a volt at the leads, shape (units, frequencies) or (1, frequencies)."""
    wanted = tuple(frequency_hz.tolist())
    return np.asarray(sum(_pressure(one, wanted, microphone_m) for one in branches))


# Each of these holds 0.08 MB. Of 24 units with faults of all kinds 971 of 1492 admittances are worked out anew, 896
# where twice as many are kept, and 734 of 1038 pressures, 732 where eight times as many are (measured).
@lru_cache(maxsize=128)
def _admittance(alone: Alone, wanted_hz: tuple[float, ...]) -> Complex:
    channel, rows = _distinct(alone)
    return _of_all(1 / impedance_ohm(channel, np.array(wanted_hz)), rows)


@lru_cache(maxsize=64)
def _pressure(alone: Alone, wanted_hz: tuple[float, ...], microphone_m: Position) -> Complex:
    channel, rows = _distinct(alone)
    return _of_all(driver_pressure_pa(channel, np.array(wanted_hz), 1.0, microphone_m)[0], rows)


def _of_all(curves: Complex, rows: NDArray[np.intp]) -> Complex:
    # What the units differ in may not show here, as a filter does not in the impedance.
    return curves[rows] if curves.ndim > 1 and curves.shape[0] > 1 else np.atleast_2d(curves)


def _alone(channel: Channel, branch: Branch, units: int) -> Alone:
    alone = replace(channel, branches=(branch,), box=box_of(channel, branch.driver))
    things = _things(alone)
    columns = [column for thing in things for column in _arrays(thing).values()]
    table = np.hstack(np.broadcast_arrays(*columns)) if columns else np.empty((0, 0))
    places = tuple((element.place, _nesting(element.group)) for element in branch.elements)
    numbers = (value for thing in things for value in vars(thing).values() if not isinstance(value, np.ndarray))
    shared = (places, *numbers, channel.baffle_width_m, tuple(map(_names, things)))
    return Alone(shared, tuple(map(tuple, table.tolist())), units if columns else 1, alone, table)


def _distinct(alone: Alone) -> tuple[Channel, NDArray[np.intp]]:
    """The branch with as many units as differ in it, and which of those each unit has."""
    if not alone.own_table.size:
        return alone.channel, np.zeros(1, np.intp)
    places = {unit: n for n, unit in enumerate(dict.fromkeys(alone.own))}
    rows = np.array([places[unit] for unit in alone.own])
    first = np.unique(rows, return_index=True)[1]

    def element_of(element: Element) -> Element:
        return replace(element, group=map_group(element.group, lambda part: _of(part, first)))

    branch = alone.channel.branches[0]
    distinct = Branch(_of(branch.driver, first), tuple(map(element_of, branch.elements)))
    box, electronic = _of(alone.channel.box, first), alone.channel.filter
    electronic = electronic and _of(electronic, first)
    return replace(alone.channel, branches=(distinct,), box=box, filter=electronic), rows


def _nesting(group: Group) -> tuple[object, ...]:
    """How parts hang together, whatever they are."""
    return tuple(tuple("" if isinstance(item, Part) else _nesting(item) for item in chain) for chain in group)


def _things(alone: Channel) -> list[Thing]:
    branch, electronic = alone.branches[0], [alone.filter] if alone.filter else []
    return [branch.driver, alone.box, *electronic, *(part for element in branch.elements for part in element.parts())]


def _names(thing: Thing) -> tuple[str, ...]:
    """What of it differs from unit to unit."""
    return tuple(_arrays(thing))


def _arrays(thing: Thing) -> dict[str, Floats]:
    return {name: value for name, value in vars(thing).items() if isinstance(value, np.ndarray)}


def _of(thing: AnyThing, units: NDArray[np.intp]) -> AnyThing:
    arrays: dict[str, Any] = {name: value[units] for name, value in _arrays(thing).items() if value.shape[0] > 1}
    return replace(thing, **arrays) if arrays else thing
