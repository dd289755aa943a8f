"""One unit of a design that was drawn many times."""

from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel, map_parts
from rig.circuit.driver import Driver
from rig.circuit.parts import Part

_Item = TypeVar("_Item", Part, Driver, Box, Channel)


def one_unit(channel: Channel, index: int) -> Channel:
    """One unit of a drawn channel, with one number a parameter again.

    Raises
    ------
    IndexError
        If there is no such unit.
    """

    def of_branch(branch: Branch) -> Branch:
        return Branch(_picked(branch.driver, index), branch.elements)

    chosen = map_parts(_picked(channel, index), lambda part: _picked(part, index))
    return replace(chosen, branches=tuple(map(of_branch, chosen.branches)), box=_picked(channel.box, index))


def _picked(item: _Item, index: int) -> _Item:
    """The item with every array among its own fields replaced by its number for one unit."""
    arrays = {field.name: value for field in fields(item) if isinstance(value := getattr(item, field.name), np.ndarray)}
    numbers: dict[str, Any] = {name: float(value[index, 0]) for name, value in arrays.items()}
    return replace(item, **numbers)
