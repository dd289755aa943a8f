"""The jig: how far box and microphone stand from what reflects, and how long a gate may be before it does."""

import math
from dataclasses import dataclass
from typing import Annotated

from rig.circuit.units import SPEED_OF_SOUND_M_S
from rig.files.tables import Table, between
from rig.signals.gating import VALID_PERIODS

Distance = Annotated[float, between(0.02, 50)]
#: A gate ends so much before the first reflection: distances are told to a few percent (common practice, no source).
BEFORE_REFLECTION = 0.95


class JigSpec(Table):
    """Distances in metres; what is left out is far away."""

    #: Straight from the axis between box and microphone, which runs level: down, up, and to the nearest wall aside.
    floor_m: Distance | None = None
    bench_top_m: Distance | None = None
    ceiling_m: Distance | None = None
    side_wall_m: Distance | None = None
    #: From the microphone on to the wall that the box looks at, and from the baffle back to the wall behind the box.
    behind_microphone_m: Distance | None = None
    behind_box_m: Distance | None = None


@dataclass(frozen=True)
class Reflection:
    """One reflection of a jig."""

    #: Off what.
    words: str
    #: Behind the direct sound, in milliseconds.
    later_ms: float


#: Key of the table -> what it is in words, and whether it lies beside the axis (else at one of its ends).
SURFACES = {
    "floor_m": ("the floor", True),
    "bench_top_m": ("the bench top", True),
    "ceiling_m": ("the ceiling", True),
    "side_wall_m": ("the wall beside", True),
    "behind_microphone_m": ("the wall behind the microphone", False),
    "behind_box_m": ("the wall behind the box", False),
}


def reflections(jig: JigSpec, distance_m: float, speed_m_s: float = SPEED_OF_SOUND_M_S) -> list[Reflection]:
    """What comes back after the direct sound, the first one first, with the microphone at a distance from the baffle.

    The mirror image of the box behind a wall at a distance h beside the axis is ``sqrt(d^2 + 4 h^2)`` away; a wall at
    an end of the axis makes the way longer by twice its distance (image sources: J. B. Allen, D. A. Berkley, "Image
    method for efficiently simulating small-room acoustics", JASA 65 (1979)).
    """
    found = []
    for key, (words, is_beside) in SURFACES.items():
        h = getattr(jig, key)
        if h is not None:
            longer_m = math.hypot(distance_m, 2 * h) - distance_m if is_beside else 2 * h
            found.append(Reflection(words, 1e3 * longer_m / speed_m_s))
    return sorted(found, key=lambda one: one.later_ms)


def gate_before(reflection: Reflection) -> float:
    """A gate in milliseconds that ends before a reflection, to a tenth."""
    return math.floor(10 * BEFORE_REFLECTION * reflection.later_ms) / 10


def lowest_hz(gate_ms: float) -> float:
    """From where on a level behind a gate can be trusted."""
    return VALID_PERIODS * 1e3 / gate_ms
