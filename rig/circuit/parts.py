"""Network parts and elements; `impedances` computes with them."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

from rig.circuit.units import Value, lowest

Kind: TypeAlias = Literal["R", "L", "C"]
State: TypeAlias = Literal["ok", "open", "short"]
Place: TypeAlias = Literal["series", "shunt"]
#: Chains in parallel; what is in series in a chain; and each of that.
Group: TypeAlias = "tuple[Chain, ...]"
Chain: TypeAlias = "tuple[Item, ...]"
Item: TypeAlias = "Part | Group"

#: What stands for an open and for a shorted part, and the largest value that a part may have: beyond any real one, and
#: still far from what a float can hold; numerical.
OPEN_OHM = 1e12
SHORT_OHM = 1e-9
LARGEST_VALUE = 1e12
#: Of a part whose kit states none (common practice, no source).
DEFAULT_TOLERANCE = 0.05


@dataclass(frozen=True)
class Part:
    """A resistor, coil or capacitor.

    Parameters
    ----------
    name : str
        Starts with the letter of its kind, as in ``C1``.
    kind : 'R', 'L' or 'C'
    value : float or array of shape (units, 1)
        In ohm, henry or farad, from 0. A capacitor of 0 F is open, a coil of 0 H a wire.
    series_ohm : float or array of shape (units, 1)
        Direct-current resistance of a coil, equivalent series resistance of a capacitor.
    tolerance : float
        Half the width of the maker's tolerance band, as a fraction of the value.
    state : 'ok', 'open' or 'short'
        A part that is missing or broken, or bridged.
    rating : float
        What it is made to stand: watts of a resistor, peak volts of a capacitor, RMS amperes of a coil; inf: not known.

    Raises
    ------
    ValueError
        If a value is negative or not a number, or the tolerance is not among those allowed.
    """

    name: str
    kind: Kind
    value: Value
    series_ohm: Value = 0.0
    tolerance: float = DEFAULT_TOLERANCE
    state: State = "ok"
    rating: float = math.inf

    def __post_init__(self) -> None:
        for name, number in (("value", self.value), ("series_ohm", self.series_ohm)):
            if not lowest(number) >= 0:
                raise ValueError(f"part {self.name}: {name} is {number}; allowed is a number from 0")
        if not 0 <= self.tolerance < 1:
            raise ValueError(f"part {self.name}: tolerance is {self.tolerance}; allowed is 0 to below 1")
        if not self.rating > 0:
            raise ValueError(f"part {self.name}: rating is {self.rating}; allowed is a number above 0")


@dataclass(frozen=True)
class Element:
    """One rung of a ladder: a group, placed in series or shunt."""

    place: Place
    group: Group

    def __post_init__(self) -> None:
        _refuse_empty(self.group)

    def parts(self) -> Iterator[Part]:
        """All parts, in order of the notation."""
        return parts_of(self.group)


def parts_of(group: Group) -> Iterator[Part]:
    """All parts of a group, however deep, in order of the notation."""
    for chain in group:
        for item in chain:
            if isinstance(item, Part):
                yield item
            else:
                yield from parts_of(item)


def map_group(group: Group, change: Callable[[Part], Part]) -> Group:
    """The group with `change` applied to every part."""

    def changed(item: Item) -> Item:
        return change(item) if isinstance(item, Part) else map_group(item, change)

    return tuple(tuple(map(changed, chain)) for chain in group)


def _refuse_empty(group: Group) -> None:
    if not group or not all(group):
        raise ValueError("element: a group needs at least one chain, and a chain at least one part")
    for chain in group:
        for item in chain:
            if not isinstance(item, Part):
                _refuse_empty(item)
