"""Where two drivers of a channel take over from each other, how they add up there, and which of them is too loud."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rig.circuit.driver import Driver
from rig.circuit.units import Complex, Floats

#: Of each band so much, beside the crossover, is compared in loudness; our choice.
BESIDE_OCTAVES = 1.5


@dataclass(frozen=True)
class Crossing:
    """Where a lower and an upper driver are equally loud."""

    lower: str
    upper: str
    #: NaN: nowhere between their bands.
    frequency_hz: float
    #: The upper's phase less the lower's, -180 to 180.
    degrees: float
    #: Level of the two together over that of either alone: 6 dB in phase, 3 dB at 90 degrees.
    sum_db: float
    #: The same with one of them wired the other way round.
    reversed_db: float


def order_by_band(drivers: Sequence[Driver]) -> list[int]:
    """Indices of drivers from the lowest band to the highest."""
    return sorted(range(len(drivers)), key=lambda n: drivers[n].band_hz[0] * drivers[n].band_hz[1])


def crossings(drivers: Sequence[Driver], frequency_hz: Floats, pressure: Complex) -> list[Crossing]:
    """The crossover of each pair of drivers that are neighbours by their bands.

    Parameters
    ----------
    drivers : sequence of Driver
    frequency_hz : array of shape (frequencies,)
        Ascending, dense enough to be interpolated between.
    pressure : complex array of shape (drivers, frequencies)
    """
    order = order_by_band(drivers)
    return [
        _crossing(drivers[low], drivers[high], frequency_hz, pressure[low], pressure[high])
        for low, high in pairwise(order)
    ]


def _crossing(lower: Driver, upper: Driver, frequency_hz: Floats, of_lower: Complex, of_upper: Complex) -> Crossing:
    """Where the one falls below the other, nearest to the middle between their bands."""
    log = np.log(frequency_hz)
    apart = np.log(np.abs(of_lower)) - np.log(np.abs(of_upper))
    low, high = (float(np.sqrt(one.band_hz[0] * one.band_hz[1])) for one in (lower, upper))
    falls = (apart[:-1] > 0) & (apart[1:] <= 0) & (frequency_hz[:-1] >= low) & (frequency_hz[1:] <= high)
    if not falls.any():
        nan = float("nan")
        return Crossing(lower.name, upper.name, nan, nan, nan, nan)
    middle = np.log(lower.band_hz[1] * upper.band_hz[0]) / 2
    at = np.flatnonzero(falls)[np.argmin(np.abs(log[:-1][falls] - middle))]
    share = apart[at] / (apart[at] - apart[at + 1])
    turn = np.unwrap(np.angle(of_upper[at : at + 2] / of_lower[at : at + 2]))
    radians = float(turn[0] + share * (turn[1] - turn[0]))
    hz = float(np.exp(log[at] + share * (log[at + 1] - log[at])))
    sums = [20 * np.log10(max(abs(1 + sign * np.exp(1j * radians)), 1e-3)) for sign in (1, -1)]
    degrees = float(np.degrees(np.angle(np.exp(1j * radians))))
    return Crossing(lower.name, upper.name, hz, degrees, float(sums[0]), float(sums[1]))


def steps_db(drivers: Sequence[Driver], frequency_hz: Floats, pressure: Complex) -> list[tuple[str, str, float]]:
    """By how much each driver is louder in its band than its lower neighbour in its own, beside their crossover.

    Parameters
    ----------
    drivers, frequency_hz, pressure
        As `crossings`.

    Returns
    -------
    list of (lower, upper, dB)
    """
    order = order_by_band(drivers)
    found = []
    for low, high in pairwise(order):
        lower, upper = drivers[low].band_hz, drivers[high].band_hz
        below = mean_db(frequency_hz, pressure[low], max(lower[0], lower[1] / 2**BESIDE_OCTAVES), lower[1])
        above = mean_db(frequency_hz, pressure[high], upper[0], min(upper[1], upper[0] * 2**BESIDE_OCTAVES))
        found.append((drivers[low].name, drivers[high].name, above - below))
    return found


def mean_db(frequency_hz: Floats, pressure: Complex, from_hz: float, to_hz: float) -> float:
    """Mean level in a band over the logarithm of frequency, in dB re 1."""
    at = np.geomspace(from_hz, to_hz, 48)
    return float(np.mean(np.interp(np.log(at), np.log(frequency_hz), 20 * np.log10(np.abs(pressure)))))
