"""What is behind the drivers: the air of the box with its losses, a pipe, a passive radiator, or nothing.

Losses of a box: R. H. Small, "Vented-Box Loudspeaker Systems", JAES 21 (1973). The pipe is a line with losses at its
wall (G. Kirchhoff's, as in L. E. Kinsler et al., "Fundamentals of Acoustics", 4th ed. (2000), section 8.9) that ends
in the mass and resistance of the air in front of it (ibid., section 10.2), so that it resonates as a pipe does as well.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from strangers.driver import DENSITY_KG_M3, SOUND_M_S
from strangers.nodal import GROUND, Complex, Element, Line, OnePort, Piston, Series, damper, mass, spring

BOX, MOUTH, PASSIVE = "box", "mouth", "passive"
STIFFNESS_PA = DENSITY_KG_M3 * SOUND_M_S**2
#: Viscosity of air, and what heat conduction adds to the losses at a wall (Kinsler et al., section 8.9).
VISCOSITY_PA_S, WITH_HEAT = 1.81e-5, 1.48
#: End corrections in radii: flanged, and free (Kinsler et al., section 10.2).
FLANGED, FREE = 0.85, 0.61
#: Of the air's compliance, what takes part in the first standing wave between front and back.
UPRIGHT_PART = 0.15
#: A pipe that is stepped through time is cut into so many pieces.
PIECES = 5


@dataclass(frozen=True)
class Enclosure:
    """One box of one unit (SI units)."""

    kind: Literal["closed", "vented", "passive", "open"]
    volume_m3: float = 1.0
    #: Where leak and damping are stated.
    tuning_hz: float = 50.0
    leak_q: float = 25.0
    damping_q: float = 40.0
    depth_m: float = 0.25
    #: Of the pipe; its length makes the tuning.
    port_radius_m: float = 0.02
    #: Of the passive radiator: area, its own resonance below the tuning, and Q.
    passive_m2: float = 0.0
    passive_fs_part: float = 0.45
    passive_q: float = 7.0
    is_blocked: bool = False

    @property
    def cavity(self) -> float:
        """Compliance of its air in m3/Pa."""
        return self.volume_m3 / STIFFNESS_PA

    @property
    def port_m2(self) -> float:
        """Cross section of the pipe."""
        return float(np.pi * self.port_radius_m**2)

    @property
    def port_length_m(self) -> float:
        """Of the pipe itself, so that with the air at its ends it tunes the box."""
        whole = self.port_m2 / (DENSITY_KG_M3 * self.cavity * (2 * np.pi * self.tuning_hz) ** 2)
        return float(whole) - (FLANGED + FREE) * self.port_radius_m

    def mouth_admittance(self, s: Complex) -> Complex:
        """Volume velocity over pressure where the pipe meets the air in front: a mass, and what it radiates."""
        omega = np.abs(s)
        # Radiated by a small opening in a baffle; it stops growing where the opening is no longer small.
        radiates = DENSITY_KG_M3 * omega**2 / (2 * np.pi * SOUND_M_S)
        most = DENSITY_KG_M3 * SOUND_M_S / self.port_m2
        inertance = FLANGED * self.port_radius_m * DENSITY_KG_M3 / self.port_m2
        return np.asarray(1 / (s * inertance + radiates / (1 + radiates / most)))


def box_elements(box: Enclosure, stepped: bool) -> Iterator[Element]:
    """All that the air behind the cones is coupled to."""
    if box.kind == "open":
        return
    omega = 2 * np.pi * box.tuning_hz
    upright = UPRIGHT_PART * box.cavity
    even = box.cavity - upright
    yield Series(BOX, resistance=1 / (omega * box.damping_q * even), capacitance=even)
    yield Series(BOX, resistance=box.leak_q / (omega * box.cavity), inductance=20.0)
    # The box is half a wave deep there: felt and wool leave it a Q of 6.
    standing = np.pi * SOUND_M_S / box.depth_m
    yield Series(
        BOX,
        resistance=1 / (6 * standing * upright),
        inductance=1 / (standing**2 * upright),
        capacitance=upright,
    )
    if box.kind == "vented" and not box.is_blocked:
        yield from _pipe(box, stepped)
    if box.kind == "passive" and not box.is_blocked:
        yield from _passive(box)


def _pipe(box: Enclosure, stepped: bool) -> Iterator[Element]:
    if not stepped:
        yield Line(BOX, "pipe", box.port_length_m, _round_pipe(box.port_radius_m))
        inner = FREE * box.port_radius_m * DENSITY_KG_M3 / box.port_m2
        yield Series("pipe", MOUTH, inductance=inner)
        yield OnePort(MOUTH, GROUND, box.mouth_admittance)
        return
    whole = (box.port_length_m + FREE * box.port_radius_m) * DENSITY_KG_M3 / box.port_m2
    omega = 2 * np.pi * box.tuning_hz
    for n in range(PIECES):
        a = f"pipe {n}" if n else BOX
        b = f"pipe {n + 1}" if n < PIECES - 1 else MOUTH
        yield Series(a, b, resistance=omega * whole / PIECES / 40, inductance=whole / PIECES)
        yield Series(b, capacitance=box.port_m2 * box.port_length_m / PIECES / STIFFNESS_PA)
    at_hz = float(np.abs(1 / box.mouth_admittance(np.array([1j * omega]))[0]))
    yield Series(MOUTH, resistance=at_hz / 60, inductance=at_hz / omega)


def _round_pipe(radius_m: float) -> Callable[[Complex], tuple[Complex, Complex]]:
    """Characteristic impedance and propagation constant of air in a round pipe with losses at its wall."""
    area = np.pi * radius_m**2

    def line(s: Complex) -> tuple[Complex, Complex]:
        omega = np.abs(s)
        wall = WITH_HEAT / radius_m * np.sqrt(VISCOSITY_PA_S * omega / (2 * DENSITY_KG_M3)) / SOUND_M_S
        constant = s / SOUND_M_S + (1 + 1j) * wall
        return DENSITY_KG_M3 * SOUND_M_S / area * constant / (s / SOUND_M_S), constant

    return line


def _passive(box: Enclosure) -> Iterator[Element]:
    """A cone without a motor, as heavy as the tuning asks for with the box's air and its own suspension."""
    omega = 2 * np.pi * box.tuning_hz
    kg = box.passive_m2**2 / (box.cavity * omega**2 * (1 - box.passive_fs_part**2))
    own = box.passive_fs_part * omega
    yield mass(PASSIVE, kg)
    yield spring(PASSIVE, GROUND, 1 / (own**2 * kg))
    yield damper(PASSIVE, GROUND, own * kg / box.passive_q)
    yield Piston(PASSIVE, BOX, box.passive_m2)
