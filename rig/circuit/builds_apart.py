"""How far good builds lie apart in what no parameter says, from their distances from their mean."""

from collections.abc import Sequence

import numpy as np
import scipy

from rig.circuit.builds_model import OWN_Z, POINT_DB, POINT_Z, BuildsModel, Linear, State, point_variance
from rig.circuit.factor import ELSEWHERE, smooth_correlation
from rig.circuit.units import Floats

#: What is taken before any build is worth so many independent values of a curve: it is known to a half. Common
#: practice, no source.
PRIOR_POINTS = 2
#: What a build has of its own in its level, smooth over frequency, beside its parameters and what lies elsewhere in it:
#: dB, common practice, no source. `OWN_DB` is what a fit leaves over, of all builds alike too.
APART_DB = 0.12
#: Of the search; numerical.
MM_ROUNDS = 40


def smooth_apart(model: BuildsModel, linear: Sequence[Linear], state: State, own: Floats) -> tuple[float, float]:
    """How far builds lie apart smoothly over frequency, beside their own parameters: standard deviations.

    Of impedances (relative) and of levels in dB. What all builds have in common is no spread, whether the model has it
    or not: these are variance components of the greatest restricted likelihood of the builds' distances from their mean
    (H. Zhou, L. Hu, J. Zhou and K. Lange, "MM Algorithms for Variance Components Models", J. Comput. Graph. Stat. 28
    (2019); from memory), linear about the most probable state. One build tells none: what is taken before any then
    stands.

    Parameters
    ----------
    own : array of shape (own + 2,)
        Variances of the own parameters, lead resistance and level, over those taken before any build.
    """
    slopes = np.mean([model.colour(n, of_own) for n, (_, _, of_own) in enumerate(linear)], axis=0)
    values = np.array([model.colour(n, left + of_own @ state.own[n]) for n, (left, _, of_own) in enumerate(linear)])
    off = (values - np.mean(values, axis=0)).T
    # A driver's resonances that the model leaves out lie elsewhere in each unit, and what was learnt of them with them.
    shifts = elsewhere(model, state.factors)
    of_factors = [model.colour(n, shared[:, len(model.shared) :] @ shifts) for n, (_, shared, _) in enumerate(linear)]
    slopes = np.column_stack([slopes * np.sqrt(own), np.mean(of_factors, axis=0)])
    known, components, freedom = slopes @ slopes.T, _of_curves(model), len(linear) - 1
    found = np.ones(len(components))
    for _ in range(MM_ROUNDS if freedom else 0):
        inverse = np.linalg.inv(known + np.tensordot(found, components, 1))
        pull = inverse @ off
        seen = np.array([np.sum(pull * (one @ pull)) for one in components])
        expected = freedom * np.array([np.sum(inverse * one) for one in components])
        found *= np.sqrt((PRIOR_POINTS / found**2 + seen) / (PRIOR_POINTS / found + expected))
    return OWN_Z * float(found[0]) ** 0.5, APART_DB * float(found[1]) ** 0.5


def elsewhere(model: BuildsModel, coefficients: Floats) -> Floats:
    """What it changes of the factors' components that all factors of a driver lie one `ELSEWHERE` higher in frequency.

    Shape (components, drivers).
    """
    drivers = range(len(model.design.drivers))
    blocks = [(driver, basis) for driver in drivers for basis in (model.z_basis, model.z_basis)]
    blocks += [(driver, basis) for bases in model.p_bases for driver in drivers for basis in bases]
    found, at = np.zeros((coefficients.size, len(drivers))), 0
    for driver, basis in blocks:
        end = at + basis.shapes.shape[1]
        slope = np.gradient(basis.shapes @ coefficients[at:end], np.log(basis.nodes_hz))
        found[at:end, driver] = -ELSEWHERE * np.linalg.lstsq(basis.shapes, slope, rcond=None)[0]
        at = end
    return found


def _of_curves(model: BuildsModel) -> Floats:
    """Covariances of what no parameter says, shape (4, values, values).

    Smooth over frequency, of impedances and of levels; then from point to point, of either.
    """
    curves_hz = [model.z_hz, model.z_hz, *(sight.frequency_hz for sight in model.sights)]
    variances = [
        np.concatenate(
            [point_variance(POINT_Z, build.ohm_u)] * 2 + [point_variance(POINT_DB, u) for _, u in build.levels]
        )
        for build in model.builds
    ]
    point = np.diag(np.mean(variances, axis=0))
    of_z = np.arange(len(point)) < 2 * model.z_hz.size
    sigma = np.where(of_z, OWN_Z, APART_DB)
    smooth = np.outer(sigma, sigma) * scipy.linalg.block_diag(*(smooth_correlation(hz, hz) for hz in curves_hz))
    return np.array([np.where(np.outer(own, own), one, 0.0) for one in (smooth, point) for own in (of_z, ~of_z)])
