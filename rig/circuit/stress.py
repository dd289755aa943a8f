"""Volts, amperes and watts in each part and driver of a channel, for a voltage at its leads."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.box import driver_impedance
from rig.circuit.channel import Channel, box_of, electronic_response
from rig.circuit.impedances import element_impedance, part_impedance
from rig.circuit.parts import Element, Group, Item, Part
from rig.circuit.units import Complex, Floats


@dataclass(frozen=True, eq=False)
class Stress:
    """What one part or driver takes at each frequency; arrays of shape (frequencies,)."""

    name: str
    #: The part; None: a driver.
    part: Part | None
    #: RMS, complex.
    volts: Complex
    amperes: Complex

    @property
    def watts(self) -> Floats:
        """Heat in it."""
        return np.asarray((self.volts * np.conj(self.amperes)).real)


@dataclass(frozen=True)
class Load:
    """What one part or driver takes of a whole signal."""

    name: str
    part: Part | None
    #: RMS.
    volts: float
    amperes: float
    watts: float


def stresses(channel: Channel, frequency_hz: ArrayLike, source_v: ArrayLike) -> list[Stress]:
    """Of every part and driver, in order of branches and signal.

    Parameters
    ----------
    channel : Channel
        Of one unit: no arrays among its values.
    frequency_hz : array of shape (frequencies,)
    source_v : complex array broadcastable to (frequencies,)
        RMS volts at the leads in the pass band of the electronic filter, which is applied here.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    leads = np.asarray(source_v) * electronic_response(channel, frequency)
    found: list[Stress] = []
    for branch in channel.branches:
        load = driver_impedance(branch.driver, box_of(channel, branch.driver), frequency)
        volts = leads
        for element, behind in zip(branch.elements, _loads(branch.elements, frequency, load), strict=True):
            own = element_impedance(element, frequency)
            across = volts * own / (own + behind) if element.place == "series" else volts
            found += _in_group(element.group, frequency, across)
            # By the divider, not by a difference: behind a short little is left of two large numbers.
            volts = volts * behind / (own + behind) if element.place == "series" else volts
        found.append(Stress(branch.driver.name, None, volts, volts / load))
    return found


def _loads(elements: Sequence[Element], frequency: Floats, load: Complex) -> list[Complex]:
    """The impedance that each element of a ladder sees behind it."""
    behind = [load]
    for element in reversed(elements):
        own = element_impedance(element, frequency)
        last = behind[-1]
        behind.append(last + own if element.place == "series" else np.asarray(1 / (1 / last + 1 / own)))
    return behind[-2::-1]


def _in_group(group: Group, frequency: Floats, across: Complex) -> Iterator[Stress]:
    for chain in group:
        ohms = [_item_ohm(item, frequency) for item in chain]
        amperes = across / sum(ohms)
        for item, ohm in zip(chain, ohms, strict=True):
            if isinstance(item, Part):
                yield Stress(item.name, item, amperes * ohm, amperes)
            else:
                yield from _in_group(item, frequency, amperes * ohm)


def _item_ohm(item: Item, frequency: Floats) -> Complex:
    return (
        part_impedance(item, frequency)
        if isinstance(item, Part)
        else element_impedance(Element("series", item), frequency)
    )


def of_sweep(stress: Stress) -> Load:
    """At the worst moment of a slow sweep: each of the three at its own frequency."""
    return Load(
        stress.name,
        stress.part,
        float(np.max(np.abs(stress.volts))),
        float(np.max(np.abs(stress.amperes))),
        float(np.max(stress.watts)),
    )


def of_noise(stress: Stress) -> Load:
    """In the long run of a noise whose lines in volts the source had: their powers add."""
    volts, amperes = (float(np.sqrt(np.sum(np.abs(each) ** 2))) for each in (stress.volts, stress.amperes))
    return Load(stress.name, stress.part, volts, amperes, float(np.sum(stress.watts)))


def noise_lines_v(level_v: float, power_per_octave: ArrayLike) -> Floats:
    """Lines of a noise of so many RMS volts on a logarithmic grid, shape (frequencies,).

    Parameters
    ----------
    level_v : float
        RMS of the whole.
    power_per_octave : array of shape (frequencies,)
        Power in equal parts of an octave around frequencies that are evenly spaced on a logarithmic axis, in any unit.
    """
    power = np.asarray(power_per_octave, np.float64)
    return np.asarray(level_v * np.sqrt(power / np.sum(power)))
