"""The good unit nearest to one that was measured: every part, driver and box somewhere inside its tolerance."""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.circuit.channel import Channel, impedance_ohm
from rig.circuit.factor import smooth_correlation
from rig.circuit.fit import residual_and_slopes
from rig.circuit.spread import moved, parameters
from rig.circuit.tolerance import CUT_OFF_SIGMA
from rig.circuit.units import Complex, Floats

#: Clips and cable that no calibration took out, either way: common practice, no source.
LEAD_OHM = 0.1
#: Step of the difference quotients, in standard deviations; numerical.
STEP = 0.05
#: Where builds have taught how far good units lie apart, none lies further than this (standard deviations); numerical.
LEARNT_REACH = 3.0
DRAWS = 100
#: Parameters that may come to a bound or leave it, one by one, before a fit is given up; numerical.
BOUND_CHANGES = 300
#: So many things about what is left over are independent (common practice, no source); the largest is exceeded by one
#: good unit in a thousand.
INDEPENDENT, NOT_BEYOND = 6, 0.999
#: How far the values of parts lie apart is known as from so many builds before any (to a sixth: tolerances are stated).
#: Common practice, no source.
BUILDS_BEFORE = 16
#: A value whose variance the curve lessens by no more than this part of it is not told at all; numerical.
LEAST_TOLD = 1e-3


@dataclass(frozen=True, eq=False)
class Nearest:
    """The good unit nearest to a measured one."""

    #: What it does not explain, shape (n,): see `nearest_good_unit`.
    left_over: Complex
    #: What one standard deviation of each parameter (of the unit, its lead and the bench) does to the logarithm of its
    #: impedance, real parts before imaginary ones; shape (2 n, parameters).
    slopes: Floats
    #: Where each parameter lies, in standard deviations, shape (parameters,).
    deviations: Floats
    #: How far each parameter may still be moved down and up, in standard deviations; shape (parameters,).
    room: tuple[Floats, Floats]


def nearest_good_unit(model: Channel, frequency_hz: Floats, ohm: Complex, errors: Complex | None = None) -> Nearest:
    """What no good unit, measured by a good bench, explains of a measured impedance.

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
    errors : ndarray of complex, shape (errors, n), or None
        What each error of the bench, one standard uncertainty large, changes of it, relative: the bench may be wrong by
        each as far as the parts by their tolerances.

    Returns
    -------
    Nearest
    """
    among = parameters(model)
    measured, of_bench = np.log(ohm), np.zeros((0, ohm.size)) if errors is None else errors
    of_unit = len(among) + 1

    def left_over(deviations: Floats) -> Floats:
        """Of several units, shape (units, 2 n)."""
        unit = impedance_ohm(moved(model, among, deviations[:, : len(among)]), frequency_hz)
        lead = LEAD_OHM / CUT_OFF_SIGMA * deviations[:, len(among) : of_unit]
        ratio = np.log(unit.reshape(deviations.shape[0], -1) + lead) - measured + deviations[:, of_unit:] @ of_bench
        # A phase is known but for whole turns.
        turn = ratio.imag - 2 * np.pi * np.round(ratio.imag / (2 * np.pi))
        return np.concatenate([ratio.real, turn], axis=1)

    def with_slopes(at: Floats) -> tuple[Floats, Floats]:
        aside = STEP * np.eye(at.size)
        there, up, down = np.split(left_over(at + np.vstack([np.zeros(at.size), aside, -aside])), [1, 1 + at.size])
        return there[0], np.asarray((up - down).T / (2 * STEP))

    lower, upper = (np.append(of_good, np.full(len(of_bench), of_good[-1])) for of_good in _bounds(model))
    bounds, start = (lower, upper), np.zeros(lower.size)
    residual, slopes = residual_and_slopes(with_slopes)
    found = scipy.optimize.least_squares(residual, start, slopes, bounds, xtol=1e-4, ftol=1e-4)
    unexplained = np.asarray(-found.fun[: ohm.size] - 1j * found.fun[ohm.size :])
    return Nearest(unexplained, np.asarray(found.jac), found.x, (bounds[0] - found.x, bounds[1] - found.x))


def _bounds(model: Channel) -> tuple[Floats, Floats]:
    """How far each parameter of a good unit, and its lead, may lie down and up, in standard deviations."""
    reach = CUT_OFF_SIGMA if model.population is None else LEARNT_REACH
    sigma = np.array([parameter.sigma for parameter in parameters(model)])
    # Deviations are those of logarithms, and a tolerance reaches as far down as up in the value itself.
    lower, upper = (np.log1p(np.maximum(side * reach * sigma, -0.9)) / sigma for side in (-1, 1))
    return np.append(lower, -CUT_OFF_SIGMA), np.append(upper, CUT_OFF_SIGMA)


def largest_misfit(model: Channel, frequency_hz: Floats, smooth: float, point: float, builds: int) -> float:
    """What is left over of a good unit at most (root mean square, relative), by what was left over of good builds.

    Units are drawn that have of their own, beyond their parameters, as much as builds had, and what was left out of the
    model elsewhere; the nearest good unit follows as far as it may, linear about the mean. A mean square of the next
    unit over that of so many builds is distributed as F: of one unit's curve few things are independent.

    Parameters
    ----------
    model : Channel
    frequency_hz : array of shape (n,)
    smooth, point : float
        Standard deviations of the logarithm of the impedance, of what is smooth over frequency and of the rest.
    builds : int
        How many these are known from.
    """
    size, random = frequency_hz.size, np.random.default_rng(1)
    among = parameters(model)
    steps = STEP * np.vstack([np.eye(len(among)), np.zeros(len(among))])
    log = np.log(impedance_ohm(moved(model, among, steps), frequency_hz))
    slopes = np.vstack([(log[:-1] - log[-1]) / STEP, LEAD_OHM / CUT_OFF_SIGMA / np.exp(log[-1])])
    columns = np.concatenate([slopes.real, slopes.imag], axis=1).T
    covariance = _left_out(model, frequency_hz, smooth) + point**2 * np.eye(size)
    parts = random.standard_normal((2, DRAWS, size)) @ np.linalg.cholesky(covariance).T
    nearest = Nearest(np.zeros(size, np.complex128), columns, np.zeros(len(columns.T)), _bounds(model))
    mean_square = float(np.mean(np.abs(remaining(nearest, parts[0] + 1j * parts[1])) ** 2))
    times = float(scipy.special.fdtri(INDEPENDENT, INDEPENDENT * builds, NOT_BEYOND))
    return float(np.sqrt(mean_square * times))


def _left_out(model: Channel, frequency_hz: Floats, smooth: float) -> Floats:
    """Covariance over frequency of what a good unit has beyond its parameters, in either part of the logarithm.

    What is smooth, and what was left out of the model's drivers elsewhere.
    """
    factors = [driver.impedance_factor for driver in model.drivers]
    elsewhere = [factor.elsewhere_at(frequency_hz) for factor in factors if factor is not None]
    sigma = np.sqrt(smooth**2 + sum(one**2 for one in elsewhere))
    return np.asarray(np.outer(sigma, sigma) * smooth_correlation(frequency_hz, frequency_hz))


def pulls_of_parts(nearest: Nearest, model: Channel, frequency_hz: Floats, noise: Floats) -> dict[str, float]:
    """How far the value of each part lies from where good units have it, everything else being where it may be.

    All that may differ from unit to unit is estimated at once, how far good builds lie apart in it being known before,
    linear about the nearest good unit. What of a value the curve tells is then normal over good units, of mean 0; it is
    given in standard deviations ("pulls": L. Demortier and L. Lyons, CDF note 5776 (2002), from memory). One wrong
    part stands out, where a bound for each number alone lets many of them lie at their edges at once.

    Parameters
    ----------
    nearest : Nearest
    model : Channel
        As builds have taught it.
    noise : array of shape (n,)
        Standard uncertainty of the impedance from noise, relative.

    Returns
    -------
    dict
        By the parts' names; without those of whose values the curve tells nothing.

    Raises
    ------
    ValueError
        If no builds taught how far units lie apart.
    """
    learnt = model.population
    if learnt is None:
        raise ValueError(f"channel {model.name}: no builds have taught how far its units lie apart")
    covariance = _left_out(model, frequency_hz, learnt.smooth_z) + np.diag(learnt.point_z**2 + noise**2)
    left = np.concatenate([nearest.left_over.real, nearest.left_over.imag]) + nearest.slopes @ nearest.deviations
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    slopes, left = (np.concatenate([white @ half for half in np.split(whole, 2)]) for whole in (nearest.slopes, left))
    variance = np.linalg.inv(np.eye(slopes.shape[1]) + slopes.T @ slopes)
    found, told = variance @ (slopes.T @ left), 1 - np.diag(variance)
    return {
        parameter.name: float(found[n] / np.sqrt(told[n]))
        for n, parameter in enumerate(parameters(model))
        if parameter.owner == "part" and told[n] > LEAST_TOLD
    }


def largest_pull(values: int, builds: int) -> float:
    """What the largest pull of so many values of a good unit exceeds once in a thousand.

    Standard deviations that builds have taught are known from few: pulls are distributed as Student's t.
    """
    beyond = (1 - NOT_BEYOND) / 2 / max(values, 1)
    return float(scipy.special.stdtrit(BUILDS_BEFORE + builds, 1 - beyond))


def remaining(nearest: Nearest, changes: Complex) -> Complex:
    """What small relative changes of the measured impedance, one by one, change of what is left over.

    The nearest good unit follows each as far as tolerances let it: least squares, linear about that unit, within the
    same bounds. With no bound near this is the projection of the change on what the slopes do not span.

    Parameters
    ----------
    nearest : Nearest
    changes : ndarray of complex, shape (changes, n)
        Relative.

    Returns
    -------
    ndarray of complex, shape (changes, n)
    """
    # No room at all on one side is a bound like another, but the two must not meet.
    bounds = np.minimum(nearest.room[0], -1e-9), np.maximum(nearest.room[1], 1e-9)
    span, small = np.linalg.qr(nearest.slopes)
    before = np.concatenate([nearest.left_over.real, nearest.left_over.imag])
    asked = np.concatenate([changes.real, changes.imag], axis=1)
    at_rest = scipy.optimize.lsq_linear(small, span.T @ before, bounds, "bvls", max_iter=BOUND_CHANGES)
    moved_to = _bounded(small, (before + asked) @ span, bounds, at_rest.active_mask)
    rest = asked - (moved_to - at_rest.x) @ nearest.slopes.T
    return np.asarray(rest[:, : before.size // 2] + 1j * rest[:, before.size // 2 :])


def _bounded(matrix: Floats, wanted: Floats, bounds: tuple[Floats, Floats], at_bounds: NDArray[np.int64]) -> Floats:
    """Bounded least squares near a solution whose parameters lie at their lower (-1) or upper (1) bounds, or free (0).

    A small change rarely brings another parameter to a bound. Where none is, as the conditions of Karush, Kuhn and
    Tucker tell, one solution of the free ones is all that it takes.

    Parameters
    ----------
    wanted : array of shape (changes, rows of the matrix)
        Each is solved by itself.

    Returns
    -------
    array of shape (changes, parameters)
    """
    free = at_bounds == 0
    found = np.tile(np.where(at_bounds < 0, bounds[0], bounds[1]), (len(wanted), 1))
    held = found[:, ~free] @ matrix[:, ~free].T
    found[:, free] = np.linalg.lstsq(matrix[:, free], (wanted - held).T, rcond=None)[0].T
    slope = (found @ matrix.T - wanted) @ matrix
    is_solved = np.all((found >= bounds[0]) & (found <= bounds[1]), axis=1)
    is_solved &= np.all(at_bounds[~free] * slope[:, ~free] <= 0, axis=1)
    for n in np.flatnonzero(~is_solved):
        found[n] = scipy.optimize.lsq_linear(matrix, wanted[n], bounds, "bvls", max_iter=BOUND_CHANGES).x
    return found


def taken_up(nearest: Nearest, noise: Floats) -> Floats:
    """Which part of the power of noise the nearest good unit takes up at each frequency, 0 to 1, shape (n,).

    The leverage of a least-squares fit (Hoaglin and Welsch, The American Statistician 32(1), 1978 (from memory)), in
    which a tolerance counts as what is known before (one standard deviation each): parameters that noise cannot tell
    take up nothing.

    Parameters
    ----------
    nearest : Nearest
    noise : ndarray, shape (n,)
        Standard uncertainty of the impedance from noise, relative.
    """
    # Of noise at any phase half of the power lies in either part.
    sigma = max(float(np.sqrt(np.mean(noise**2) / 2)), 1e-12)
    left, strength, _ = np.linalg.svd(nearest.slopes, full_matrices=False)
    leverage = left**2 @ (strength**2 / (strength**2 + sigma**2))
    return np.asarray((leverage[: noise.size] + leverage[noise.size :]) / 2)
