"""From moving surfaces to a microphone: a piston in a finite baffle, in a room with a floor and walls.

Baffle: the piston's sound into half space, less what its edges send out in antiphase, one source for each direction
on the baffle (J. Vanderkooy, "A simple theory of cabinet edge diffraction", JAES 39 (1991); the sum over edge sources
as in J. R. Wright, "Fundamentals of diffraction", JAES 45 (1997)): half of the sound is lost there at low frequencies.
The back of an open baffle sends out the same around the same edges, once more in antiphase.
Directivity: P. M. Morse and K. U. Ingard, "Theoretical Acoustics" (1968), section 7.4. Room: image sources
(J. B. Allen and D. A. Berkley, JASA 65 (1979)), of floor, ceiling and walls once each.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import j1

from strangers.driver import DENSITY_KG_M3
from strangers.nodal import Complex, Floats

#: Directions on the baffle, each with one point of the edge.
EDGE_SOURCES = 48
#: Nearer before a piston than so many of its radii it is no small source; it is cut into so many rings and arcs.
CLOSE, RINGS, ARCS = 2.0, 20, 12
#: Ratio of baffle width times frequency to the speed of sound at which an image is half way from all round to in front.
STEP_PART = 1 / 3


@dataclass(frozen=True)
class Baffle:
    """The front of a box, seen from the microphone's axis."""

    #: To each side; above and below the axis.
    half_width_m: float
    above_m: float
    below_m: float
    #: The box is open at its back and so deep; None: it is closed.
    open_depth_m: float | None = None


@dataclass(frozen=True)
class Place:
    """Where a surface is on the baffle, and how large."""

    right_m: float
    up_m: float
    area_m2: float
    behind_m: float = 0.0

    @property
    def radius_m(self) -> float:
        """Of a round one."""
        return float(np.sqrt(self.area_m2 / np.pi))


@dataclass(frozen=True)
class Surroundings:
    """The room: distances from the place of the baffle to its surfaces, and what they reflect at low frequencies."""

    below_m: float
    above_m: float
    left_m: float
    right_m: float
    behind_m: float
    facing_m: float
    reflects: float
    #: Above this it reflects less.
    dull_above_hz: float


def piston_directivity(ka_sine: Floats) -> Floats:
    """2 J1(x) / x."""
    x = np.where(np.abs(ka_sine) < 1e-6, 1.0, ka_sine)
    return np.asarray(np.where(np.abs(ka_sine) < 1e-6, 1.0, 2 * j1(x) / x))


def transfer(
    place: Place,
    baffle: Baffle,
    microphone_m: Sequence[float],
    room: Surroundings | None,
    speed_m_s: float,
    frequency_hz: Floats,
) -> Complex:
    """Pressure at the microphone over volume acceleration of a surface, shape of `frequency_hz`.

    Parameters
    ----------
    microphone_m : (right, up, front) of the baffle's reference point, front above 0

    Raises
    ------
    ValueError
        If the microphone stands behind the baffle.
    """
    if not microphone_m[2] > 0:
        raise ValueError(f"microphone: {microphone_m[2]} m in front; allowed is above 0")
    right, up, front = (float(x) for x in microphone_m)
    return _transfer(place, baffle, (right, up, front), room, speed_m_s, frequency_hz.tobytes())


@lru_cache(maxsize=48)
def _transfer(
    place: Place,
    baffle: Baffle,
    microphone_m: tuple[float, float, float],
    room: Surroundings | None,
    speed_m_s: float,
    frequencies: bytes,
) -> Complex:
    """The geometry is the same for all units of a design: it is worked out once."""
    frequency_hz = np.frombuffer(frequencies)
    total = _direct(place, baffle, microphone_m, speed_m_s, frequency_hz)
    if room is not None:
        total = total + _images(place, baffle, microphone_m, room, speed_m_s, frequency_hz)
    return np.asarray(DENSITY_KG_M3 / (2 * np.pi) * total)


def _direct(
    place: Place, baffle: Baffle, microphone_m: tuple[float, float, float], speed_m_s: float, frequency_hz: Floats
) -> Complex:
    wave_number = 2 * np.pi * frequency_hz / speed_m_s
    aside = float(np.hypot(microphone_m[0] - place.right_m, microphone_m[1] - place.up_m))
    path = float(np.hypot(aside, microphone_m[2] + place.behind_m))
    heard = piston_directivity(wave_number * place.radius_m * aside / path) * np.exp(-1j * wave_number * path) / path
    if aside < CLOSE * place.radius_m and microphone_m[2] < CLOSE * place.radius_m:
        heard = _before_a_piston(place, aside, microphone_m[2], wave_number)
    edges = np.zeros(frequency_hz.size, dtype=np.complex128)
    for right, up in edge_points(place, baffle):
        out = float(np.hypot(right - place.right_m, up - place.up_m)) + place.behind_m
        on = float(np.linalg.norm(np.subtract(microphone_m, (right, up, 0.0))))
        edges += np.exp(-1j * wave_number * (out + on)) / on
    # Along the baffle a piston sends out little where it is not small against the wavelength.
    edges *= piston_directivity(wave_number * place.radius_m) / EDGE_SOURCES / 2
    if baffle.open_depth_m is None:
        return np.asarray(heard - edges)
    return np.asarray(heard - edges * (1 + np.exp(-1j * wave_number * baffle.open_depth_m)))


def _before_a_piston(place: Place, aside_m: float, ahead_m: float, wave_number: Floats) -> Complex:
    """Mean over a piston of the waves that its pieces send to a place close before it (Rayleigh's integral)."""
    nodes, weights = np.polynomial.legendre.leggauss(RINGS)
    angles = np.pi * (np.arange(ARCS) + 0.5) / ARCS if aside_m else np.zeros(1)
    total = np.zeros(wave_number.size, dtype=np.complex128)
    for ring, weight in zip((nodes + 1) / 2, weights / 2, strict=True):
        for angle in angles:
            across = np.hypot(ring * place.radius_m * np.sin(angle), ring * place.radius_m * np.cos(angle) - aside_m)
            way = float(np.hypot(across, ahead_m))
            total += 2 * ring * weight / angles.size * np.exp(-1j * wave_number * way) / way
    return total


def edge_points(place: Place, baffle: Baffle) -> Floats:
    """Where rays from a surface along the baffle meet its edge, shape (EDGE_SOURCES, 2)."""
    angles = 2 * np.pi * (np.arange(EDGE_SOURCES) + 0.5) / EDGE_SOURCES
    x, y = np.cos(angles), np.sin(angles)
    to_side = np.where(x > 0, baffle.half_width_m - place.right_m, baffle.half_width_m + place.right_m) / np.abs(x)
    to_end = np.where(y > 0, baffle.above_m - place.up_m, baffle.below_m + place.up_m) / np.abs(y)
    far = np.minimum(to_side, to_end)
    return np.column_stack([place.right_m + far * x, place.up_m + far * y])


def _images(
    place: Place,
    baffle: Baffle,
    microphone_m: tuple[float, float, float],
    room: Surroundings,
    speed_m_s: float,
    frequency_hz: Floats,
) -> Complex:
    """One image behind each surface; what it radiates towards the microphone is all round at low frequencies."""
    wave_number = 2 * np.pi * frequency_hz / speed_m_s
    reflected = room.reflects / (1 + (frequency_hz / room.dull_above_hz) ** 2)
    x = 1j * frequency_hz * 2 * baffle.half_width_m / (STEP_PART * speed_m_s)
    total = np.zeros(frequency_hz.size, dtype=np.complex128)
    for moved, is_turned in _mirrored(room):
        away = np.array(microphone_m) - (place.right_m + moved[0], place.up_m + moved[1], moved[2])
        far = float(np.linalg.norm(away))
        # A wall behind or in front mirrors the box with its face to the other side.
        ahead = -away[2] if is_turned else away[2]
        sine = float(np.hypot(away[0], away[1])) / far
        beam = piston_directivity(wave_number * place.radius_m * sine) if ahead > 0 else np.zeros(frequency_hz.size)
        around = 0.5 if baffle.open_depth_m is None else 0.0
        total += reflected * (around + x * beam) / (1 + x) * np.exp(-1j * wave_number * far) / far
    return total


def _mirrored(room: Surroundings) -> list[tuple[tuple[float, float, float], bool]]:
    return [
        ((0.0, -2 * room.below_m, 0.0), False),
        ((0.0, 2 * room.above_m, 0.0), False),
        ((-2 * room.left_m, 0.0, 0.0), False),
        ((2 * room.right_m, 0.0, 0.0), False),
        ((0.0, 0.0, -2 * room.behind_m), True),
        ((0.0, 0.0, 2 * room.facing_m), True),
    ]
