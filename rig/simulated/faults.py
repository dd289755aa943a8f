"""Faults by name: what can be wrong with a simulated unit, and with the bench it stands on.

A fault is written ``kind:channel:what:what=amount``, as in::

    reversed:left:tweeter       tenth:left:L1       off:left:C1=20      tuning:left=-5
    open:C1                     (no channel: the kit's first)
    dead:bass                   (no name behind the channel where there is only one)
    dropped-samples=64          dropped-samples-once        (the first attempt at each request only)
    fails-open:left:woofer=0.5  silent-sensor:heat-sink     (when so much of a programme has passed)

`UNIT_KINDS` of `rig.simulated.fault_kinds`, `BENCH_KINDS` of `rig.simulated.bench_kinds` and `HEAT_KINDS` of
`rig.simulated.heat_faults` hold all of them.
"""

import math
import re
from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise

from rig.circuit.channel import Channel, channel_parts
from rig.design.kit import Kit
from rig.files.errors import FaultError
from rig.simulated.bench_kinds import BENCH_KINDS
from rig.simulated.equipment import Equipment
from rig.simulated.fault_kinds import UNIT_KINDS, Fault, Target
from rig.simulated.heat_faults import BLANK, HEAT_KINDS, ROLES
from rig.simulated.heat_network import board_box
from rig.simulated.unit import Unit

#: No amount of a fault, in whatever unit, is meant to be larger.
LARGEST_AMOUNT = 1e9


def parse_fault(kit: Kit, text: str) -> Fault:
    """Read a fault.

    Raises
    ------
    FaultError
        If the kit cannot have this fault; the message lists what there is.
    """
    shape = re.fullmatch(r"([a-z-]+?)(-once)?((?::[\w-]+)*)(?:=([-+.\w]+))?", text.strip())
    kinds = UNIT_KINDS | BENCH_KINDS | HEAT_KINDS
    if not shape or shape[1] not in kinds:
        raise FaultError(f"fault {text!r}: there is no such kind; there are {', '.join(kinds)}")
    kind, names = shape[1], tuple(shape[3].split(":")[1:])
    amount = _amount(text, shape[4], kinds[kind].amount)
    if kind in BENCH_KINDS:
        if names:
            raise FaultError(f"fault {text!r}: a fault of the bench has no channel; allowed is {kind!r} alone")
        return Fault(kind, amount=amount, once=bool(shape[2]))
    if shape[2]:
        raise FaultError(f"fault {text!r}: only faults of the bench strike once: {', '.join(BENCH_KINDS)}")
    if kind in HEAT_KINDS and HEAT_KINDS[kind].target == "role" and len(names) == 1:
        return Fault(kind, "", names, amount)
    places = _heat_places(kit, kind) if kind in HEAT_KINDS else list(_places(kit, UNIT_KINDS[kind].targets))
    if names and places == [("", ())]:
        raise FaultError(f"fault {text!r}: this fault has no channel; allowed is {kind!r} alone")
    is_only = len(places) == 1 or (bool(places) and not places[0][0])
    place = places[0] if is_only and not names else _place(places, [channel.name for channel in kit.channels], names)
    if place is None:
        allowed = ", ".join(str(Fault(kind, *there)).split("=")[0] for there in places) or "none in this kit"
        why = ": only the box with the amplifier board in it has a cooling vent" if kind == "covered" else ""
        raise FaultError(f"fault {text!r}: allowed are {allowed}{why}")
    return Fault(kind, *place, amount)


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


def fault_names(kit: Kit) -> list[tuple[str, str]]:
    """Every fault that this kit can have, with its description; amounts are as they are when none is given."""
    named = []
    for name, kind in UNIT_KINDS.items():
        for channel, what in _places(kit, kind.targets):
            a, b = (*what, "", "")[:2]
            it = " ".join([channel, *what])
            words = kind.words.format(channel=channel, a=a, b=b, it=it, amount=f"{kind.amount or 0:g}")
            named.append((str(Fault(name, channel, what, kind.amount or 0.0)), words))
    for name, bench_kind in BENCH_KINDS.items():
        words = bench_kind.words.format(amount=f"{bench_kind.amount or 0:g}")
        named.append((str(Fault(name, amount=bench_kind.amount or 0.0)), words))
    for name, heat_kind in HEAT_KINDS.items():
        for channel, what in _heat_places(kit, name):
            it = " ".join(filter(None, [channel, *what])).replace(BLANK, " ")
            words = heat_kind.words.format(it=it, amount=f"{heat_kind.amount or 0:g}")
            named.append((str(Fault(name, channel, what, heat_kind.amount or 0.0)), words))
    return named


def of_unit(faults: Sequence[Fault], unit: Unit) -> Unit:
    """The unit with its faults, in the order given; those of the bench are passed over."""
    for fault in faults:
        if fault.kind in UNIT_KINDS:
            unit = UNIT_KINDS[fault.kind].change(unit, fault)
    return unit


def of_bench(faults: Sequence[Fault], equipment: Equipment, attempt: int) -> Equipment:
    """The equipment with its faults at this attempt; those of the unit are passed over."""
    for fault in faults:
        if fault.kind in BENCH_KINDS and not (fault.once and attempt > 1):
            equipment = BENCH_KINDS[fault.kind].change(equipment, fault.amount)
    return equipment


def _amount(text: str, written: str | None, default: float | None) -> float:
    if written is None:
        return default or 0.0
    if default is None:
        raise FaultError(f"fault {text!r}: found the amount {written!r}; this kind takes none")
    try:
        amount = float(written)
    except ValueError:
        amount = math.nan
    if not abs(amount) <= LARGEST_AMOUNT:
        allowed = f"a number from {-LARGEST_AMOUNT:g} to {LARGEST_AMOUNT:g}"
        raise FaultError(f"fault {text!r}: found the amount {written!r}; allowed is {allowed}")
    return amount


def _places(kit: Kit, targets: tuple[Target, ...]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Where a kind of fault can sit in this kit: channel, and names within it."""
    for target in targets:
        if target == "two channels":
            yield from ((a.name, (b.name,)) for a, b in combinations(kit.channels, 2))
            continue
        for spec in kit.channels:
            for what in _within(kit.model(spec.name), target):
                yield spec.name, what


def _heat_places(kit: Kit, kind: str) -> list[tuple[str, tuple[str, ...]]]:
    """Where a fault of heat can sit, as `_places`; no channel where it is not a channel's."""
    target = HEAT_KINDS[kind].target
    if target == "whole":
        return [("", ())]
    if target == "board":
        return [(board_box(kit), ())] if board_box(kit) else []
    return [("", (role,)) for role in ROLES] if target == "role" else list(_places(kit, (target,)))


def _within(model: Channel, target: Target) -> list[tuple[str, ...]]:
    drivers = [driver.name for driver in model.drivers]
    parts = list(channel_parts(model))
    boxed = model.box.kind != "none"
    found: dict[str, list[tuple[str, ...]]] = {
        "channel": [()],
        "driver": [(name,) for name in drivers],
        "two drivers": [*combinations(drivers, 2)],
        "part": [(part.name,) for part in parts],
        "coil": [(part.name,) for part in parts if part.kind == "L"],
        # Parts that are equal can be exchanged without harm.
        "two parts": [(a.name, b.name) for a, b in combinations(parts, 2) if a.kind == b.kind and a.value != b.value],
        "pad": _pads(model),
        "box": [()] if boxed and any(driver.in_box for driver in model.drivers) else [],
        "port": [()] if model.box.kind == "vented" else [],
        "filter": [()] if model.filter else [],
    }
    return found[target]


def _pads(model: Channel) -> list[tuple[str, ...]]:
    """A resistor in series with one across it right behind."""
    pads: list[tuple[str, ...]] = []
    for branch in model.branches:
        for first, second in pairwise(branch.elements):
            a, b = list(first.parts()), list(second.parts())
            alone = len(a) == len(b) == 1 and a[0].kind == b[0].kind == "R"
            if alone and (first.place, second.place) == ("series", "shunt"):
                pads.append((a[0].name, b[0].name))
    return pads
