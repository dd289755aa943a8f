"""Faults by name, and where each can sit in a kit.

A fault is written ``kind:channel:what:what=amount``, as in::

    reversed:left:tweeter       tenth:left:L1       off:left:C1=20      tuning:left=-5
    open:C1                     (no channel: the kit's first)
    dead:bass                   (no name behind the channel where there is only one)
    dropped-samples=64          dropped-samples-once        (the first attempt at each request only)
    fails-open:left:woofer=0.5  silent-sensor:heat-sink     (when so much of a programme has passed)

`FAULT_KINDS` of `rig.design.fault_kinds` holds all of them.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

from rig.circuit.channel import Channel, channel_parts
from rig.design.fault_kinds import BENCH_FAULTS, FAULT_KINDS, FaultKind, Target
from rig.design.kit import Kit
from rig.files.errors import FaultError

#: What stands for a blank in the role of an instrument: "silent-sensor:heat-sink".
BLANK = "-"
#: Roles that are listed; an instrument of any other may fail as well.
ROLES = ("heat-sink", "ambient")


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong."""

    kind: str
    #: Empty for a fault of the bench.
    channel: str = ""
    #: Names of drivers, parts or the other channel; the role of an instrument.
    what: tuple[str, ...] = ()
    amount: float = 0.0
    #: A fault of the bench that strikes the first attempt at a request only.
    once: bool = False

    def __str__(self) -> str:
        name = ":".join([self.kind + ("-once" if self.once else ""), *filter(None, [self.channel]), *self.what])
        return name if FAULT_KINDS[self.kind].amount is None else f"{name}={self.amount:g}"


def parse_fault(kit: Kit, text: str) -> Fault:
    """Read a fault.

    Raises
    ------
    FaultError
        If the kit cannot have this fault; the message lists what there is.
    """
    shape = re.fullmatch(r"([a-z-]+?)(-once)?((?::[\w-]+)*)(?:=([-+.\w]+))?", text.strip())
    if not shape or shape[1] not in FAULT_KINDS:
        raise FaultError(f"fault {text!r}: there is no such kind; there are {', '.join(FAULT_KINDS)}")
    kind, names = shape[1], tuple(shape[3].split(":")[1:])
    if shape[2] and kind not in BENCH_FAULTS:
        raise FaultError(f"fault {text!r}: only faults of the bench strike once: {', '.join(BENCH_FAULTS)}")
    amount = _amount(text, shape[4], FAULT_KINDS[kind])
    if "role" in FAULT_KINDS[kind].places and len(names) == 1:
        return Fault(kind, "", names, amount)
    places = list(_places(kit, FAULT_KINDS[kind]))
    if names and places == [("", ())]:
        raise FaultError(f"fault {text!r}: this fault has no channel; allowed is {kind!r} alone")
    is_only = len(places) == 1 or (bool(places) and not places[0][0])
    place = places[0] if is_only and not names else _place(places, [channel.name for channel in kit.channels], names)
    if place is None:
        allowed = ", ".join(str(Fault(kind, *there)).split("=")[0] for there in places) or "none in this kit"
        why = ": only the box with the amplifier board in it has a cooling vent" if kind == "covered" else ""
        raise FaultError(f"fault {text!r}: allowed are {allowed}{why}")
    return Fault(kind, *place, amount, once=bool(shape[2]))


def fault_names(kit: Kit) -> list[tuple[str, str]]:
    """Every fault that this kit can have, with its description; amounts are as they are when none is given."""
    named = []
    for name, kind in FAULT_KINDS.items():
        amount = kind.amount or 0.0
        for channel, what in _places(kit, kind):
            spoken = tuple(role.replace(BLANK, " ") for role in what) if "role" in kind.places else what
            words = in_words(kind.words, channel, spoken, f"{amount:g}")
            named.append((str(Fault(name, channel, what, amount)), words))
    return named


def in_words(text: str, channel: str, what: tuple[str, ...], amount: str = "") -> str:
    """A text of the table with the names of a place, and an amount, filled in."""
    a, b = (*what, "", "")[:2]
    return text.format(channel=channel, a=a, b=b, it=" ".join(filter(None, [channel, *what])), amount=amount)


def places_in(model: Channel, target: Target) -> list[tuple[str, ...]]:
    """Names within a channel of what a fault can sit at; one empty tuple: at the channel itself."""
    drivers = [driver.name for driver in model.drivers]
    parts = list(channel_parts(model))
    boxed = model.box.kind != "none" and any(driver.in_box for driver in model.drivers)
    found: dict[Target, list[tuple[str, ...]]] = {
        "channel": [()],
        "driver": [(name,) for name in drivers],
        "two drivers": [*combinations(drivers, 2)],
        "part": [(part.name,) for part in parts],
        "coil": [(part.name,) for part in parts if part.kind == "L"],
        # Parts that are equal can be exchanged without harm.
        "two parts": [(a.name, b.name) for a, b in combinations(parts, 2) if a.kind == b.kind and a.value != b.value],
        "pad": list(_pads(model)),
        "box": [()] if boxed else [],
        "port": [()] if boxed and model.box.kind == "vented" else [],
        "filter": [()] if model.filter else [],
    }
    return found[target]


def _pads(model: Channel) -> Iterator[tuple[str, ...]]:
    """A resistor in series and one across it beside it."""
    for branch in model.branches:
        for first, second in pairwise(branch.elements):
            a, b = list(first.parts()), list(second.parts())
            if len(a) == len(b) == 1 and a[0].kind == b[0].kind == "R" and first.place != second.place:
                yield a[0].name, b[0].name


def _places(kit: Kit, kind: FaultKind) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Where a kind of fault can sit in this kit: channel, and names within it; either may be empty."""
    for target in kind.places:
        if target in ("whole", "bench"):
            yield "", ()
        elif target == "role":
            yield from (("", (role,)) for role in ROLES)
        elif target == "board":
            yield from ((box, ()) for box in filter(None, [board_box(kit)]))
        elif target == "two channels":
            yield from ((a.name, (b.name,)) for a, b in combinations(kit.channels, 2))
        else:
            yield from ((spec.name, what) for spec in kit.channels for what in places_in(kit.model(spec.name), target))


def board_box(kit: Kit) -> str:
    """The box whose compartment holds the amplifier board: the one that plays lowest, of equal ones the first.

    Empty where the kit has no box.
    """
    boxed = [spec for spec in kit.channels if spec.box.volume_l is not None]
    lowest = min(boxed, key=lambda spec: min(driver.band_hz[0] for driver in spec.drivers), default=None)
    return lowest.name if lowest else ""


def _place(
    places: list[tuple[str, tuple[str, ...]]], channels: list[str], names: tuple[str, ...]
) -> tuple[str, tuple[str, ...]] | None:
    """The one of the places that the names mean; None if they mean none."""
    # A driver may be called like a channel: what reads as a channel is one if that makes sense.
    readings = [(names[0], names[1:])] if names and names[0] in channels else []
    if not names or names[0] not in channels or len(names) == 1:
        readings.append((channels[0], names))
    for channel, what in readings:
        turned = (what[0], (channel,)) if len(what) == 1 else (channel, what[::-1])
        for place in ((channel, what), turned):
            if place in places:
                return place
        own = [place for place in places if place[0] == channel]
        if not what and len(own) == 1:
            return own[0]
    return None


def _amount(text: str, written: str | None, kind: FaultKind) -> float:
    if written is None:
        return kind.amount or 0.0
    if kind.amount is None:
        raise FaultError(f"fault {text!r}: found the amount {written!r}; this kind takes none")
    try:
        amount = float(written)
    except ValueError:
        amount = math.nan
    low, high = kind.allowed
    if not low <= amount <= high:
        raise FaultError(f"fault {text!r}: found the amount {written!r}; allowed is a number from {low:g} to {high:g}")
    return amount
