"""A net of constant elements stepped through time by the trapezoidal rule, and its transfer functions out of that.

A voltage pulse of one sample sounds at the source, the net rings out, and the Fourier transform of what flows and moves
is the transfer function (L. W. Nagel, "SPICE2", Memorandum ERL-M520, University of California (1975), for the rule).
The free ringing is the powers of one matrix: a block of steps is made by doubling, the blocks follow as wholes.
"""

from collections.abc import Sequence

import numpy as np
from scipy import fft

from strangers.nodal import GROUND, STRAY, Complex, Element, Floats, Motor, Piston, Series, couplings, nodes_of

#: The rule stretches frequencies by a third of (pi f / rate) squared: 0.22 % at 20 kHz.
RATE_HZ = 768_000.0
#: 1.4 s: what rings at 20 Hz with a Q of 10 has died away by 70 dB.
STEPS = 2**20
BLOCK = 2**11


def solve(
    elements: Sequence[Element], source: str, wanted: Sequence[str]
) -> tuple[Floats, Complex, dict[str, Complex]]:
    """As `nodal.solve`, stepped.

    Returns
    -------
    frequency_hz : shape (n,), from 0 in steps of RATE_HZ / STEPS
    current : shape (n,)
    potentials : of the wanted nodes, each of shape (n,)

    Raises
    ------
    TypeError
        If an element is known over frequency only.
    """
    row = nodes_of(elements)
    storing, resisting, driven = _matrices(elements, source, row)
    outputs = np.zeros((1 + len(wanted), len(driven)))
    current_at = len(row) + sum(isinstance(element, Motor) for element in elements)
    outputs[0, current_at] = 1.0
    for n, name in enumerate(wanted, 1):
        outputs[n, row[name]] = 1.0
    rung = _ring(2 * RATE_HZ * storing, resisting, driven, outputs)
    spectra = fft.rfft(rung, axis=1)
    return fft.rfftfreq(STEPS, 1 / RATE_HZ), spectra[0], dict(zip(wanted, spectra[1:], strict=True))


def _matrices(elements: Sequence[Element], source: str, row: dict[str, int]) -> tuple[Floats, Floats, Floats]:
    """E, A and b of E x' + A x = b v: nodes, currents of motors and source, then currents and charges of branches."""
    branches = [e for e in elements if isinstance(e, Series)]
    if any(not isinstance(e, Series | Motor | Piston) for e in elements):
        raise TypeError("only elements of constants can be stepped through time")
    own = len(row) + sum(isinstance(e, Motor) for e in elements) + 1
    size = own + 2 * sum(not _is_plain(e) for e in branches)
    storing, resisting, driven = np.zeros((size, size)), np.zeros((size, size)), np.zeros(size)
    driven[own - 1] = 1.0
    for i, j, value in couplings(elements, row, source):
        resisting[i, j] += value
    for node in row.values():
        resisting[node, node] += STRAY
    at = own
    for branch in branches:
        ends = [(row[node], sign) for node, sign in ((branch.a, 1.0), (branch.b, -1.0)) if node != GROUND]
        if _is_plain(branch):
            into, value = (resisting, 1 / branch.resistance) if branch.resistance else (storing, branch.capacitance)
            for i, one in ends:
                for j, other in ends:
                    into[i, j] += one * other * value
            continue
        # L i' + R i + v - (Va - Vb) = 0, and v' = i / C.
        for node, sign in ends:
            resisting[node, at] += sign
            resisting[at, node] -= sign
        storing[at, at], resisting[at, at], resisting[at, at + 1] = branch.inductance, branch.resistance, 1.0
        storing[at + 1, at + 1], resisting[at + 1, at] = 1.0, -1 / branch.capacitance
        at += 2
    return storing, resisting, driven


def _is_plain(branch: Series) -> bool:
    """Whether a branch is a resistance alone, or a capacitance alone."""
    only_resists = branch.resistance > 0 and branch.inductance == 0 and np.isinf(branch.capacitance)
    return bool(only_resists or (branch.resistance == 0 and branch.inductance == 0))


def _ring(storing: Floats, resisting: Floats, driven: Floats, outputs: Floats) -> Floats:
    """Outputs after a pulse of one sample, shape (outputs, STEPS); `storing` is E times two over the step."""
    solved = np.linalg.solve(storing + resisting, np.column_stack([storing - resisting, driven]))
    step, kick = solved[:, :-1], solved[:, -1]
    # The rule takes the mean of the source over a step: the pulse counts in the two steps around it.
    after = (step @ kick + kick)[:, np.newaxis]
    power = step
    while after.shape[1] < BLOCK:
        after = np.hstack([after, power @ after])
        power = power @ power
    rung = [(outputs @ kick)[:, np.newaxis]]
    for _ in range(STEPS // BLOCK):
        rung.append(outputs @ after)
        outputs = outputs @ power
    return np.hstack(rung)[:, :STEPS]
