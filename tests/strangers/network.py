"""The passive network of a kit as elements of a net: the kit's own lines, and what real parts have besides."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from strangers.nodal import GROUND, Element, Series

SCALE = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9}
PART = re.compile(r"(?P<name>([RLC])\w*) (?P<value>[\d.]+) (?P<scale>[kmun]?)(?:ohm|H|F)(?: \((?P<ohm>[\d.]+) ohm\))?")
#: Loss factor at 1 kHz of a film capacitor and of a bipolar electrolytic one, which begins at so many farad; a
#: resistor's winding. Common practice, no source.
FILM_LOSS, ELECTROLYTIC_LOSS, ELECTROLYTIC_F = 0.002, 0.04, 33e-6
WINDING_H = 1e-6
SHORT_OHM = 2e-3


@dataclass(frozen=True)
class Part:
    """One part between two nodes."""

    name: str
    kind: str
    value: float
    series_ohm: float
    a: str
    b: str
    #: "open" or "short" when it is missing or bridged.
    state: str = ""


def parts_of(driver: str, lines: Sequence[str], lead: str) -> tuple[list[Part], str]:
    """The parts between the lead and a driver, and the node that its coil hangs at.

    Parameters
    ----------
    driver : str
        Its name, for the names of nodes.
    lines : sequence of str
        In signal order, such as "series L1 0.8 mH (0.3 ohm) | R1 5.6 ohm" or "shunt R2 6.8 ohm + C2 10 uF".

    Raises
    ------
    ValueError
        If a line cannot be read.
    """
    parts: list[Part] = []
    here = lead
    for n, line in enumerate(lines, 1):
        place, _, group = line.partition(" ")
        if place not in ("series", "shunt"):
            raise ValueError(f"{line!r}: begins neither with series nor with shunt")
        there = f"{driver} {n}" if place == "series" else GROUND
        for m, chain in enumerate(group.split(" | "), 1):
            parts += _chain(chain.split(" + "), here, there, f"{driver} {n}.{m}")
        here = there if place == "series" else here
    return parts, here


def _chain(texts: Sequence[str], a: str, b: str, inner: str) -> Iterator[Part]:
    nodes = [a, *(f"{inner}.{n}" for n in range(1, len(texts))), b]
    for text, start, end in zip(texts, nodes, nodes[1:], strict=False):
        read = PART.fullmatch(text)
        if not read:
            raise ValueError(f"{text!r} is no part")
        value = float(read["value"]) * SCALE[read["scale"]]
        kind = read["name"][0]
        loss = FILM_LOSS if value < ELECTROLYTIC_F else ELECTROLYTIC_LOSS
        own_ohm = float(read["ohm"] or 0) if kind != "C" else loss / (2 * np.pi * 1000 * value)
        yield Part(read["name"], kind, value, own_ohm, start, end)


def part_elements(part: Part) -> Iterator[Element]:
    """What a part is in the net; nothing when it is open."""
    if part.state == "short":
        yield Series(part.a, part.b, resistance=SHORT_OHM)
    elif part.state == "open":
        return
    elif part.kind == "R":
        yield Series(part.a, part.b, resistance=part.value, inductance=WINDING_H)
    elif part.kind == "L":
        yield Series(part.a, part.b, resistance=max(part.series_ohm, SHORT_OHM), inductance=part.value)
    else:
        yield Series(part.a, part.b, resistance=part.series_ohm, capacitance=part.value)
