"""A moving-coil driver as elements of a net: what its sheet says, and what no sheet says.

Inductance of two slopes: K. Thorborg, A. D. Unruh and C. J. Struck, "An improved electrical equivalent circuit model
for dynamic moving coil transducers", AES 122nd Convention (2007). Creep of the suspension: M. H. Knudsen and
J. G. Jensen, "Low-frequency loudspeaker models that include suspension creep", JAES 41 (1993), the log model. The rest
of it (surround, break-up, rear chamber, fluid in the gap) are masses, springs and dampers hung to the cone.

A driver that is stepped through time has constants only: the inductance is a ladder of coils over resistances, the
creep is two Kelvin-Voigt elements behind the spring.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from strangers.nodal import GROUND, Complex, Element, Motor, OnePort, Piston, Series, damper, mass, spring

#: Of air at 20 degrees Celsius.
DENSITY_KG_M3 = 1.204
SOUND_M_S = 343.2


@dataclass(frozen=True)
class Sheet:
    """What the maker's sheet says of a driver."""

    nominal_ohm: float
    re_ohm: float
    le_mh: float
    fs_hz: float
    qms: float
    qes: float
    vas_l: float
    sd_cm2: float
    le_exponent: float = 0.7
    #: Where its cone or dome begins to break up; the sheet's curve shows it.
    breakup_hz: float = 5000.0


@dataclass(frozen=True)
class Hidden:
    """What a driver does besides; shares are parts of one."""

    #: Fall of the compliance per decade of frequency, towards lower ones its rise.
    creep: float = 0.08
    #: Mass and area that the surround has of all, its resonance and Q.
    surround: tuple[float, float, float, float] = (0.05, 0.08, 900.0, 4.0)
    #: Mass and area of the cone's outer part, which breaks away at the sheet's `breakup_hz`, and its Q.
    rim: tuple[float, float, float] = (0.25, 0.45, 5.0)
    #: Part of the stiffness that the air behind a closed driver makes, and of the losses that the fluid makes.
    chamber: float = 0.0
    fluid: float = 0.0


@dataclass(frozen=True)
class MovingCoil:
    """One driver of one unit, in what it is made of (SI units)."""

    name: str
    re_ohm: float
    force_factor: float
    mass_kg: float
    compliance_m_n: float
    losses_n_s_m: float
    area_m2: float
    #: At 1 kHz.
    inductance_h: float
    breakup_hz: float
    hidden: Hidden
    #: +1, or -1 on the wrong leads.
    sign: int = 1
    is_dead: bool = False

    @property
    def resonance_rad_s(self) -> float:
        """In free air."""
        return float(1 / np.sqrt(self.mass_kg * self.compliance_m_n))


def moving_coil(name: str, sheet: Sheet, hidden: Hidden) -> MovingCoil:
    """The driver that obeys a sheet, as far as a sheet goes (R. H. Small, JAES 20 (1972), for the formulas)."""
    area = sheet.sd_cm2 * 1e-4
    omega = 2 * np.pi * sheet.fs_hz
    compliance = sheet.vas_l * 1e-3 / (DENSITY_KG_M3 * SOUND_M_S**2 * area**2)
    moving = 1 / (omega**2 * compliance)
    return MovingCoil(
        name=name,
        re_ohm=sheet.re_ohm,
        force_factor=float(np.sqrt(omega * moving * sheet.re_ohm / sheet.qes)),
        mass_kg=float(moving),
        compliance_m_n=float(compliance),
        losses_n_s_m=float(omega * moving / sheet.qms),
        area_m2=area,
        inductance_h=sheet.le_mh * 1e-3,
        breakup_hz=sheet.breakup_hz,
        hidden=hidden,
    )


def surfaces(coil: MovingCoil) -> dict[str, float]:
    """Moving nodes of a driver and the area that each of them has."""
    _, surround_area, _, _ = coil.hidden.surround
    _, rim_area, _ = coil.hidden.rim
    shares = {"cone": 1 - surround_area - rim_area, "rim": rim_area, "surround": surround_area}
    return {f"{coil.name} {name}": share * coil.area_m2 for name, share in shares.items() if share > 0}


def driver_elements(coil: MovingCoil, plus: str, back: str, stepped: bool) -> Iterator[Element]:
    """All of a driver between a lead and the air behind it; `back` may be ground (open air)."""
    cone = f"{coil.name} cone"
    yield from _coil(coil, plus, cone, stepped)
    yield from _cone(coil, cone)
    yield from _suspension(coil, cone, stepped)
    if coil.hidden.chamber:
        back = f"{coil.name} chamber"
        yield from _chamber(coil, back)
    if back != GROUND:
        for node, area in surfaces(coil).items():
            yield Piston(node, back, area)


def _coil(coil: MovingCoil, plus: str, cone: str, stepped: bool) -> Iterator[Element]:
    """Wire, inductance and motor. Below its bend the inductance is one of a coil, above it rises with the root."""
    bent, inner = f"{coil.name} bent", f"{coil.name} inner"
    henry = coil.inductance_h
    if not coil.is_dead:
        yield Series(plus, bent, resistance=coil.re_ohm, inductance=0.25 * henry)
    if stepped:
        middle = f"{coil.name} middle"
        for a, b, share, bend_hz in ((bent, middle, 0.75, 1800.0), (middle, inner, 0.2, 9000.0)):
            yield Series(a, b, inductance=share * henry)
            yield Series(a, b, resistance=2 * np.pi * bend_hz * share * henry)
    else:
        yield OnePort(bent, inner, _eddying(1.0 * henry, 1500.0))
    yield Motor(inner, GROUND, cone, coil.sign * coil.force_factor)


def _eddying(henry: float, bend_hz: float) -> Callable[[Complex], Complex]:
    """Admittance of a coil across a semi-inductance and a resistance (iron, and rings in the gap)."""
    root = henry * np.sqrt(2 * np.pi * bend_hz)
    ring_ohm = 2 * np.pi * 40e3 * henry

    def admittance(s: Complex) -> Complex:
        return np.asarray(1 / (s * henry) + 1 / (root * np.sqrt(s)) + 1 / ring_ohm)

    return admittance


def _cone(coil: MovingCoil, cone: str) -> Iterator[Element]:
    """Its middle, and rim and surround hung to it: below their resonances all move as one mass."""
    surround_mass, surround_area, surround_hz, surround_q = coil.hidden.surround
    rim_mass, rim_area, rim_q = coil.hidden.rim
    hung = [
        ("rim", rim_mass if rim_area else 0.0, coil.breakup_hz, rim_q),
        ("surround", surround_mass if surround_area else 0.0, surround_hz, surround_q),
    ]
    yield mass(cone, coil.mass_kg * (1 - sum(share for _, share, _, _ in hung)))
    for name, share, hz, q in hung:
        if share:
            kg, omega = share * coil.mass_kg, 2 * np.pi * hz
            yield mass(f"{coil.name} {name}", kg)
            yield spring(cone, f"{coil.name} {name}", 1 / (omega**2 * kg))
            yield damper(cone, f"{coil.name} {name}", omega * kg / q)


def _suspension(coil: MovingCoil, cone: str, stepped: bool) -> Iterator[Element]:
    compliance = coil.compliance_m_n / (1 - coil.hidden.chamber)
    losses, fluid, slow_rad_s = coil.losses_n_s_m, coil.hidden.fluid, coil.resonance_rad_s
    if fluid < 1:
        yield damper(cone, GROUND, losses * (1 - fluid))
    if fluid:
        # Sheared in the gap: above its corner only a layer moves, thinner by the root of frequency.
        yield OnePort(cone, GROUND, lambda s: losses * fluid * np.sqrt(1 + s / (3 * slow_rad_s)))
    creep = coil.hidden.creep
    if not stepped:
        yield OnePort(cone, GROUND, lambda s: 1 / (s * compliance * (1 - creep * np.log10(s / slow_rad_s))))
        return
    held = [f"{coil.name} held {n}" for n in (1, 2)]
    yield spring(cone, held[0], compliance)
    for a, b, below in ((held[0], held[1], 0.5), (held[1], GROUND, 0.12)):
        yield spring(a, b, creep * compliance)
        yield damper(a, b, 1 / (creep * compliance * below * slow_rad_s))


def _chamber(coil: MovingCoil, behind: str) -> Iterator[Element]:
    """A small cavity, and a larger one behind a hole stuffed with felt (dome tweeters, closed midranges)."""
    whole = coil.area_m2**2 * coil.compliance_m_n / coil.hidden.chamber
    rear = f"{coil.name} rear"
    near, far = 0.4 * whole, 0.6 * whole
    omega = 1.7 * coil.resonance_rad_s
    inertance = (1 / near + 1 / far) / omega**2
    yield Series(behind, capacitance=near)
    yield Series(behind, rear, resistance=omega * inertance / 1.5, inductance=inertance)
    yield Series(rear, capacitance=far)
