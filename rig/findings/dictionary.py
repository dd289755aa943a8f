"""The dictionary of faults: what can be wrong with one channel, as a change of its lumped model.

Made of the design and of the table of faults (`rig.design.fault_kinds`), which says where each may sit; what it does to
the model stands here.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np

from rig.circuit.box import without_damping
from rig.circuit.channel import Branch, Channel, box_of, find_driver, find_part, with_driver, with_part
from rig.circuit.driver import Driver
from rig.circuit.parts import State
from rig.circuit.units import Value
from rig.design.fault_kinds import UNIT_FAULTS
from rig.design.fault_names import places_in

Change: TypeAlias = Callable[[Channel, Value], Channel]

#: Another box plays so loud that this one is not heard above it.
LOUD_NEIGHBOUR = "loud neighbour"
#: Values of parts that lie in the next drawer: the steps of the E12 series (IEC 60063) over a decade each way. The
#: wrong decade is the mistake most often made of them.
E12 = (1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
VALUE_FACTORS = tuple(sorted((0.1, *(step / 10 for step in E12), *E12, 10.0)))
VALUE_SHARES = tuple(5.0 if factor in (0.1, 10.0) else 1.0 for factor in VALUE_FACTORS)
#: Other nominal impedances that drivers are sold with, in ohm; common practice, no source.
NOMINAL_OHM = (4.0, 6.0, 8.0, 16.0)


@dataclass(frozen=True)
class Cause:
    """A kind of mistake and where it was made."""

    kind: str
    channel: str
    #: Names of parts or drivers, or of the other channel.
    what: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """A cause with an amount from which the curves are followed."""

    cause: Cause
    #: The channel with this fault, for an amount.
    change: Change
    #: Where the amount is sought: the middle, and the standard deviation of its logarithm; 0: it has none.
    amount: float = 1.0
    amount_sigma: float = 0.0
    #: Weight before anything is measured.
    weight: float = 1.0
    #: +1, or -1 when all of it plays the wrong way round; the amount is a factor on the gain.
    sign: int = 1
    is_gain: bool = False
    #: The other channel's box plays here; empty: the own one.
    box: str = ""
    #: Another fault besides, with an amount of its own; `sign` and `box` are then those of both together.
    second: "Hypothesis | None" = None


@dataclass(frozen=True)
class Sought:
    """How a fault of one channel is looked for."""

    #: How often a builder makes this mistake, against the others, for one place: common practice, no source. Bent
    #: tongues and cold joints before exotic values; only the order of magnitude matters beside the curves.
    often: float
    #: The change, for the model and the names of a place.
    change: Callable[..., Change]
    #: Amounts to start from, or what makes them of the model and the names; none: it has no amount.
    amounts: Sequence[float] | Callable[..., Sequence[float]] = ()
    sigma: float = 0.0
    #: Weight of each amount; none: all alike.
    shares: Sequence[float] = ()


def hypotheses_of(model: Channel, others: Sequence[str] = (), compared: Sequence[str] = ()) -> list[Hypothesis]:
    """All that can be wrong with a channel of this design.

    Its leads may be swapped with those of `others`; the `compared` ones are played at its place as well.
    """
    found = list(_of_output(model, others, compared))
    # Several faults of the table are one finding, as all wrong values of a part are.
    places = dict.fromkeys(place for fault in UNIT_FAULTS.values() for place in fault.places.items())
    for target, finding in places:
        # A lone driver that is reversed is the channel reversed.
        alone = finding == "reversed" and len(model.drivers) == 1
        if finding in SOUGHT and target not in ("channel", "two channels") and not alone:
            for what in places_in(model, target):
                found += _hypotheses(Cause(finding, model.name, what), SOUGHT[finding], model)
    return found


def unchanged(channel: Channel, amount: Value) -> Channel:
    """The channel as it is."""
    return channel


def both(one: Hypothesis, other: Hypothesis) -> Hypothesis:
    """Two faults at once."""
    weight, sign = one.weight * other.weight, one.sign * other.sign
    return replace(one, weight=weight, sign=sign, box=one.box or other.box, second=other)


def _hypotheses(cause: Cause, sought: Sought, model: Channel) -> Iterator[Hypothesis]:
    change = sought.change(model, *cause.what)
    amounts = sought.amounts(model, *cause.what) if callable(sought.amounts) else sought.amounts
    shares = sought.shares or [1.0] * len(amounts)
    for amount, share in zip(amounts, shares, strict=True):
        yield Hypothesis(cause, change, amount, sought.sigma, sought.often * share / sum(shares))
    if sought.amounts == ():
        yield Hypothesis(cause, change, weight=sought.often)


def _of_output(model: Channel, others: Sequence[str], compared: Sequence[str]) -> Iterator[Hypothesis]:
    """Faults of the amplifier, and of all of the channel together."""
    yield Hypothesis(Cause("reversed", model.name), unchanged, weight=SOUGHT["reversed"].often, sign=-1)
    yield Hypothesis(Cause("silent", model.name), unchanged, amount=1e-6, weight=2.0, is_gain=True)
    gain = Sought(2.0, lambda _: unchanged, (0.1, 0.16, 0.25, 0.35, 0.5, 0.71, 1.41, 2.0, 3.0), 0.2)
    yield from (replace(one, is_gain=True) for one in _hypotheses(Cause("gain", model.name), gain, model))
    neighbour = Sought(2.0, lambda *_: unchanged, (1.41, 2.0, 3.0), 0.2)
    for other in compared:
        yield from _hypotheses(Cause(LOUD_NEIGHBOUR, model.name, (other,)), neighbour, model)
    for other in others:
        yield Hypothesis(Cause("swapped", model.name, (other,)), unchanged, weight=3.0, box=other)


def _value(model: Channel, name: str) -> Change:
    return lambda channel, factor: with_part(channel, name, value=find_part(channel, name).value * factor)


def _more_wire(model: Channel, name: str) -> Change:
    return lambda channel, ohm: with_part(channel, name, series_ohm=find_part(channel, name).series_ohm + ohm)


def _parts_exchanged(model: Channel, one: str, other: str) -> Change:
    def change(channel: Channel, _: Value) -> Channel:
        a, b = find_part(channel, one), find_part(channel, other)
        exchanged = with_part(channel, one, value=b.value, series_ohm=b.series_ohm)
        return with_part(exchanged, other, value=a.value, series_ohm=a.series_ohm)

    return change


def _turned(model: Channel, *names: str) -> Change:
    def turned(branch: Branch) -> Branch:
        elements = list(branch.elements)
        at = [i for i, element in enumerate(elements) if {part.name for part in element.parts()} <= set(names)]
        if at:
            elements[at[0]], elements[at[1]] = elements[at[1]], elements[at[0]]
        return replace(branch, elements=tuple(elements))

    return lambda channel, _: replace(channel, branches=tuple(map(turned, channel.branches)))


def _part_in(state: State) -> Callable[..., Change]:
    return lambda model, name: lambda channel, _: with_part(channel, name, state=state)


def _driver_in(state: State) -> Callable[..., Change]:
    return lambda model, name: lambda channel, _: with_driver(channel, name, state=state)


def _reversed(model: Channel, name: str) -> Change:
    return lambda channel, _: with_driver(channel, name, polarity=-find_driver(channel, name).polarity)


def _drivers_exchanged(model: Channel, one: str, other: str) -> Change:
    def change(channel: Channel, _: Value) -> Channel:
        there = {one: find_driver(channel, other), other: find_driver(channel, one)}
        # Only their leads are exchanged: each keeps its name, and the name says nothing of the place.
        return replace(
            channel,
            branches=tuple(replace(b, driver=there.get(b.driver.name, b.driver)) for b in channel.branches),
        )

    return change


def _weak(model: Channel, name: str) -> Change:
    return lambda channel, by: with_driver(channel, name, qes=find_driver(channel, name).qes * by)


def _other_impedance(model: Channel, name: str) -> Change:
    def change(channel: Channel, by: Value) -> Channel:
        driver = find_driver(channel, name)
        return with_driver(channel, name, re_ohm=driver.re_ohm * by, le_h=driver.le_h * by)

    return change


def _shorted_turns(model: Channel, name: str) -> Change:
    def change(channel: Channel, left: Value) -> Channel:
        driver = find_driver(channel, name)
        # Resistance goes with the turns, inductance and Bl squared with their square; Qes goes with Re / Bl squared.
        return with_driver(
            channel, name, re_ohm=driver.re_ohm * left, le_h=driver.le_h * left**2, qes=driver.qes / left
        )

    return change


def _resonance(model: Channel, name: str) -> Change:
    def change(channel: Channel, by: Value) -> Channel:
        driver: Driver = find_driver(channel, name)
        # By the suspension; the mass stays, the resistances weigh less against a stiffer one.
        return with_driver(
            channel,
            name,
            fs_hz=driver.fs_hz * by,
            vas_m3=driver.vas_m3 / by**2,
            qms=driver.qms * by,
            qes=driver.qes * by,
        )

    return change


def _leaking(model: Channel) -> Change:
    driver = next(driver for driver in model.drivers if driver.in_box)
    box = box_of(model, driver)
    resonance_hz = float(driver.fs_hz * np.sqrt(1 + driver.vas_m3 / box.volume_m3))

    def change(channel: Channel, losses_q: Value) -> Channel:
        if channel.box.kind == "vented":
            return replace(channel, box=replace(channel.box, leakage_q=losses_q))
        # Losses of a closed box are stated where driver and air are in resonance.
        return replace(channel, box=replace(channel.box, leakage_q=losses_q, tuning_hz=resonance_hz))

    return change


def _undamped(channel: Channel, losses_times: Value) -> Channel:
    return replace(channel, box=without_damping(channel.box, losses_times))


def _blocked(channel: Channel, _: Value) -> Channel:
    return replace(channel, box=replace(channel.box, kind="closed"))


def _tuning(channel: Channel, by: Value) -> Channel:
    return replace(channel, box=replace(channel.box, tuning_hz=channel.box.tuning_hz * by))


def _corner(channel: Channel, by: Value) -> Channel:
    assert channel.filter is not None
    changes: dict[str, Any] = {"hz": channel.filter.hz * by}
    return replace(channel, filter=replace(channel.filter, **changes))


def _other_versions(model: Channel, name: str) -> list[float]:
    """Impedances that a driver is also sold with, over its own."""
    nominal_ohm = find_driver(model, name).nominal_ohm
    versions = [ohm / nominal_ohm for ohm in NOMINAL_OHM if 0.4 < ohm / nominal_ohm < 2.5]
    return [factor for factor in dict.fromkeys([*versions, 0.5, 2.0]) if factor != 1]


def _losses(model: Channel) -> list[float]:
    """Q of a leak, where it is well below the design's."""
    return [q for q in (0.7, 1.5, 3.0) if q < float(np.max(model.box.leakage_q)) / 2]


#: Finding -> how it is looked for.
SOUGHT: dict[str, Sought] = {
    "reversed": Sought(4.0, _reversed),
    "open": Sought(3.0, _part_in("open")),
    "short": Sought(1.0, _part_in("short")),
    "value": Sought(3.0, _value, VALUE_FACTORS, float(np.log(1.2) / 2), VALUE_SHARES),
    "thin wire": Sought(0.5, _more_wire, (0.25, 0.5, 1.0, 2.0), float(np.log(2) / 2)),
    "exchanged": Sought(2.0, _parts_exchanged),
    "pad": Sought(1.0, _turned),
    "dead": Sought(2.0, _driver_in("open")),
    "driver short": Sought(1.0, _driver_in("short")),
    "driver leads": Sought(2.0, _drivers_exchanged),
    "impedance": Sought(1.0, _other_impedance, _other_versions, 0.07),
    "shorted turns": Sought(0.5, _shorted_turns, (0.85, 0.7, 0.55), 0.12),
    "weak": Sought(0.3, _weak, (1.5, 2.0, 3.0), 0.2),
    "resonance": Sought(0.3, _resonance, (0.75, 0.88, 1.14, 1.3, 1.5), 0.08),
    "leak": Sought(3.0, _leaking, _losses, 0.4),
    "damping": Sought(1.0, lambda model: _undamped, (1.6, 2.5), 0.25),
    "blocked port": Sought(1.0, lambda model: _blocked),
    "tuning": Sought(1.0, lambda model: _tuning, (0.75, 0.84, 0.92, 1.09, 1.2, 1.35), 0.05),
    "corner": Sought(2.0, lambda model: _corner, (0.5, 0.67, 0.8, 1.25, 1.5, 2.0), 0.12),
    "no filter": Sought(1.0, lambda model: lambda channel, _: replace(channel, filter=None)),
}
