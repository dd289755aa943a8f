"""Impedances of parts and elements, and the complex frequency."""

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.parts import LARGEST_VALUE, OPEN_OHM, SHORT_OHM, Chain, Element, Group, Part
from rig.circuit.units import LOWEST_HZ, Complex


def laplace(frequency_hz: ArrayLike) -> Complex:
    """Complex frequency s = j 2 pi f in rad/s, same shape as `frequency_hz`.

    0 Hz is taken as 1 mHz, so that a spectrum's first bin needs no case of its own anywhere in the model.

    Raises
    ------
    ValueError
        If a frequency is negative or not finite.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not (frequency.min(initial=0.0) >= 0 and frequency.max(initial=0.0) < np.inf):
        raise ValueError("frequency_hz: found a negative or non-finite value; allowed are finite values from 0 Hz")
    return np.asarray(2j * np.pi * np.maximum(frequency, LOWEST_HZ))


def part_impedance(part: Part, frequency_hz: ArrayLike) -> Complex:
    """Impedance of a part in ohm, of shape (frequencies,) or (units, frequencies).

    Every part keeps a resistance of 1 nohm in series and a capacitor 1 Tohm across it, far outside what a
    real part shows, so that shorts, opens and lossless resonances stay finite numbers.

    Raises
    ------
    ValueError
        If a frequency is negative or not finite.
    """
    s = laplace(frequency_hz)
    if part.state != "ok":
        return np.full_like(s, OPEN_OHM if part.state == "open" else SHORT_OHM)
    value = np.minimum(part.value, LARGEST_VALUE)
    series = np.minimum(part.series_ohm, LARGEST_VALUE) + SHORT_OHM
    if part.kind == "R":
        return np.asarray(value + series + 0 * s)
    if part.kind == "L":
        return np.asarray(s * value + series)
    return np.asarray(1 / (s * value + 1 / OPEN_OHM) + series)


def element_impedance(element: Element, frequency_hz: ArrayLike) -> Complex:
    """Impedance in ohm between the two ends of an element, shaped as in `part_impedance`."""
    return _group_impedance(element.group, frequency_hz)


def _group_impedance(group: Group, frequency_hz: ArrayLike) -> Complex:
    admittance: Complex = np.zeros(1, dtype=np.complex128)
    for chain in group:
        admittance = admittance + 1 / _chain_impedance(chain, frequency_hz)
    return np.asarray(1 / admittance)


def _chain_impedance(chain: Chain, frequency_hz: ArrayLike) -> Complex:
    total: Complex = np.zeros(1, dtype=np.complex128)
    for item in chain:
        if isinstance(item, Part):
            total = total + part_impedance(item, frequency_hz)
        else:
            total = total + _group_impedance(item, frequency_hz)
    return total
