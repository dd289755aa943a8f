"""The simulated room: early reflections by image sources, and ambient noise.

Room and jig belong to the bench, not to the unit: the same seed gives the same room for every unit.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from rig.circuit.radiation import Position
from rig.signals.arrays import Complex, Complex64, Floats
from rig.signals.levels import REFERENCE_PRESSURE_PA
from rig.simulated.chance import generator

#: Reflections off two walls at most: what comes later is weak and lies behind any gate; made up.
MOST_BOUNCES = 2
#: Above this the walls take more, and the boxes send less to the side; the phase is left alone; made up.
DULL_ABOVE_HZ = 2500.0
PINK_BAND_HZ = (20.0, 20000.0)


@dataclass(frozen=True)
class Room:
    """A rectangular room with the jig in it."""

    #: Width, height and depth.
    size_m: tuple[float, float, float]
    #: Where a box at place (0, 0) of the kit stands: from the left wall, the floor, the wall behind.
    jig_m: tuple[float, float, float]
    #: Pressure reflected over pressure arriving, at low frequencies, of the six surfaces alike.
    reflection: float
    #: Sound pressure level of the ambient noise from 20 Hz to 20 kHz, pink.
    ambient_db: float


def room_of(seed: int, ambient_db: float) -> Room:
    """The room of a bench: about 4.6 m by 2.5 m by 5.4 m, the jig 1.2 m above the floor."""
    random = generator("room", seed)
    size = tuple(float(x) for x in np.array([4.6, 2.5, 5.4]) * random.uniform(0.95, 1.05, 3))
    jig = tuple(float(x) for x in np.array([2.1, 1.2, 2.2]) + random.uniform(-0.05, 0.05, 3))
    return Room((size[0], size[1], size[2]), (jig[0], jig[1], jig[2]), float(random.uniform(0.55, 0.65)), ambient_db)


@lru_cache(maxsize=32)
def reflections(
    room: Room,
    place_m: tuple[float, float],
    microphone_m: Position,
    frames: int,
    sample_rate_hz: float,
    speed_of_sound: float,
) -> Complex64:
    """What the room adds to the direct sound: total pressure over direct pressure, shape (frames // 2 + 1,).

    Parameters
    ----------
    place_m : (right, front)
        The box's place in the kit.
    microphone_m : Position
        From the box.
    frames : int
        Length of the Fourier transform whose frequencies are wanted.

    References
    ----------
    J. B. Allen and D. A. Berkley, "Image method for efficiently simulating small-room acoustics", JASA 65 (1979).
    """
    frequency_hz = np.fft.rfftfreq(frames, 1 / sample_rate_hz)
    source = np.array(room.jig_m) + [place_m[0], 0.0, place_m[1]]
    microphone = source + np.array(microphone_m)
    size = np.array(room.size_m)
    direct_m = float(np.linalg.norm(microphone_m))
    total = np.ones(frequency_hz.size, dtype=np.complex128)
    step = -2j * np.pi * (frequency_hz[1] if frames > 1 else 0.0) / speed_of_sound
    for image, bounces in _images(source, size):
        far_m = float(np.linalg.norm(microphone - image))
        # A geometric series: one complex exponential instead of one at every frequency.
        phase = _powers(np.exp(step * (far_m - direct_m)), frequency_hz.size)
        total += room.reflection**bounces * direct_m / far_m * phase / (1 + (frequency_hz / DULL_ABOVE_HZ) ** 2)
    return total.astype(np.complex64)


def _powers(base: complex, count: int) -> Complex:
    """1, base, base**2, ... by doubling, shape (count,)."""
    powers = np.ones(count, dtype=np.complex128)
    filled = 1
    while filled < count:
        more = min(filled, count - filled)
        powers[filled : filled + more] = powers[:more] * base**filled
        filled += more
    return powers


def _images(source: Floats, size: Floats) -> list[tuple[Floats, int]]:
    """Places of the image sources with one or more bounces, and how many each has made."""
    images = []
    orders = range(-MOST_BOUNCES, MOST_BOUNCES + 1)
    for order in product(orders, repeat=3):
        bounces = sum(map(abs, order))
        if 1 <= bounces <= MOST_BOUNCES:
            n = np.array(order)
            images.append((n * size + np.where(n % 2 == 0, source, size - source), bounces))
    return images


def pink_spectrum(random: np.random.Generator, level_db: float, frames: int, sample_rate_hz: float) -> Complex:
    """Spectrum of pink noise from 20 Hz to 20 kHz, for `irfft` of length `frames`, in pascal.

    Parameters
    ----------
    level_db : float
        Its sound pressure level over that band, unweighted, re 20 uPa.
    """
    frequency_hz = np.fft.rfftfreq(frames, 1 / sample_rate_hz)
    low, high = PINK_BAND_HZ
    inside = (frequency_hz >= low) & (frequency_hz <= min(high, 0.49 * sample_rate_hz))
    density = np.zeros(frequency_hz.size)
    density[inside] = 1 / frequency_hz[inside]
    mean_square = (REFERENCE_PRESSURE_PA * 10 ** (level_db / 20)) ** 2
    # Parseval: the mean square of the noise is twice the sum of |X|^2 over frames squared.
    scale = np.sqrt(mean_square * frames**2 / (2 * density.sum()) / 2)
    shape = (2, frequency_hz.size)
    normal = random.standard_normal(shape, dtype=np.float32)
    return np.asarray(scale * np.sqrt(density) * (normal[0] + 1j * normal[1]))
