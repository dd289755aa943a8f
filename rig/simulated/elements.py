"""What a simulated box is made of: parts between nodes, moving coils, the air behind them.

Data sheets state a driver by resonances and qualities; here it is a mass, a spring, a resistance and a coil in a
magnet, and a box is an elasticity of air, a leak and the air in its port. A fault changes one of these.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver
from rig.circuit.factor import Factor as OwnCurve
from rig.circuit.parts import Group, Part, State
from rig.circuit.tolerance import CUT_OFF_SIGMA, DriverTolerance
from rig.circuit.units import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S
from rig.signals.arrays import Complex, Floats
from rig.simulated.nodal import GROUND

#: The node of the leads.
LEAD = "lead"
#: Pressure over relative compression of air; by definition.
STIFFNESS_PA = AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2
#: Gives the factor by which one value is off, for the half width of its spread.
Factor = Callable[[float], float]


@dataclass(frozen=True)
class Chain:
    """Parts in series between two nodes."""

    a: str
    b: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Bend:
    """A factor over frequency: its natural logarithm, complex, straight between points over that of frequency."""

    log_hz: tuple[float, ...]
    log: tuple[complex, ...]

    def at(self, frequency_hz: Floats) -> Complex:
        """The factor; beyond the ends it stays as it is there."""
        known = np.array(self.log)
        at = np.log(np.maximum(frequency_hz, np.exp(self.log_hz[0])))
        parts = (np.interp(at, self.log_hz, part) for part in (known.real, known.imag))
        return np.asarray(np.exp(next(parts) + 1j * next(parts)))


@dataclass(frozen=True)
class MovingCoil:
    """A driver, in SI units."""

    name: str
    #: Where its plus lead hangs.
    node: str
    re_ohm: float
    #: Inductance at 1 kHz, and the exponent of its reactance over frequency.
    le_h: float
    le_exponent: float
    #: Newton per ampere; negative where plus moves the cone inwards.
    force_factor: float
    mass_kg: float
    compliance_m_n: float
    resistance_n_s_m: float
    area_m2: float
    in_box: bool
    #: Of its centre, right of and above the middle of the baffle; and how far behind the baffle.
    place_m: tuple[float, float]
    behind_m: float
    #: The cone is a piston up to here.
    piston_hz: float
    #: What the driver's own curves have beyond all this: of its impedance, and of its sound; None: nothing.
    own_ohm: Bend | None = None
    own_sound: Bend | None = None
    #: It beams as a piston so many times as wide.
    beams_as: float = 1.0
    #: A coil that is open or short moves no more.
    state: State = "ok"


@dataclass(frozen=True)
class Air:
    """The air in a box."""

    #: In cubic metres per pascal.
    compliance: float
    #: What flows out of the gaps, in cubic metres per second and pascal.
    leak: float
    #: Of the air in the port, pascal per cubic metre and second squared; None: there is no port, or it is blocked.
    port_mass: float | None = None


@dataclass(frozen=True)
class Mouth:
    """Where a port opens to the outside: its area, and its middle right of, above and behind that of the baffle."""

    area_m2: float
    place_m: tuple[float, float, float]


@dataclass(frozen=True)
class Speaker:
    """One box: everything between its leads and the air."""

    name: str
    chains: tuple[Chain, ...]
    coils: tuple[MovingCoil, ...]
    #: None: the drivers are open at their back.
    air: Air | None
    baffle_width_m: float | None
    #: Of its port, where the kit says where that is; only close by does it matter.
    mouth: Mouth | None = None

    @property
    def parts(self) -> dict[str, Part]:
        """Parts of the network by name."""
        return {part.name: part for chain in self.chains for part in chain.parts}

    def coil(self, name: str) -> MovingCoil:
        """The driver of this name (KeyError if there is none)."""
        return {coil.name: coil for coil in self.coils}[name]

    def with_coil(self, name: str, **changes: Any) -> "Speaker":
        """The box with one driver changed."""
        changed = replace(self.coil(name), **changes)
        return replace(self, coils=tuple(changed if coil.name == name else coil for coil in self.coils))

    def with_part(self, name: str, **changes: Any) -> "Speaker":
        """The box with one part changed."""
        changed = replace(self.parts[name], **changes)
        chains = (
            replace(chain, parts=tuple(changed if part.name == name else part for part in chain.parts))
            for chain in self.chains
        )
        return replace(self, chains=tuple(chains))

    def with_air(self, **changes: Any) -> "Speaker":
        """The box with its air changed; one without air stays as it is."""
        return replace(self, air=self.air and replace(self.air, **changes))

    def area_in_box_m2(self) -> float:
        """Area of all cones that work on the air of the box."""
        return sum(coil.area_m2 for coil in self.coils if coil.in_box)


def designed(_: float) -> float:
    """The factor of a part that has its nominal value."""
    return 1.0


def drawn(random: np.random.Generator) -> Factor:
    """Factors of parts as they are sold: normal, half the tolerance wide, sorted to within the tolerance."""

    def factor(tolerance: float) -> float:
        deviation = random.standard_normal()
        while abs(deviation) > CUT_OFF_SIGMA:
            deviation = random.standard_normal()
        return 1 + tolerance / CUT_OFF_SIGMA * deviation

    return factor


def speaker_of(design: Channel, factor: Factor) -> Speaker:
    """A box as a kit describes it, its values off by the factors drawn for each."""
    spread = DriverTolerance()
    chains = tuple(chain for branch in design.branches for chain in _chains(branch, factor))
    coils = tuple(_coil(branch, spread, factor) for branch in design.branches)
    width_m = design.baffle_width_m
    return Speaker(
        name=design.name,
        chains=chains,
        coils=coils,
        air=_air(design.box, factor(spread.tuning)) if design.box.kind != "none" else None,
        baffle_width_m=None if width_m is None else float(width_m),
    )


def _nodes(branch: Branch) -> list[str]:
    """The node behind each element of a branch: a new one behind each that is in series."""
    here, nodes = LEAD, []
    for n, element in enumerate(branch.elements):
        here = f"{branch.driver.name} {n}" if element.place == "series" else here
        nodes.append(here)
    return nodes


def _chains(branch: Branch, factor: Factor) -> Iterator[Chain]:
    before = LEAD
    for n, (element, behind) in enumerate(zip(branch.elements, _nodes(branch), strict=True)):
        ends = (before, behind) if element.place == "series" else (behind, GROUND)

        def made(part: Part) -> Part:
            value, series_ohm = float(part.value), float(part.series_ohm)
            return replace(part, value=value * factor(part.tolerance), series_ohm=series_ohm * factor(part.tolerance))

        yield from _laid(element.group, *ends, f"{branch.driver.name} in {n}", made)
        before = behind


def _laid(group: Group, a: str, b: str, name: str, made: Callable[[Part], Part]) -> Iterator[Chain]:
    """The chains of a group between two nodes, its parts as made; `name` begins the names of nodes within it."""
    for n, chain in enumerate(group):
        if plain := tuple(item for item in chain if isinstance(item, Part)):
            end = b if len(plain) == len(chain) else f"{name}.{n}"
            yield Chain(a, end, tuple(map(made, plain)))
        nested = [item for item in chain if not isinstance(item, Part)]
        # What is in series may stand in any order: all single parts first.
        here = f"{name}.{n}" if plain else a
        for m, inner in enumerate(nested, 1):
            there = b if m == len(nested) else f"{name}.{n}.{m}"
            yield from _laid(inner, here, there, f"{name}.{n}.{m}", made)
            here = there


def _coil(branch: Branch, spread: DriverTolerance, factor: Factor) -> MovingCoil:
    """Mass, spring, resistance and motor from resonance, qualities and equivalent volume (Small, JAES 20, 1972)."""
    sheet: Driver = branch.driver
    area = float(sheet.sd_m2)
    designed_m_n = float(sheet.vas_m3) / (STIFFNESS_PA * area**2)
    mass_kg = 1 / ((2 * np.pi * float(sheet.fs_hz)) ** 2 * designed_m_n)
    # It is the suspensions that differ, hardly the masses.
    compliance_m_n = designed_m_n / factor(spread.fs) ** 2
    re_ohm = float(sheet.re_ohm) * factor(spread.re)
    of_resonance = np.sqrt(mass_kg / compliance_m_n)
    qms, qes = float(sheet.qms) * factor(spread.qms), float(sheet.qes) * factor(spread.qes)
    return MovingCoil(
        name=sheet.name,
        node=[LEAD, *_nodes(branch)][-1],
        re_ohm=re_ohm,
        le_h=float(sheet.le_h) * factor(spread.le),
        le_exponent=float(sheet.le_exponent),
        force_factor=sheet.polarity * float(np.sqrt(re_ohm * of_resonance / qes)),
        mass_kg=mass_kg,
        compliance_m_n=compliance_m_n,
        resistance_n_s_m=float(of_resonance / qms),
        area_m2=area,
        in_box=sheet.in_box,
        place_m=sheet.position_m,
        behind_m=float(sheet.offset_m),
        piston_hz=float(sheet.rolloff_hz),
        own_ohm=_bend(sheet.impedance_factor),
        own_sound=_bend(sheet.pressure_factor),
        state=sheet.state,
    )


def _bend(known: OwnCurve | None) -> Bend | None:
    """What a kit's file of a driver's curve holds."""
    return None if known is None else Bend(tuple(np.log(known.frequency_hz)), tuple(known.log))


def _air(box: Box, factor: float) -> Air:
    compliance = float(box.volume_m3) / STIFFNESS_PA
    omega = 2 * np.pi * float(box.tuning_hz) * factor
    port_mass = 1 / (omega**2 * compliance) if box.kind == "vented" else None
    return Air(compliance, omega * compliance / float(box.leakage_q), port_mass)
