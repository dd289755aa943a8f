"""Nodal analysis of a net that is partly electrical, mechanical and acoustical, at many frequencies at once.

Between nodes lie elements; a node has a potential, an element lets something flow. Volts drive amperes, the velocity
of a cone drives newtons (mobility analogy), the pressure of air drives its volume velocity (L. L. Beranek,
"Acoustics" (1954), chapter 3). Every flow is an admittance times a potential, at a node of its own or of another one:
a motor and a piston join two sides, in opposite directions with the same factor.
"""

import numpy as np

from rig.signals.arrays import Complex

#: The node without potential: the minus lead, the frame, the air in front.
GROUND = ""


class Net:
    """The flows out of every node for a unit of potential at each, as arrays over frequency."""

    def __init__(self) -> None:
        self._rows: dict[str, dict[str, Complex]] = {}

    def add(self, node: str, at: str, admittance: Complex) -> None:
        """Let the potential `at` one node make something flow out of another (or the same) `node`."""
        if GROUND not in (node, at):
            row = self._rows.setdefault(node, {})
            row[at] = row[at] + admittance if at in row else admittance

    def join(self, a: str, b: str, admittance: Complex) -> None:
        """Put an element between two nodes."""
        for node, other in ((a, b), (b, a)):
            self.add(node, node, admittance)
            self.add(node, other, -admittance)

    def solve(self, source: str) -> tuple[Complex, dict[str, Complex]]:
        """What flows out of a source of potential 1 at a node, and the potential of every node.

        Gaussian elimination, the node with the fewest neighbours first. It needs no search for pivots: elements take
        up power and give none back, so the part of the matrix that is its own adjoint is positive definite (N. J.
        Higham, "Accuracy and Stability of Numerical Algorithms", 2nd ed. (2002), section 10.4).
        """
        rows = {node: dict(row) for node, row in self._rows.items() if node != source}
        eliminated: list[tuple[str, dict[str, Complex]]] = []
        while rows:
            node = min(rows, key=lambda one: len(rows[one]))
            row = rows.pop(node)
            own = 1 / row.pop(node)
            row = {at: admittance * own for at, admittance in row.items()}
            eliminated.append((node, row))
            for other in rows.values():
                coupled = other.pop(node, None)
                if coupled is not None:
                    for at, part in row.items():
                        other[at] = other[at] - coupled * part if at in other else -coupled * part
        potentials = {source: np.ones_like(self._rows[source][source])}
        for node, row in reversed(eliminated):
            found = np.zeros_like(potentials[source])
            for at, part in row.items():
                found -= part * potentials[at]
            potentials[node] = found
        flow = np.zeros_like(potentials[source])
        for at, admittance in self._rows[source].items():
            flow += admittance * potentials[at]
        return flow, potentials
