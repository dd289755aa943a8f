"""The good unit nearest to one that was measured: every part, driver and box somewhere inside its tolerance."""

import numpy as np
from scipy.optimize import least_squares

from rig.circuit.channel import Channel, impedance_ohm
from rig.circuit.spread import moved, parameters
from rig.circuit.tolerance import CUT_OFF_SIGMA
from rig.circuit.units import ComplexArray, FloatArray

#: Clips and cable that no calibration took out, either way: common practice, no source.
LEAD_OHM = 0.1
#: Step of the difference quotients, in standard deviations.
STEP = 0.05


def nearest_good_unit(model: Channel, frequency_hz: FloatArray, ohm: ComplexArray) -> ComplexArray:
    """What no good unit explains of a measured impedance.

    The parameters of the design are moved inside their tolerances, all at once, to where the impedance comes nearest
    to the measured one: bounded least squares of the logarithm of their ratio (Branch, Coleman and Li, SIAM J. Sci.
    Comput. 21(1), 1999). What is left is the ratio's logarithm at the nearest: its real part is a relative error of the
    magnitude, its imaginary part one of the phase in radians.

    Parameters
    ----------
    model : Channel
        The design, with one number a parameter.
    frequency_hz : ndarray, shape (n,)
        In Hz, above 0.
    ohm : ndarray of complex, shape (n,)
        Measured impedance, nowhere 0.

    Returns
    -------
    ndarray of complex, shape (n,)
    """
    among = parameters(model)
    measured = np.log(ohm)

    def left_over(deviations: FloatArray) -> FloatArray:
        """Of several units, shape (units, 2 n)."""
        unit = impedance_ohm(moved(model, among, deviations[:, :-1]), frequency_hz)
        ratio = np.log(unit.reshape(deviations.shape[0], -1) + LEAD_OHM / CUT_OFF_SIGMA * deviations[:, -1:]) - measured
        # A phase is known but for whole turns.
        turn = np.angle(np.exp(1j * ratio.imag))
        return np.concatenate([ratio.real, turn], axis=1)

    def slopes(at: FloatArray) -> FloatArray:
        aside = STEP * np.eye(at.size)
        both = left_over(at + np.vstack([aside, -aside]))
        return np.asarray((both[: at.size] - both[at.size :]).T / (2 * STEP))

    # Deviations are those of logarithms, and a tolerance reaches as far down as up in the value itself.
    sigma = np.array([parameter.sigma for parameter in among])
    lower, upper = (np.log1p(side * CUT_OFF_SIGMA * sigma) / sigma for side in (-1, 1))
    bounds = np.append(lower, -CUT_OFF_SIGMA), np.append(upper, CUT_OFF_SIGMA)
    start = np.zeros(len(among) + 1)
    found = least_squares(lambda at: left_over(at[np.newaxis])[0], start, slopes, bounds, xtol=1e-4, ftol=1e-4)
    return np.asarray(-found.fun[: ohm.size] - 1j * found.fun[ohm.size :])
