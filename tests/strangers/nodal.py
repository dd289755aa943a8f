"""Modified nodal analysis of nets that are partly electrical, mechanical and acoustical, over frequency.

Every element lies between two nodes; a node has a potential, an element lets something flow.

    side         potential            flow                 mass          spring       cavity      duct
    electrical   volt                 ampere
    mechanical   velocity, m/s        force, N             capacitance   inductance
    acoustical   pressure, Pa         volume vel., m3/s                               capacitance inductance

Mechanics stand in the mobility analogy, acoustics in the impedance analogy, so that a motor is a transformer and a
piston a gyrator (L. L. Beranek, "Acoustics" (1954), chapter 3; C. W. Ho, A. E. Ruehli and P. A. Brennan, "The
modified nodal approach to network analysis", IEEE Trans. Circuits Syst. 22 (1975)).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Complex: TypeAlias = NDArray[np.complex128]

#: The node whose potential is zero: the minus lead, the frame, the air far away.
GROUND = ""
#: From each node to ground, so that what a fault leaves hanging in the air has a potential.
STRAY = 1e-12
#: Solved at once, to stay within a processor's cache.
AT_ONCE = 512


@dataclass(frozen=True)
class Series:
    """Resistance, inductance and capacitance in series between two nodes; constants, so it can be stepped in time."""

    a: str
    b: str = GROUND
    resistance: float = 0.0
    inductance: float = 0.0
    capacitance: float = np.inf

    def admittance(self, s: Complex) -> Complex:
        """Flow over potential difference, shape of `s`."""
        return np.asarray(1 / (self.resistance + s * self.inductance + 1 / self.capacitance / s))


@dataclass(frozen=True)
class OnePort:
    """An element between two nodes that is known by its admittance over frequency only."""

    a: str
    b: str
    of_s: Callable[[Complex], Complex]

    def admittance(self, s: Complex) -> Complex:
        """Flow over potential difference, shape of `s`."""
        return self.of_s(s)


@dataclass(frozen=True)
class Line:
    """A uniform line (a pipe) from one node to another, both against ground.

    Parameters
    ----------
    length_m : float
    of_s : s -> (characteristic impedance, propagation constant per metre), each of the shape of s
    """

    a: str
    b: str
    length_m: float
    of_s: Callable[[Complex], tuple[Complex, Complex]]

    def admittances(self, s: Complex) -> tuple[Complex, Complex]:
        """Own and mutual admittance of the two ends, each of the shape of `s`."""
        impedance, constant = self.of_s(s)
        along = constant * self.length_m
        return 1 / (impedance * np.tanh(along)), -1 / (impedance * np.sinh(along))


@dataclass(frozen=True)
class Motor:
    """A coil without resistance in a magnet: V = Bl u, F = Bl i (a transformer, with its current as an unknown)."""

    a: str
    b: str
    moving: str
    force_factor: float


@dataclass(frozen=True)
class Piston:
    """A surface: it takes area times velocity out of the air at its back and feels area times that air's pressure."""

    moving: str
    back: str
    area_m2: float


Element: TypeAlias = Series | OnePort | Line | Motor | Piston


def mass(node: str, kg: float) -> Series:
    """A mass that moves with a node."""
    return Series(node, capacitance=kg)


def spring(a: str, b: str, m_per_n: float) -> Series:
    """A spring of this compliance between two moving nodes (or a node and the frame)."""
    return Series(a, b, inductance=m_per_n)


def damper(a: str, b: str, n_s_per_m: float) -> Series:
    """A viscous damper between two moving nodes (or a node and the frame)."""
    return Series(a, b, resistance=1 / n_s_per_m)


def nodes_of(elements: Sequence[Element]) -> dict[str, int]:
    """Every node but ground, with its row."""
    names: dict[str, int] = {}
    for element in elements:
        for name in _ends(element):
            if name != GROUND:
                names.setdefault(name, len(names))
    return names


def _ends(element: Element) -> tuple[str, ...]:
    if isinstance(element, Piston):
        return element.moving, element.back
    return (element.a, element.b, element.moving) if isinstance(element, Motor) else (element.a, element.b)


def couplings(elements: Sequence[Element], row: dict[str, int], source: str) -> Iterator[tuple[int, int, float]]:
    """Entries that do not depend on frequency: (row, column, value) of pistons, motors and the source of 1 V.

    A piston's two entries are opposite: the power that leaves the mechanical side enters the air. Behind the nodes
    come the currents of the motors in their order, and last the one of the source.
    """
    current = len(row)
    for element in elements:
        if isinstance(element, Piston) and GROUND not in (element.moving, element.back):
            moving, back = row[element.moving], row[element.back]
            # Moving outwards it sucks at the air behind; that air's lower pressure holds it back.
            yield moving, back, -element.area_m2
            yield back, moving, element.area_m2
        if isinstance(element, Motor):
            for node, sign in ((element.a, 1.0), (element.b, -1.0)):
                if node != GROUND:
                    yield row[node], current, sign
                    yield current, row[node], sign
            yield row[element.moving], current, -element.force_factor
            yield current, row[element.moving], -element.force_factor
            current += 1
    yield row[source], current, -1.0
    yield current, row[source], 1.0


def solve(elements: Sequence[Element], source: str, frequency_hz: Floats) -> tuple[Complex, dict[str, Complex]]:
    """The net driven by 1 V between `source` and ground.

    Parameters
    ----------
    elements : sequence of Element
    source : str
        A node.
    frequency_hz : shape (n,), above 0

    Returns
    -------
    current : shape (n,), out of the source
    potentials : node -> shape (n,)

    Raises
    ------
    numpy.linalg.LinAlgError
        If the net has no solution (a source across a short of no resistance).
    """
    row = nodes_of(elements)
    size = len(row) + sum(isinstance(element, Motor) for element in elements) + 1
    found = np.empty((frequency_hz.size, size), dtype=np.complex128)
    fixed = np.zeros((size, size), dtype=np.complex128)
    for i, j, value in couplings(elements, row, source):
        fixed[i, j] += value
    for node in row.values():
        fixed[node, node] += STRAY
    driven = np.zeros((size, 1), dtype=np.complex128)
    driven[-1] = 1.0
    for first in range(0, frequency_hz.size, AT_ONCE):
        s = 2j * np.pi * frequency_hz[first : first + AT_ONCE]
        matrix = np.repeat(fixed[np.newaxis], s.size, axis=0)
        for element in elements:
            _stamp(matrix, element, row, s)
        found[first : first + s.size] = np.linalg.solve(matrix, driven)[:, :, 0]
    return found[:, -1], {name: found[:, node] for name, node in row.items()}


def _stamp(matrix: Complex, element: Element, row: dict[str, int], s: Complex) -> None:
    """Add what one element lets flow to the rows of its nodes."""
    if isinstance(element, Series | OnePort):
        own = element.admittance(s)
        mutual = -own
    elif isinstance(element, Line):
        own, mutual = element.admittances(s)
    else:
        return
    ends = [row.get(node) for node in (element.a, element.b)]
    for here, there in (ends, ends[::-1]):
        if here is not None:
            matrix[:, here, here] += own
            if there is not None:
                matrix[:, here, there] += mutual
