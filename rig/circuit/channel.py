"""A channel of a kit: drivers behind their networks, in a box, after an electronic filter."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.box import Box, driver_impedance
from rig.circuit.driver import Driver
from rig.circuit.impedances import laplace
from rig.circuit.ladder import ladder
from rig.circuit.parts import Element, Part, map_group
from rig.circuit.population import Population
from rig.circuit.units import Complex, Floats, Value, require_positive

Alignment: TypeAlias = Literal["butterworth", "linkwitz-riley"]


@dataclass(frozen=True)
class ElectronicFilter:
    """A low-pass or high-pass of order 1 to 4 before the leads, as a subwoofer's amplifier has one."""

    kind: Literal["lowpass", "highpass"]
    hz: float
    order: int = 2
    alignment: Alignment = "butterworth"

    def __post_init__(self) -> None:
        orders = {"butterworth": (1, 2, 3, 4), "linkwitz-riley": (2, 4)}[self.alignment]
        if self.order not in orders:
            raise ValueError(f"filter: order is {self.order}; allowed for {self.alignment} are {orders}")
        require_positive("filter", hz=self.hz)


@dataclass(frozen=True)
class Tone:
    """One stage of a tone control or a contour before the leads: a first-order shelf, or a peak or dip."""

    kind: Literal["low-shelf", "high-shelf", "peak"]
    #: Where half of the decibels are there; of a peak its middle.
    hz: float
    #: Below a low shelf, above a high one, at a peak.
    gain_db: float
    #: Of a peak.
    q: float = 1.0

    def __post_init__(self) -> None:
        require_positive("tone", hz=self.hz, q=self.q)


@dataclass(frozen=True)
class Branch:
    """A driver and the network elements between the leads and it, in signal order."""

    driver: Driver
    elements: tuple[Element, ...] = ()


@dataclass(frozen=True)
class Channel:
    """Everything between one pair of leads and the air.

    Parameters
    ----------
    name : str
    branches : tuple of Branch
        All in parallel at the leads.
    box : Box
        Shared by all drivers with `in_box`: each is given the part of the volume that its piston area is of
        theirs, which is exact for equal drivers fed alike.
    baffle_width_m : float, array of shape (units, 1) or None
        None is a large flat baffle.
    filter : ElectronicFilter or None
    tone : tuple of Tone
        What else stands between the amplifier's input and the leads.
    population : Population or None
        How good units lie apart, where good builds have taught it.

    Raises
    ------
    ValueError
        If there is no branch, or a driver's or part's name occurs twice.
    """

    name: str
    branches: tuple[Branch, ...]
    box: Box = field(default_factory=Box)
    baffle_width_m: Value | None = None
    filter: ElectronicFilter | None = None
    tone: tuple[Tone, ...] = ()
    population: Population | None = None

    def __hash__(self) -> int:
        """That of the values, found once: much that is kept is kept by the channel that it is of."""
        known = self.__dict__.get("_hash")
        if known is None:
            known = hash(tuple(getattr(self, each.name) for each in fields(self)))
            object.__setattr__(self, "_hash", known)
        return int(known)

    def __getstate__(self) -> dict[str, Any]:
        """Without the hash, which is another in another process."""
        return {name: value for name, value in self.__dict__.items() if name != "_hash"}

    def __post_init__(self) -> None:
        if not self.branches:
            raise ValueError(f"channel {self.name}: has no branch; allowed is one or more")
        if self.baffle_width_m is not None:
            require_positive(f"channel {self.name}", baffle_width_m=self.baffle_width_m)
        for what, names in (
            ("driver", [driver.name for driver in self.drivers]),
            ("part", [part.name for part in channel_parts(self)]),
        ):
            for name in names:
                if names.count(name) > 1:
                    raise ValueError(f"channel {self.name}: {what} name {name!r} occurs twice; allowed is once")

    @property
    def drivers(self) -> tuple[Driver, ...]:
        """The drivers, in order of the branches."""
        return tuple(branch.driver for branch in self.branches)


def channel_parts(channel: Channel) -> Iterator[Part]:
    """All parts of all branches, in order."""
    for branch in channel.branches:
        for element in branch.elements:
            yield from element.parts()


def find_driver(channel: Channel, name: str) -> Driver:
    """The driver called `name`; a KeyError says which there are."""
    for driver in channel.drivers:
        if driver.name == name:
            return driver
    raise KeyError(f"channel {channel.name}: no driver {name!r}; there are {[d.name for d in channel.drivers]}")


def find_part(channel: Channel, name: str) -> Part:
    """The part called `name`; a KeyError says which there are."""
    for part in channel_parts(channel):
        if part.name == name:
            return part
    raise KeyError(f"channel {channel.name}: no part {name!r}; there are {[p.name for p in channel_parts(channel)]}")


def find_owner(channel: Channel, owner: str, name: str) -> Driver | Part | Box:
    """What has a parameter (`rig.circuit.population.Parameter`); a KeyError says which drivers or parts there are."""
    if owner == "box":
        return channel.box
    return find_driver(channel, name) if owner == "driver" else find_part(channel, name)


def with_driver(channel: Channel, name: str, **changes: Any) -> Channel:
    """The channel with fields of one driver changed, as in ``with_driver(channel, "woofer", polarity=-1)``.

    Raises
    ------
    KeyError
        If there is no such driver.
    """
    changed = replace(find_driver(channel, name), **changes)
    branches = tuple(
        replace(branch, driver=changed) if branch.driver.name == name else branch for branch in channel.branches
    )
    return replace(channel, branches=branches)


def with_part(channel: Channel, name: str, **changes: Any) -> Channel:
    """The channel with fields of one part changed, as in ``with_part(channel, "C1", state="open")``.

    Raises
    ------
    KeyError
        If there is no such part.
    """
    changed = replace(find_part(channel, name), **changes)
    return map_parts(channel, lambda part: changed if part.name == name else part)


def map_parts(channel: Channel, change: Callable[[Part], Part]) -> Channel:
    """The channel with `change` applied to every part."""

    def element_of(element: Element) -> Element:
        return replace(element, group=map_group(element.group, change))

    branches = tuple(
        replace(branch, elements=tuple(element_of(element) for element in branch.elements))
        for branch in channel.branches
    )
    return replace(channel, branches=branches)


def box_of(channel: Channel, driver: Driver) -> Box:
    """The air that one driver of the channel works into."""
    if not driver.in_box or channel.box.kind == "none":
        return Box("none")
    shared = [other.sd_m2 for other in channel.drivers if other.in_box]
    if len(shared) == 1:
        return channel.box
    total: Value = shared[0]
    for area in shared[1:]:
        total = total + area
    return replace(channel.box, volume_m3=channel.box.volume_m3 * driver.sd_m2 / total)


def impedance_ohm(channel: Channel, frequency_hz: ArrayLike) -> Complex:
    """Complex impedance at the speaker leads.

    Parameters
    ----------
    channel : Channel
    frequency_hz : array of shape (frequencies,)

    Returns
    -------
    complex array of shape (frequencies,) or (units, frequencies)

    Raises
    ------
    ValueError
        If a frequency is negative or not finite.
    """
    admittance: Complex = np.zeros(1, dtype=np.complex128)
    for branch in channel.branches:
        admittance = admittance + 1 / _branch(channel, branch, frequency_hz)[0]
    return np.asarray(1 / admittance)


def driver_voltage(channel: Channel, frequency_hz: ArrayLike, lead_v: ArrayLike = 1.0) -> Complex:
    """Voltage at each driver's terminals for a voltage at the leads.

    Parameters
    ----------
    channel : Channel
    frequency_hz : array of shape (frequencies,)
    lead_v : complex array broadcastable to (frequencies,)
        At the leads, that is after the electronic filter.

    Returns
    -------
    complex array of shape (drivers, frequencies) or (drivers, units, frequencies)
    """
    source = np.asarray(lead_v, dtype=np.complex128)
    return stack([source * _branch(channel, branch, frequency_hz)[1] for branch in channel.branches])


def filter_response(electronic: ElectronicFilter | None, frequency_hz: ArrayLike) -> Complex:
    """Complex gain of an electronic filter, 1 for None; shape of `frequency_hz`.

    References
    ----------
    S. H. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", JAES 24 (1976): the Linkwitz-Riley
    filter of order 2n is the Butterworth filter of order n twice.
    """
    s = laplace(frequency_hz)
    if electronic is None:
        return np.ones_like(s)
    x = s / (2 * np.pi * electronic.hz)
    if electronic.kind == "highpass":
        x = 1 / x
    if electronic.alignment == "linkwitz-riley":
        return np.asarray(_butterworth_lowpass(x, electronic.order // 2) ** 2)
    return _butterworth_lowpass(x, electronic.order)


def tone_response(tone: Tone, frequency_hz: ArrayLike) -> Complex:
    """Complex gain of a stage of a tone control; shape of `frequency_hz`.

    With x = s / w0, g the gain of a shelf, A the root of that of a peak:
    ``(x + sqrt(g)) / (x + 1 / sqrt(g))``, ``(1 + x sqrt(g)) / (1 + x / sqrt(g))``,
    ``(x**2 + x A / Q + 1) / (x**2 + x / (A Q) + 1)``.

    References
    ----------
    R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients" (1998; from memory), for the peak.
    """
    x = laplace(frequency_hz) / (2 * np.pi * tone.hz)
    root = 10 ** (tone.gain_db / 40)
    if tone.kind == "low-shelf":
        return np.asarray((x + root) / (x + 1 / root))
    if tone.kind == "high-shelf":
        return np.asarray((1 + x * root) / (1 + x / root))
    return np.asarray((x**2 + x * root / tone.q + 1) / (x**2 + x / (root * tone.q) + 1))


def electronic_response(channel: Channel, frequency_hz: ArrayLike) -> Complex:
    """Complex gain of all that stands before a channel's leads, the amplifier's own gain apart."""
    response = filter_response(channel.filter, frequency_hz)
    for tone in channel.tone:
        response = response * tone_response(tone, frequency_hz)
    return response


def stack(arrays: list[Complex]) -> Complex:
    """Arrays of shape (frequencies,) or (units, frequencies) in one array with a new first axis."""
    return np.stack(np.broadcast_arrays(*arrays))


def _branch(channel: Channel, branch: Branch, frequency_hz: ArrayLike) -> tuple[Complex, Complex]:
    load = driver_impedance(branch.driver, box_of(channel, branch.driver), frequency_hz)
    return ladder(branch.elements, frequency_hz, load)


def _butterworth_lowpass(x: Complex, order: int) -> Complex:
    """Butterworth low-pass in x = s / cut-off, from its poles on the unit circle."""
    angles: Floats = np.pi * (2 * np.arange(1, order + 1) + order - 1) / (2 * order)
    response: Complex = np.ones_like(x)
    for pole in np.exp(1j * angles):
        response = response / (x - pole)
    return response
