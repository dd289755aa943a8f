"""A ladder of series and shunt elements between a source and a load."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.impedances import element_impedance
from rig.circuit.parts import Element
from rig.circuit.units import Complex


def ladder(elements: Sequence[Element], frequency_hz: ArrayLike, load_ohm: ArrayLike) -> tuple[Complex, Complex]:
    """Input impedance of a loaded ladder, and the share of the source voltage that reaches its load.

    Walks from the load to the source. This equals the product of the elements' chain (ABCD) matrices, but
    only adds and inverts numbers of non-negative real part, so that rounding cannot make an open or shorted
    ladder active.

    Parameters
    ----------
    elements : sequence of Element
        In signal order, source first.
    frequency_hz : array of shape (frequencies,)
    load_ohm : complex array of shape (frequencies,) or (units, frequencies)

    Returns
    -------
    input_ohm, transfer : complex arrays, shaped (frequencies,) or (units, frequencies)

    Raises
    ------
    ValueError
        If a frequency is negative or not finite.
    """
    impedance = np.asarray(load_ohm, dtype=np.complex128)
    transfer: Complex = np.ones_like(impedance)
    for element in reversed(elements):
        own = element_impedance(element, frequency_hz)
        if element.place == "series":
            transfer = transfer * (impedance / (impedance + own))
            impedance = impedance + own
        else:
            impedance = np.asarray(1 / (1 / impedance + 1 / own))
    return impedance, transfer
