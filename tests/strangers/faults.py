"""Faults of a stranger: changes of its own elements, written as `kitproof faults` writes them ("tenth:C1")."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from strangers.designs import Design
from strangers.driver import MovingCoil
from strangers.enclosure import Enclosure
from strangers.network import Part
from strangers.population import Unit, nominal_parts, unit

E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
QUIET_DB = 2.0
#: What a hole that a builder notices late leaves of the Q of a box's losses.
LEAK_Q = 1.5


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong."""

    kind: str
    #: Names of parts or of the driver.
    what: tuple[str, ...] = ()
    #: Of "value": what the part's value is multiplied by.
    factor: float = 1.0

    def __str__(self) -> str:
        name = ":".join((self.kind, *self.what))
        return f"{name}={self.factor:g}" if self.kind == "value" else name


def faulty(design: Design, seed: int, serial: str, faults: Sequence[Fault]) -> Unit:
    """The unit of this serial with something wrong with it."""
    made = unit(design, seed, serial)
    for fault in faults:
        made = put_in(made, fault)
    return made


def put_in(made: Unit, fault: Fault) -> Unit:
    """A unit with one fault more.

    Raises
    ------
    KeyError
        If there is no such kind, part or driver.
    """
    return KINDS[fault.kind](made, fault)


def parse(text: str) -> Fault:
    """Read what `str` of a fault writes."""
    name, _, factor = text.partition("=")
    kind, *what = name.split(":")
    return Fault(kind, tuple(what), float(factor or 1.0))


def all_faults(design: Design) -> list[Fault]:
    """Every fault that this design can have, but for values at will."""
    return list(_of_parts(design)) + list(_of_the_rest(design))


def _of_parts(design: Design) -> Iterator[Fault]:
    parts = nominal_parts(design)
    for part in parts:
        for kind in ("open", "short", "tenth", "tenfold", "next-up", "next-down"):
            yield Fault(kind, (part.name,))
    for a, b in combinations(parts, 2):
        if a.kind == b.kind:
            yield Fault("swapped", (a.name, b.name))


def _of_the_rest(design: Design) -> Iterator[Fault]:
    yield Fault("reversed")
    yield Fault("quiet")
    for fitted in design.drivers:
        if len(design.drivers) > 1:
            yield Fault("reversed", (fitted.name,))
        yield Fault("dead", (fitted.name,))
    if design.kind != "open":
        yield Fault("leaking")
    if design.kind in ("vented", "passive"):
        yield Fault("blocked")


def next_value(value: float, up: bool) -> float:
    """The neighbour of a value in the E6 series (IEC 60063)."""
    decade = 10.0 ** np.floor(np.log10(value))
    series = [decade * step * by for by in (0.1, 1.0, 10.0) for step in E6]
    near = [one for one in series if (one > 1.02 * value if up else one < 0.98 * value)]
    return float(min(near) if up else max(near))


def _part(made: Unit, name: str) -> Part:
    return {part.name: part for part in made.parts}[name]


def _with_part(made: Unit, name: str, **changes: object) -> Unit:
    changed = replace(_part(made, name), **changes)  # type: ignore[arg-type]
    return replace(made, parts=tuple(changed if part.name == name else part for part in made.parts))


def _with_coil(made: Unit, name: str, change: Callable[[MovingCoil], MovingCoil]) -> Unit:
    if name not in {coil.name for coil in made.coils}:
        raise KeyError(name)
    return replace(made, coils=tuple(change(coil) if coil.name == name else coil for coil in made.coils))


def _times(factor: float) -> Callable[[Unit, Fault], Unit]:
    def change(made: Unit, fault: Fault) -> Unit:
        part = _part(made, fault.what[0])
        by = factor or fault.factor
        # A longer wire has more resistance: about as the root of the inductance.
        series_ohm = part.series_ohm * (by**0.5 if part.kind == "L" else 1 / by if part.kind == "C" else 1.0)
        return _with_part(made, part.name, value=part.value * by, series_ohm=series_ohm)

    return change


def _next(up: bool) -> Callable[[Unit, Fault], Unit]:
    def change(made: Unit, fault: Fault) -> Unit:
        return _times(factor_of(made.design, replace(fault, kind="next-up" if up else "next-down")))(made, fault)

    return change


def factor_of(design: Design, fault: Fault) -> float:
    """What a fault multiplies its part's value by."""
    if fault.kind in ("tenth", "tenfold"):
        return {"tenth": 0.1, "tenfold": 10.0}[fault.kind]
    if fault.kind == "value":
        return fault.factor
    nominal = nominal_value(design, fault.what[0])
    return next_value(nominal, fault.kind == "next-up") / nominal


def nominal_value(design: Design, name: str) -> float:
    """The value of a part as the kit has it."""
    return {part.name: part.value for part in nominal_parts(design)}[name]


def _swapped(made: Unit, fault: Fault) -> Unit:
    a, b = (_part(made, name) for name in fault.what)
    made = _with_part(made, a.name, value=b.value, series_ohm=b.series_ohm)
    return _with_part(made, b.name, value=a.value, series_ohm=a.series_ohm)


def _reversed(made: Unit, fault: Fault) -> Unit:
    if not fault.what:
        return replace(made, gain=-made.gain)
    return _with_coil(made, fault.what[0], lambda coil: replace(coil, sign=-coil.sign))


def _leaking(made: Unit, fault: Fault) -> Unit:
    return _with_box(made, leak_q=LEAK_Q)


def _with_box(made: Unit, **changes: object) -> Unit:
    box: Enclosure = replace(made.box, **changes)  # type: ignore[arg-type]
    return replace(made, box=box)


KINDS: dict[str, Callable[[Unit, Fault], Unit]] = {
    "open": lambda made, fault: _with_part(made, fault.what[0], state="open"),
    "short": lambda made, fault: _with_part(made, fault.what[0], state="short"),
    "tenth": _times(0.1),
    "tenfold": _times(10.0),
    "value": _times(0.0),
    "next-up": _next(True),
    "next-down": _next(False),
    "swapped": _swapped,
    "reversed": _reversed,
    "dead": lambda made, fault: _with_coil(made, fault.what[0], lambda coil: replace(coil, is_dead=True)),
    "quiet": lambda made, fault: replace(made, gain=made.gain * 10 ** (-QUIET_DB / 20)),
    "leaking": _leaking,
    "blocked": lambda made, fault: _with_box(made, is_blocked=True),
}
