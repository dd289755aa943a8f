"""What good builds share: the values of drivers, box and parts, and what the lumped model leaves out of the drivers.

Shared values, factors and the own deviations of each build (`rig.circuit.builds_model`) are found together, as the most
probable ones (Gauss-Newton); their uncertainties are those of Laplace's approximation (C. M. Bishop, "Pattern
Recognition and Machine Learning" (2006), section 4.4).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from rig.circuit.builds_apart import MM_ROUNDS, smooth_apart
from rig.circuit.builds_model import (
    NEPER_DB,
    NO_PRIORS,
    OWN_DB,
    OWN_GAIN_DB,
    OWN_Z,
    POINT_DB,
    POINT_Z,
    STEP,
    Basis,
    Build,
    BuildsModel,
    Linear,
    Priors,
    Sight,
    State,
    with_losses,
)
from rig.circuit.channel import Channel, find_owner
from rig.circuit.factor import Factor
from rig.circuit.population import Parameter
from rig.circuit.spread import moved
from rig.circuit.units import Complex, Floats

#: A spread before any build is worth so many builds, and what is left over of curves so many independent values: they
#: are known to a quarter and to a third. Common practice, no source.
PRIOR_BUILDS, PRIOR_POINTS = 8, 5
#: Rounds of what builds have of their own and of how far the fit then follows them; numerical.
SCALE_ROUNDS = 3
#: What is known better than this (logarithm) counts as known; numerical.
LEAST_HIDDEN = 0.02
#: Linearisations, each with the noise taken so many times larger: far from the sheet a resonance is no straight line;
#: numerical.
NOISE_TIMES = (8.0, 8.0, 3.0, 3.0, 1.0, 1.0, 1.0, 1.0, 1.0)
SETTLED, LEAST_STEP = 0.02, 1 / 16


@dataclass(frozen=True, eq=False)
class Learnt:
    """The population of a channel, as builds have taught it."""

    #: What the fit began from: the kit's channel, no inductance without losses.
    design: Channel
    #: Of the impedances that it rests on.
    z_hz: Floats
    #: Every shared number, its sigma that of the prior; its value in prior standard deviations from the design's, and
    #: the covariance of these.
    shared: tuple[Parameter, ...]
    deviations: Floats
    covariance: Floats
    #: How far good units lie apart.
    spread: tuple[Parameter, ...]
    #: Directions of the shared numbers that the builds leave open, the factors given, shape (shared, directions).
    hidden: Floats
    gain_sigma_db: float
    #: How many builds it rests on.
    builds: int
    #: What is left over of a good unit, smooth over frequency and from point to point: of its impedance, relative, and
    #: of its level in dB.
    smooth_z: float
    smooth_db: float
    point_z: float
    point_db: float
    #: What of the smooth part differs from unit to unit; the rest the model leaves out of all of them alike.
    apart_z: float
    apart_db: float
    #: For each driver, and for each sight and driver.
    impedance_factors: tuple[Factor, ...]
    pressure_factors: tuple[tuple[Factor, ...], ...]
    #: What each build has of its own, in standard deviations of its prior, shape (builds, parameters).
    own: Floats

    @cached_property
    def logs(self) -> tuple[Floats, Floats]:
        """Logarithms of the shared numbers over the design's, and their covariance (to first order)."""
        at_mean, aside = self._numbers(np.zeros((1, len(self.shared)))), self._numbers(STEP * np.eye(len(self.shared)))
        slopes = np.log(aside / at_mean).T / STEP
        start = self._numbers(-self.deviations[np.newaxis])
        return np.log(at_mean / start)[0], slopes @ self.covariance @ slopes.T

    def _numbers(self, aside: Floats) -> Floats:
        """The shared numbers so far from the most probable ones, shape (rows, shared)."""
        channel = moved(self.design, self.shared, self.deviations + aside)
        columns = []
        for p in self.shared:
            value = getattr(find_owner(channel, p.owner, p.name), p.field)
            columns.append(np.broadcast_to(value, (len(aside), 1)))
        return np.hstack(columns)


@dataclass(frozen=True)
class OwnScale:
    """What builds have of their own over what is taken for it: smooth over frequency, and from point to point."""

    smooth: float = 1.0
    point: float = 1.0

    def of(self, share: Floats) -> Floats:
        """The same of values a share of whose variance is smooth."""
        return np.sqrt(self.smooth**2 * share + self.point**2 * (1 - share))


def learn_population(
    design: Channel,
    z_hz: Floats,
    sights: Sequence[Sight],
    builds: Sequence[Build],
    priors: Priors = NO_PRIORS,
) -> Learnt:
    """Find what good builds of a channel share, and how far they lie apart.

    Parameters
    ----------
    design : Channel
        As the kit has it, with one number a parameter.
    z_hz : array of shape (n,)
        Frequencies of the builds' impedances, in Hz.
    sights : sequence of Sight
    builds : sequence of Build
        One or more, each with levels for every sight.
    priors : mapping
        Driver and field -> standard deviation of what is known of it, where that is less than a sheet says.
    """
    model = BuildsModel(with_losses(design), z_hz, tuple(sights), tuple(builds), priors)
    state = model.start()
    for times in NOISE_TIMES:
        state, moved_by = step(model, state, times)
        if times == 1.0 and moved_by < SETTLED:
            break
    return _learnt(model, state)


def step(model: BuildsModel, state: State, times: float) -> tuple[State, float]:
    """The next state, and the largest change of what is shared, in standard deviations of the prior."""
    linear = [tuple(part / times for part in of_build) for of_build in model.linear(state)]
    before = np.concatenate([state.shared, state.factors])
    precision, toward = np.eye(before.size), -before
    solved = []
    for n, (left, slopes, own) in enumerate(linear):
        inner = np.linalg.inv(np.eye(own.shape[1]) + own.T @ own)
        across, pull = own.T @ slopes, own.T @ left - state.own[n]
        precision += slopes.T @ slopes - across.T @ inner @ across
        toward += slopes.T @ left - across.T @ inner @ pull
        solved.append((inner, across, pull))
    shared = np.linalg.solve(precision, toward)
    own_step = np.array([inner @ (pull - across @ shared) for inner, across, pull in solved])
    now = sum(float(left @ left) for left, _, _ in linear) + state.squares
    share = 1.0
    while share >= LEAST_STEP:
        trial = state.plus(shared, own_step, share)
        if sum(float(left @ left) for left in model.residuals(trial)) / times**2 + trial.squares < now:
            return trial, share * float(np.max(np.abs(shared)))
        share /= 2
    return state, 0.0


def _learnt(model: BuildsModel, state: State) -> Learnt:
    """The population at the most probable state."""
    p, builds = len(model.shared), len(model.builds)
    linear = model.linear(state)
    z, db = OwnScale(), OwnScale()
    for _ in range(SCALE_ROUNDS):
        # With what the builds really have of their own, which follows from what is left over.
        precision, given, variance, followed = _laplace(model, linear, z, db)
        z, db = (_scale(model, linear, followed, is_z) for is_z in (True, False))
    precision, given, variance, _ = _laplace(model, linear, z, db)
    covariance = np.asarray(np.linalg.inv(precision), np.float64)
    squares = (PRIOR_BUILDS + np.sum(state.own**2 + variance, axis=0)) / (PRIOR_BUILDS + builds)
    apart_z, apart_db = smooth_apart(model, linear, state, squares)
    # Of the next unit: its own deviation, and that of the builds' mean.
    sigma = np.sqrt(squares * (1 + 1 / builds))
    of_factors = np.asarray(np.linalg.inv(given[p:, p:]), np.float64)
    return Learnt(
        model.design,
        model.z_hz,
        model.shared,
        state.shared,
        covariance[:p, :p],
        tuple(_spread(model, sigma, covariance)),
        _hidden(model, given[:p, :p]),
        float(OWN_GAIN_DB * sigma[-1]),
        builds,
        OWN_Z * z.smooth,
        OWN_DB * db.smooth,
        POINT_Z * z.point,
        POINT_DB * db.point,
        apart_z,
        apart_db,
        *_known_factors(model, state, of_factors, OWN_Z * z.smooth, OWN_DB / NEPER_DB * db.smooth),
        state.own[:, : len(model.own)],
    )


def _laplace(
    model: BuildsModel, linear: Sequence[Linear], z: OwnScale, db: OwnScale
) -> tuple[Floats, Floats, Floats, list[Floats]]:
    """Precision of what is shared, the same if what is each build's own were known, and variance of that own.

    Shapes (shared, shared) twice, and (builds, own). And of each build's values how far the fit follows them (their
    leverages), shape (values,).
    """
    precision: Floats = np.eye(linear[0][1].shape[1])
    given = precision
    variance, scaled = [], []
    for n, (_, slopes, own) in enumerate(linear):
        times = _rows(model, n, z, db)[:, np.newaxis]
        slopes, own = slopes / times, own / times
        inner = np.linalg.inv(np.eye(own.shape[1]) + own.T @ own)
        across = own.T @ slopes
        known = slopes.T @ slopes
        given = given + known
        precision = precision + known - across.T @ inner @ across
        variance.append(np.diag(inner))
        scaled.append((slopes - own @ inner @ across, own, inner))
    shared = np.linalg.inv(precision)
    followed = [
        np.sum(beside @ shared * beside, axis=1) + np.sum(own @ inner * own, axis=1) for beside, own, inner in scaled
    ]
    return precision, given, np.array(variance), followed


def _rows(model: BuildsModel, n: int, z: OwnScale, db: OwnScale) -> Floats:
    """What each whitened value of a build has to be divided by once more."""
    share = model.smooth_share[n]
    is_z = np.arange(share.size) < 2 * model.z_hz.size
    return np.where(is_z, z.of(share), db.of(share))


def _scale(model: BuildsModel, linear: Sequence[Linear], followed: Sequence[Floats], is_z: bool) -> OwnScale:
    """What builds have of their own over what is taken for it, from what is left over of all of them.

    Smooth and from point to point: variance components of the greatest restricted likelihood, values taken as
    independent once they are whitened (H. Zhou, L. Hu, J. Zhou and K. Lange, "MM Algorithms for Variance Components
    Models", J. Comput. Graph. Stat. 28 (2019); from memory); what was taken before counts as so many points of each.
    """
    points = 2 * model.z_hz.size
    part = slice(0, points) if is_z else slice(points, None)
    square = np.concatenate([left[part] ** 2 for left, _, _ in linear])
    free = np.concatenate([1 - np.clip(of_build[part], 0.0, 1.0) for of_build in followed])
    share = np.concatenate([of_build[part] for of_build in model.smooth_share])
    found = np.ones(2)
    for _ in range(MM_ROUNDS):
        variance = found[0] * share + found[1] * (1 - share)
        for n, of in enumerate((share, 1 - share)):
            seen = PRIOR_POINTS / found[n] ** 2 + np.sum(of * square / variance**2)
            found[n] *= np.sqrt(seen / (PRIOR_POINTS / found[n] + np.sum(of * free / variance)))
    return OwnScale(*np.sqrt(found))


def _spread(model: BuildsModel, sigma: Floats, covariance: Floats) -> Iterator[Parameter]:
    keys = [(p.owner, p.name, p.field) for p in model.shared]
    for n, parameter in enumerate(model.own):
        own = parameter.sigma * float(sigma[n])
        if parameter.owner in ("part", "series"):
            # Known no better than its bag is, and no worse than its tolerance.
            at = keys.index((parameter.owner, parameter.name, parameter.field))
            own = float(np.hypot(own, model.shared[at].sigma * covariance[at, at] ** 0.5))
        yield replace(parameter, sigma=own)


def _hidden(model: BuildsModel, precision: Floats) -> Floats:
    """Directions of one standard deviation each, as `moved` takes them with sigmas of 1; the narrow ones left out."""
    sigma = np.array([parameter.sigma for parameter in model.shared])
    variance, directions = np.linalg.eigh(sigma[:, np.newaxis] * np.linalg.inv(precision) * sigma)
    wide = variance > LEAST_HIDDEN**2
    return np.asarray(directions[:, wide] * np.sqrt(variance[wide]))


def _known_factors(
    model: BuildsModel, state: State, covariance: Floats, own_z: float, own_pressure: float
) -> tuple[tuple[Factor, ...], tuple[tuple[Factor, ...], ...]]:
    """The factors with what is not known of them, all parameters given, and what each unit has of its own."""
    at = 0

    def next_of(log: Complex, own: float, re: Basis, im: Basis) -> Factor:
        nonlocal at
        variances = []
        for basis in (re, im):
            end = at + basis.shapes.shape[1]
            variances.append(np.sum(basis.shapes @ covariance[at:end, at:end] * basis.shapes, axis=1))
            at = end
        elsewhere = Factor(re.nodes_hz, log, log).elsewhere_at(re.nodes_hz)
        sigma = np.sqrt(np.array(variances) + own**2 + elsewhere**2)
        return Factor(re.nodes_hz, log, sigma[0] + 1j * sigma[1])

    of_z, of_pressure = model.factors(state.factors)
    z = tuple(next_of(log, own_z, model.z_basis, model.z_basis) for log in of_z)
    return z, tuple(
        tuple(next_of(log, own_pressure, *bases) for log in logs)
        for bases, logs in zip(model.p_bases, of_pressure, strict=True)
    )
