"""The dictionary of faults: what can be wrong with one channel, as a change of its lumped model.

Made of the design alone: every part open, short, of another value, in another's place; drivers reversed, exchanged,
dead, of another impedance; the box leaking or undamped, its port blocked or of another tuning; the amplifier's output.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any, TypeAlias

import numpy as np

from rig.circuit.box import without_damping
from rig.circuit.channel import Branch, Channel, box_of, channel_parts, find_driver, find_part, with_driver, with_part
from rig.circuit.driver import Driver
from rig.circuit.parts import State
from rig.circuit.units import Value

Change: TypeAlias = Callable[[Channel, Value], Channel]

#: Another box plays so loud that this one is not heard above it.
LOUD_NEIGHBOUR = "loud neighbour"
#: How often a builder makes each mistake, against the others, for one place: common practice, no source. Bent
#: tongues and cold joints before exotic values; only the order of magnitude matters beside the curves.
OFTEN = {
    "reversed": 4.0,
    "value": 3.0,
    "open": 3.0,
    "leak": 3.0,
    "swapped": 3.0,
    "dead": 2.0,
    "exchanged": 2.0,
    "driver leads": 2.0,
    "gain": 2.0,
    "silent": 2.0,
    LOUD_NEIGHBOUR: 2.0,
    "corner": 2.0,
    "short": 1.0,
    "pad": 1.0,
    "driver short": 1.0,
    "impedance": 1.0,
    "blocked port": 1.0,
    "tuning": 1.0,
    "damping": 1.0,
    "no filter": 1.0,
    "thin wire": 0.5,
    "shorted turns": 0.5,
    "weak": 0.3,
    "resonance": 0.3,
}
#: Values of parts that lie in the next drawer: the steps of the E12 series (IEC 60063) over a decade each way. The
#: wrong decade is the mistake most often made of them.
E12 = (1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
VALUE_FACTORS = tuple(sorted((0.1, *(step / 10 for step in E12), *E12, 10.0)))
DECADE_SHARE = 5.0
#: Other nominal impedances that drivers are sold with, in ohm.
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


def hypotheses_of(model: Channel, others: Sequence[str] = (), compared: Sequence[str] = ()) -> list[Hypothesis]:
    """All that can be wrong with a channel of this design.

    Its leads may be swapped with those of `others`; the `compared` ones are played at its place as well.
    """
    found = [*_of_parts(model), *_of_drivers(model), *_of_box(model), *_of_output(model, others, compared)]
    return [hypothesis for hypothesis in found if hypothesis.weight > 0]


def unchanged(channel: Channel, amount: Value) -> Channel:
    """The channel as it is."""
    return channel


def both(one: Hypothesis, other: Hypothesis) -> Hypothesis:
    """Two faults at once."""
    weight, sign = one.weight * other.weight, one.sign * other.sign
    return replace(one, weight=weight, sign=sign, box=one.box or other.box, second=other)


def _grid(
    cause: Cause, change: Change, amounts: Sequence[float], sigma: float, shares: Sequence[float] | None = None
) -> Iterator[Hypothesis]:
    shares = shares or [1.0] * len(amounts)
    for amount, share in zip(amounts, shares, strict=True):
        weight = OFTEN[cause.kind] * share / sum(shares)
        is_gain = cause.kind == "gain"
        yield Hypothesis(cause, change, amount, sigma, weight, is_gain=is_gain)


def _alone(cause: Cause, change: Change) -> Hypothesis:
    return Hypothesis(cause, change, weight=OFTEN[cause.kind])


def _of_parts(model: Channel) -> Iterator[Hypothesis]:
    parts = list(channel_parts(model))
    shares = [DECADE_SHARE if factor in (0.1, 10.0) else 1.0 for factor in VALUE_FACTORS]
    for part in parts:
        here = (part.name,)
        yield _alone(Cause("open", model.name, here), _part_in(part.name, "open"))
        yield _alone(Cause("short", model.name, here), _part_in(part.name, "short"))
        yield from _grid(
            Cause("value", model.name, here), _value(part.name), VALUE_FACTORS, float(np.log(1.2) / 2), shares
        )
        if part.kind == "L":
            yield from _grid(
                Cause("thin wire", model.name, here), _more_wire(part.name), (0.25, 0.5, 1.0, 2.0), np.log(2) / 2
            )
    for a, b in combinations(parts, 2):
        if a.kind == b.kind and a.value != b.value:
            yield _alone(Cause("exchanged", model.name, (a.name, b.name)), _parts_exchanged(a.name, b.name))
    for branch in model.branches:
        for one, other in pairwise(branch.elements):
            first, second = list(one.parts()), list(other.parts())
            resistors = len(first) == len(second) == 1 and first[0].kind == second[0].kind == "R"
            if resistors and {one.place, other.place} == {"series", "shunt"}:
                names = (first[0].name, second[0].name)
                yield _alone(Cause("pad", model.name, names), _turned(names))


def _of_drivers(model: Channel) -> Iterator[Hypothesis]:
    for driver in model.drivers:
        here = (driver.name,)
        if len(model.drivers) > 1:
            yield _alone(Cause("reversed", model.name, here), _reversed(driver.name))
        yield _alone(Cause("dead", model.name, here), _driver_in(driver.name, "open"))
        yield _alone(Cause("driver short", model.name, here), _driver_in(driver.name, "short"))
        versions = [ohm / driver.nominal_ohm for ohm in NOMINAL_OHM if 0.4 < ohm / driver.nominal_ohm < 2.5]
        versions += [factor for factor in (0.5, 2.0) if factor not in versions]
        others = [factor for factor in versions if factor != 1]
        yield from _grid(Cause("impedance", model.name, here), _other_impedance(driver.name), others, 0.07)
        yield from _grid(Cause("shorted turns", model.name, here), _shorted_turns(driver.name), (0.85, 0.7, 0.55), 0.12)
        yield from _grid(Cause("weak", model.name, here), _times(driver.name, "qes"), (1.5, 2.0, 3.0), 0.2)
        yield from _grid(
            Cause("resonance", model.name, here), _resonance(driver.name), (0.75, 0.88, 1.14, 1.3, 1.5), 0.08
        )
    for a, b in combinations(model.drivers, 2):
        yield _alone(Cause("driver leads", model.name, (a.name, b.name)), _drivers_exchanged(a.name, b.name))


def _of_box(model: Channel) -> Iterator[Hypothesis]:
    if model.box.kind == "none" or not any(driver.in_box for driver in model.drivers):
        return
    design_q = float(np.max(model.box.leakage_q))
    losses = [q for q in (0.7, 1.5, 3.0) if q < design_q / 2]
    yield from _grid(Cause("leak", model.name), _leaking(model), losses, 0.4)
    yield from _grid(Cause("damping", model.name), _undamped, (1.6, 2.5), 0.25)
    if model.box.kind == "vented":
        yield _alone(
            Cause("blocked port", model.name),
            lambda channel, _: replace(channel, box=replace(channel.box, kind="closed")),
        )
        tunings = (0.75, 0.84, 0.92, 1.09, 1.2, 1.35)
        yield from _grid(Cause("tuning", model.name), _tuning, tunings, 0.05)


def _of_output(model: Channel, others: Sequence[str], compared: Sequence[str]) -> Iterator[Hypothesis]:
    yield replace(_alone(Cause("reversed", model.name), unchanged), sign=-1)
    yield replace(_alone(Cause("silent", model.name), unchanged), amount=1e-6, is_gain=True)
    gains = (0.1, 0.16, 0.25, 0.35, 0.5, 0.71, 1.41, 2.0, 3.0)
    yield from _grid(Cause("gain", model.name), unchanged, gains, 0.2)
    for other in compared:
        yield from _grid(Cause(LOUD_NEIGHBOUR, model.name, (other,)), unchanged, (1.41, 2.0, 3.0), 0.2)
    for other in others:
        yield replace(_alone(Cause("swapped", model.name, (other,)), unchanged), box=other)
    if model.filter:
        yield from _grid(Cause("corner", model.name), _corner, (0.5, 0.67, 0.8, 1.25, 1.5, 2.0), 0.12)
        yield _alone(Cause("no filter", model.name), lambda channel, _: replace(channel, filter=None))


def _part_in(name: str, state: State) -> Change:
    return lambda channel, _: with_part(channel, name, state=state)


def _value(name: str) -> Change:
    return lambda channel, factor: with_part(channel, name, value=find_part(channel, name).value * factor)


def _more_wire(name: str) -> Change:
    return lambda channel, ohm: with_part(channel, name, series_ohm=find_part(channel, name).series_ohm + ohm)


def _parts_exchanged(one: str, other: str) -> Change:
    def change(channel: Channel, _: Value) -> Channel:
        a, b = find_part(channel, one), find_part(channel, other)
        exchanged = with_part(channel, one, value=b.value, series_ohm=b.series_ohm)
        return with_part(exchanged, other, value=a.value, series_ohm=a.series_ohm)

    return change


def _turned(names: tuple[str, str]) -> Change:
    def turned(branch: Branch) -> Branch:
        elements = list(branch.elements)
        at = [i for i, element in enumerate(elements) if {part.name for part in element.parts()} <= set(names)]
        if at:
            elements[at[0]], elements[at[1]] = elements[at[1]], elements[at[0]]
        return replace(branch, elements=tuple(elements))

    return lambda channel, _: replace(channel, branches=tuple(map(turned, channel.branches)))


def _driver_in(name: str, state: State) -> Change:
    return lambda channel, _: with_driver(channel, name, state=state)


def _reversed(name: str) -> Change:
    return lambda channel, _: with_driver(channel, name, polarity=-find_driver(channel, name).polarity)


def _drivers_exchanged(one: str, other: str) -> Change:
    def change(channel: Channel, _: Value) -> Channel:
        there = {one: find_driver(channel, other), other: find_driver(channel, one)}
        # Only their leads are exchanged: each keeps its name, and the name tells nothing of the place.
        return replace(
            channel,
            branches=tuple(replace(b, driver=there.get(b.driver.name, b.driver)) for b in channel.branches),
        )

    return change


def _times(name: str, field: str) -> Change:
    return lambda channel, by: with_driver(channel, name, **{field: getattr(find_driver(channel, name), field) * by})


def _other_impedance(name: str) -> Change:
    def change(channel: Channel, by: Value) -> Channel:
        driver = find_driver(channel, name)
        return with_driver(channel, name, re_ohm=driver.re_ohm * by, le_h=driver.le_h * by)

    return change


def _shorted_turns(name: str) -> Change:
    def change(channel: Channel, left: Value) -> Channel:
        driver = find_driver(channel, name)
        # Resistance goes with the turns, inductance and Bl squared with their square; Qes goes with Re / Bl squared.
        return with_driver(
            channel, name, re_ohm=driver.re_ohm * left, le_h=driver.le_h * left**2, qes=driver.qes / left
        )

    return change


def _resonance(name: str) -> Change:
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


def _tuning(channel: Channel, by: Value) -> Channel:
    return replace(channel, box=replace(channel.box, tuning_hz=channel.box.tuning_hz * by))


def _corner(channel: Channel, by: Value) -> Channel:
    assert channel.filter is not None
    changes: dict[str, Any] = {"hz": channel.filter.hz * by}
    return replace(channel, filter=replace(channel.filter, **changes))
