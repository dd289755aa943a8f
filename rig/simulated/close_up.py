"""The sound of a simulated box close to a cone or to its port, where no wall and no edge of the baffle matters.

Every surface is cut into rings and arcs, each of which sends out a half sphere's wave (Rayleigh's integral over a
piston in a large baffle: Kinsler et al., "Fundamentals of Acoustics", 4th ed. (2000), section 7.4). What a gap lets out
is not near anything.
"""

from collections.abc import Iterator

import numpy as np

from rig.circuit.radiation import Position
from rig.circuit.units import AIR_DENSITY_KG_M3, LOWEST_HZ
from rig.signals.arrays import Complex, Floats
from rig.simulated.elements import Speaker
from rig.simulated.physics import cone_gain, driven

#: Rings of a surface whose middle the microphone stands before; rings and arcs of one that lies aside; made up.
RINGS, RINGS_ASIDE, ARCS_ASIDE = 16, 3, 8


def close_up_pa(speaker: Speaker, microphone_m: Position, frequency_hz: Floats, speed_of_sound: float) -> Complex:
    """Pressure at a microphone close to the front of a box for one volt at the leads, shape (n,), in Pa/V.

    Raises
    ------
    ValueError
        If the microphone stands behind the front.
    """
    if not microphone_m[2] >= 0:
        raise ValueError(f"microphone: z is {microphone_m[2]} m; allowed is from 0: simulated ports are in the front")
    solved = driven(speaker, frequency_hz)
    s = 2j * np.pi * np.maximum(frequency_hz, LOWEST_HZ)
    total = np.zeros(s.size, np.complex128)
    for coil in speaker.coils:
        velocity = solved.velocity[coil.name] * cone_gain(coil, s)
        total += velocity * _disc(coil.area_m2, (*coil.place_m, 0.0), microphone_m, s / speed_of_sound)
    if speaker.mouth and speaker.air and speaker.air.port_mass:
        velocity = solved.air_pa / (s * speaker.air.port_mass * speaker.mouth.area_m2)
        total += velocity * _disc(speaker.mouth.area_m2, speaker.mouth.place_m, microphone_m, s / speed_of_sound)
    return np.asarray(AIR_DENSITY_KG_M3 / (2 * np.pi) * s * total)


def equivalent_m(speaker: Speaker, microphone_m: Position) -> float:
    """How far from a point that sends out as much the sound would be as loud, at low frequencies."""
    surfaces = [(coil.area_m2, coil.place_m) for coil in speaker.coils]
    surfaces += [(speaker.mouth.area_m2, speaker.mouth.place_m[:2])] if speaker.mouth else []
    area, place = min(surfaces, key=lambda one: np.hypot(microphone_m[0] - one[1][0], microphone_m[1] - one[1][1]))
    nothing: Complex = np.zeros(1, np.complex128)
    return float(area / abs(_disc(area, (*place, 0.0), microphone_m, nothing)[0]))


def _disc(area_m2: float, place_m: Position, microphone_m: Position, wave_number: Complex) -> Complex:
    """Sum over a disc of its pieces' areas times the wave that each sends to the microphone, over its way."""
    total = np.zeros(wave_number.size, np.complex128)
    for piece_m2, way_m in _pieces(area_m2, place_m, microphone_m):
        total += piece_m2 / way_m * np.exp(-wave_number * way_m)
    return total


def _pieces(area_m2: float, place_m: Position, microphone_m: Position) -> Iterator[tuple[float, float]]:
    """Area of each piece of a disc, and its way to the microphone."""
    aside = float(np.hypot(microphone_m[0] - place_m[0], microphone_m[1] - place_m[1]))
    ahead = microphone_m[2] - place_m[2]
    radius, is_before = float(np.sqrt(area_m2 / np.pi)), aside < 1e-6
    nodes, weights = np.polynomial.legendre.leggauss(RINGS if is_before else RINGS_ASIDE)
    arcs = 1 if is_before else ARCS_ASIDE
    for ring_m, weight in zip(radius * (nodes + 1) / 2, radius * weights / 2, strict=True):
        for angle in np.pi * (np.arange(arcs) + 0.5) / arcs:
            # The two halves of a disc are alike as seen from the microphone.
            across_squared = ring_m**2 + aside**2 - 2 * ring_m * aside * np.cos(angle)
            yield 2 * np.pi * ring_m * weight / arcs, float(np.sqrt(across_squared + ahead**2))
