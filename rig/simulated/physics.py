"""What a simulated box does when its leads are driven: currents, motion, and sound in front of it.

The same laws as the lumped model of a design (`rig.circuit`), worked out another way and sharing no formula with it,
only constants, so that each is a test of the other: here a net with the electrical, mechanical and acoustical side at
once, there closed formulas along a chain of stages.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from rig.circuit.channel import ElectronicFilter, Tone
from rig.circuit.parts import Part
from rig.circuit.radiation import BAFFLE_STEP_M_HZ, Position
from rig.circuit.units import AIR_DENSITY_KG_M3, LOWEST_HZ
from rig.signals.arrays import Complex, Floats
from rig.simulated.elements import LEAD, Air, MovingCoil, Speaker
from rig.simulated.nodal import GROUND, Net

#: What is left where something is open: dirt on a board; and where it is bridged: a blob of solder; made up.
OPEN_OHM, BRIDGE_OHM = 1e9, 1e-3
#: A driver's inductance is stated here; common practice, no source.
INDUCTANCE_RAD_S = 2 * np.pi * 1000.0
AIR = "air"


@dataclass(frozen=True, eq=False)
class Driven:
    """A box with one volt at its leads; arrays over frequency, of drivers by name."""

    lead_ohm: Complex
    coil_a: dict[str, Complex]
    #: Velocity of each cone, outwards, in metres per second.
    velocity: dict[str, Complex]
    #: Pressure in the box, and the volume velocity that leaves it by port and gaps.
    air_pa: Complex
    vented: Complex


def driven(speaker: Speaker, frequency_hz: Floats) -> Driven:
    """Solve the net of a box for one volt at its leads; 0 Hz is taken as 1 mHz."""
    omega = 2 * np.pi * np.maximum(frequency_hz, LOWEST_HZ)
    s: Complex = np.asarray(1j * omega, np.complex128)
    net = Net()
    # So that there is something at the leads when all else is open.
    net.join(LEAD, GROUND, np.full(s.size, 1 / OPEN_OHM, dtype=np.complex128))
    for chain in speaker.chains:
        net.join(chain.a, chain.b, 1 / sum((_part_ohm(part, s) for part in chain.parts), 0 * s))
    wires = {coil.name: _coil_admittance(coil, omega) for coil in speaker.coils}
    for coil in speaker.coils:
        _add_coil(net, coil, wires[coil.name], omega)
        if speaker.air and coil.in_box:
            area = np.full(s.size, coil.area_m2, dtype=np.complex128)
            # Moving outwards it draws air out of the box, whose pressure pushes it outwards.
            net.add(AIR, _cone(coil), area)
            net.add(_cone(coil), AIR, -area)
    if speaker.air:
        net.join(AIR, GROUND, s * speaker.air.compliance + _openings(speaker.air, s))
    current, found = net.solve(LEAD)
    velocity = {coil.name: found[_cone(coil)] for coil in speaker.coils}
    coil_a = {
        coil.name: wires[coil.name] * (found[coil.node] - _force_factor(coil) * velocity[coil.name])
        for coil in speaker.coils
    }
    air_pa = found.get(AIR, 0 * s)
    vented = _openings(speaker.air, s) * air_pa if speaker.air else air_pa
    return Driven(1 / current, coil_a, velocity, air_pa, vented)


def pressure_pa(speaker: Speaker, microphone_m: Position, frequency_hz: Floats, speed_of_sound: float) -> Complex:
    """Direct sound at a microphone in front of the baffle for one volt at the leads, shape (n,), in Pa/V.

    Raises
    ------
    ValueError
        If the microphone stands behind the baffle.
    """
    if not microphone_m[2] >= 0:
        raise ValueError(f"microphone: z is {microphone_m[2]} m; allowed is from 0, in front of the baffle")
    solved, sound = driven(speaker, frequency_hz), np.zeros(frequency_hz.size, dtype=np.complex128)
    s = 2j * np.pi * np.maximum(frequency_hz, LOWEST_HZ)
    for coil in speaker.coils:
        velocity = solved.velocity[coil.name]
        if coil.in_box:
            # Port and gaps are taken to be at the cones, as if these moved by so much less.
            velocity = velocity + solved.vented / speaker.area_in_box_m2()
        sound += velocity * _piston_pa(coil, microphone_m, s, speed_of_sound)
    if speaker.baffle_width_m is None:
        return sound
    # Half of the sound goes straight on; the other half goes round the baffle, but for what is short beside it.
    corner = 2 * np.pi * np.sqrt(2) * BAFFLE_STEP_M_HZ / speaker.baffle_width_m
    return np.asarray(sound * (0.5 + 0.5 * s / (s + corner)))


def filter_gain(electronic: ElectronicFilter | None, frequency_hz: Floats) -> Complex:
    """Gain of an electronic filter, 1 for None, shape (n,); Linkwitz-Riley is Butterworth of half the order twice."""
    omega = 2 * np.pi * np.maximum(frequency_hz, LOWEST_HZ)
    if electronic is None:
        return np.ones(omega.size, dtype=np.complex128)
    times = 2 if electronic.alignment == "linkwitz-riley" else 1
    over, under = scipy.signal.butter(electronic.order // times, 1.0, electronic.kind, analog=True)
    x = 1j * omega / (2 * np.pi * float(electronic.hz))
    return np.asarray((np.polyval(over, x) / np.polyval(under, x)) ** times)


def tone_gain(tone: Tone, frequency_hz: Floats) -> Complex:
    """Gain of a stage of a tone control, shape (n,): the signal itself, and what the stage adds to it."""
    s = 2j * np.pi * np.maximum(frequency_hz, LOWEST_HZ)
    centre, gain = 2 * np.pi * tone.hz, 10 ** (tone.gain_db / 20)
    if tone.kind == "peak":
        width = centre / (np.sqrt(gain) * tone.q)
        return np.asarray(1 + (gain - 1) * s * width / (s**2 + s * width + centre**2))
    if tone.kind == "low-shelf":
        return np.asarray(1 + (gain - 1) / (1 + s * np.sqrt(gain) / centre))
    return np.asarray(1 + (gain - 1) * s / (s + np.sqrt(gain) * centre))


def _part_ohm(part: Part, s: Complex) -> Complex:
    if part.state != "ok":
        return np.full(s.size, OPEN_OHM if part.state == "open" else BRIDGE_OHM, dtype=np.complex128)
    if part.kind == "R":
        return np.full(s.size, part.value + part.series_ohm, dtype=np.complex128)
    return s * part.value + part.series_ohm if part.kind == "L" else 1 / (s * part.value) + part.series_ohm


def _cone(coil: MovingCoil) -> str:
    return f"{coil.name} cone"


def _force_factor(coil: MovingCoil) -> float:
    return coil.force_factor if coil.state == "ok" else 0.0


def _coil_admittance(coil: MovingCoil, omega: Floats) -> Complex:
    """Of the wire with the cone held still (W. M. Leach, JAES 50, 2002, for the reactance of a coil over iron)."""
    if coil.state != "ok":
        return np.full(omega.size, 1 / (OPEN_OHM if coil.state == "open" else BRIDGE_OHM), dtype=np.complex128)
    turn = np.exp(0.5j * np.pi * coil.le_exponent)
    reactance = INDUCTANCE_RAD_S * coil.le_h * (omega / INDUCTANCE_RAD_S) ** coil.le_exponent
    return np.asarray(1 / (coil.re_ohm + reactance * turn))


def _own_ohm(coil: MovingCoil, omega: Floats) -> Complex | float:
    return coil.own_ohm.at(omega / (2 * np.pi)) if coil.own_ohm and coil.state == "ok" else 1.0


def _add_coil(net: Net, coil: MovingCoil, wire: Complex, omega: Floats) -> None:
    force_factor = _force_factor(coil)
    # What its own curve has beyond coil and cone draws its current at the terminals and moves nothing.
    drawn = wire / _own_ohm(coil, omega)
    net.add(coil.node, coil.node, drawn)
    net.add(coil.node, _cone(coil), -force_factor * drawn)
    net.add(_cone(coil), coil.node, -force_factor * wire)
    resistance = coil.resistance_n_s_m + force_factor**2 * wire
    net.add(_cone(coil), _cone(coil), resistance + 1j * (omega * coil.mass_kg - 1 / (omega * coil.compliance_m_n)))


def _openings(air: Air, s: Complex) -> Complex:
    """Volume velocity out of a box for its pressure, by gaps and port."""
    return np.asarray(air.leak + 0 * s if air.port_mass is None else air.leak + 1 / (s * air.port_mass))


def _piston_pa(coil: MovingCoil, microphone_m: Position, s: Complex, speed_of_sound: float) -> Complex:
    """Pressure at the microphone for a velocity of the cone: a piston in a large baffle, with the cone's own roll-off.

    In front of its middle, at low frequencies, it is that of the way from its edge less that from its middle
    (Kinsler et al., "Fundamentals of Acoustics", 4th ed. (2000), section 7.4); aside, and high up, it is less by what
    the strips that it can be cut into take from each other.
    """
    aside = np.hypot(microphone_m[0] - coil.place_m[0], microphone_m[1] - coil.place_m[1])
    way = np.hypot(aside, microphone_m[2] + coil.behind_m)
    radius = np.sqrt(coil.area_m2 / np.pi)
    edge_way = np.hypot(way, radius)
    # As a difference of squares, which nothing is lost of where both ways are long.
    sooner = radius**2 / (edge_way + way)
    strips = _strips(s.imag / speed_of_sound * radius * coil.beams_as * aside / way) if aside > 0 else 1.0
    whole = sooner * cone_gain(coil, s) * strips
    return np.asarray(AIR_DENSITY_KG_M3 * s * whole * np.exp(-s * way / speed_of_sound))


def cone_gain(coil: MovingCoil, s: Complex) -> Complex | float:
    """Sound over that of a piston: above its own limit a cone gives less, and what its own curve has beyond that."""
    own = coil.own_sound.at(s.imag / (2 * np.pi)) if coil.own_sound else 1.0
    piston = 2 * np.pi * coil.piston_hz
    if not np.isfinite(piston):
        return own
    return np.asarray(own * piston**2 / (s**2 + np.sqrt(2) * piston * s + piston**2))


def _strips(lag: Floats) -> Floats:
    """Mean of a disc's strips, the outermost of which lags by `lag` in radians, over the middle one.

    A strip at the cosine of an angle is as long as its sine: Gauss-Chebyshev quadrature of the second kind (M.
    Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions" (1964), 25.4.40), with enough points for the
    shortest wave. Both halves are alike.
    """
    points = 2 * (int(np.max(lag, initial=0.0) / 2) + 8)
    angles = np.pi * np.arange(1, points // 2 + 1) / (points + 1)
    total = np.zeros_like(lag)
    for angle in angles:
        total += np.sin(angle) ** 2 * np.cos(lag * np.cos(angle))
    return np.asarray(total * 4 / (points + 1))
