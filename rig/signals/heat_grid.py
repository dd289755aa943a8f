"""Candidates for the course of a rise on a grid of time constants, each weighed by what the samples say for it."""

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals.arrays import Floats
from rig.signals.heat_response import Points, Power, mean_responses

Range = tuple[float, float]

#: A constant of at least this many points shows as one; what is faster follows the power at once; numerical.
SHORTEST_POINTS = 0.4
#: A second constant is another one only if it is so many times faster (our choice;
#: tests/benchmarks/heat_prediction.py).
APART = 1.5
#: A point of the grid whose logarithm of the weight is by so much below the best does not count; numerical.
NEGLIGIBLE = 14.0
#: What amplitudes may be, as a multiple of the highest rise seen, and at least in kelvin (our choice;
#: tests/benchmarks/heat_prediction.py).
SCALE, LEAST_SCALE_K = 1.0, 2.0
#: There may be something slower still (the walls of a box behind the magnet): so many times slower than the slowest
#: that shows, with so much of the highest rise seen, give or take as much. It costs nothing to assume it (our choice;
#: tests/benchmarks/heat_prediction.py).
HIDDEN_SLOWER, HIDDEN, LEAST_HIDDEN_K = 3.0, 0.1, 0.02
#: What may have been there before the start, or stand all the time, in kelvin (our choice;
#: tests/benchmarks/heat_prediction.py).
BEFORE_K = 10.0
#: Points of the grid; numerical.
SLOW_STEPS, FAST_STEPS = 24, 12
#: Thermometers and room wander by so much, in about so many independent ways over the samples: white noise cannot (our
#: choice; tests/benchmarks/heat_prediction.py).
WANDER_K, WANDERINGS = 0.01, 8
#: Correlation of residuals counts up to the lag at which it falls below this (our choice;
#: tests/benchmarks/heat_prediction.py).
CORRELATED = 0.05


@dataclass(frozen=True, eq=False)
class Family:
    """All candidates of one make on a grid: c of them, each with q linear amplitudes."""

    #: Whether there is one slower still than what shows.
    hidden: bool
    #: Shape (c, constants): the hidden one, 0 for a share that follows at once, the fast one, the slow one.
    tau_s: Floats
    #: Logarithm of each candidate's weight, shape (c,), and of that of all together.
    log_weight: Floats
    log_family: float
    #: Means and covariances: responses as `tau_s`, then what cools, then what stands. (c, q) and (c, q, q).
    mean_k: Floats
    covariance: Floats
    #: Residuals of the best candidate, shape (p,).
    residual_k: Floats

    @property
    def is_double(self) -> bool:
        """Whether it has two constants beside the share that follows at once and the hidden one."""
        return int(np.count_nonzero(self.tau_s[0])) > 1 + self.hidden

    @property
    def steady_k(self) -> Floats:
        """When all has settled, shape (c,)."""
        return np.asarray(self.mean_k @ self._settled())

    @property
    def steady_u_k(self) -> Floats:
        """Standard uncertainty of that, shape (c,)."""
        return np.asarray(np.sqrt(np.einsum("i,cij,j->c", self._settled(), self.covariance, self._settled())))

    def _settled(self) -> Floats:
        """Weights of the amplitudes when all has settled: everything but what cools."""
        weights = np.ones(self.mean_k.shape[1])
        weights[self.tau_s.shape[1]] = 0.0
        return weights


def families_on(
    points: Points, power: Power, noise_k: float, whole: Range, ranges: list[tuple[Range, Range]]
) -> list[Family]:
    """One constant (2 makes); two, and two and a share at once (4 makes); each without and with a hidden one."""
    families = []
    for second, (fast_range, slow_range) in zip((False, True), ranges, strict=True):
        slow = np.exp(np.linspace(*slow_range, SLOW_STEPS))
        fast = np.exp(np.linspace(*fast_range, FAST_STEPS)) if second else np.zeros(0)
        tau = np.concatenate([[0.0], fast, slow, np.minimum(HIDDEN_SLOWER * slow, math.exp(whole[1]))])
        cooling = np.exp(-(points.time_s[:, None] - points.from_s[0]) / slow)
        columns = np.hstack([mean_responses(points, power, tau), cooling, np.ones((points.time_s.size, 1))])
        seen = _in_noise(points, columns, noise_k)
        f, s = np.zeros(SLOW_STEPS, dtype=np.int64), np.arange(SLOW_STEPS)
        if second:
            f, s = (grid.ravel() for grid in np.meshgrid(np.arange(FAST_STEPS), s, indexing="ij"))
            apart = fast[f] * APART < slow[s]
            f, s = f[apart], s[apart]
        at_slow = 1 + fast.size + s
        shown = [[1 + f, at_slow], [0 * s, 1 + f, at_slow]] if second else [[at_slow]]
        for picked, hidden in product(shown, (False, True)):
            constants = [at_slow + SLOW_STEPS, *picked] if hidden else picked
            index = np.stack([*constants, at_slow + 2 * SLOW_STEPS, np.full_like(s, columns.shape[1] - 1)], axis=1)
            chosen = index[:, : len(constants)]
            families.append(_weigh(seen, index, tau[chosen], hidden))
    return families


@dataclass(frozen=True, eq=False)
class _Columns:
    """What the samples are made of, in units of their noise."""

    #: Shapes (p, m) and (p,).
    columns: Floats
    samples: Floats
    #: Products of all columns with each other and with the samples, shapes (m, m) and (m,).
    gram: Floats
    with_samples: Floats
    #: The noise of each point, shape (p,), and the highest rise.
    noise_k: Floats
    highest_k: float


def _in_noise(points: Points, columns: Floats, noise_k: float) -> _Columns:
    noise = noise_k / points.root_weight
    scaled, samples = columns / noise[:, None], points.rise_k / noise
    highest_k = float(np.max(np.abs(points.rise_k)))
    return _Columns(scaled, samples, scaled.T @ scaled, scaled.T @ samples, noise, highest_k)


def _weigh(seen: _Columns, index: NDArray[np.int64], tau_s: Floats, hidden: bool) -> Family:
    """Amplitudes and evidence of candidates, each of which picks some of the columns: (c, q), (c, constants)."""
    constants = tau_s.shape[1]
    spread = np.full(index.shape[1], max(LEAST_SCALE_K, SCALE * seen.highest_k))
    spread[constants:] = BEFORE_K
    expected = np.zeros(index.shape[1])
    if hidden:
        spread[0] = max(HIDDEN * seen.highest_k, LEAST_HIDDEN_K)
        expected[0] = HIDDEN * seen.highest_k
    precision = seen.gram[index[:, :, None], index[:, None, :]] + np.diag(spread**-2)
    b = seen.with_samples[index] + expected / spread**2
    covariance: Floats = np.asarray(np.linalg.inv(precision), np.float64)
    mean: Floats = np.einsum("cij,cj->ci", covariance, b)
    log_evidence = 0.5 * np.einsum("ci,ci->c", b, mean) - 0.5 * np.linalg.slogdet(precision)[1]
    log_weight = log_evidence + _plausible(mean, covariance, tau_s)
    best = int(np.argmax(log_weight))
    residual: Floats = seen.samples - seen.columns[:, index[best]] @ mean[best]
    # Akaike's weight of the make as a whole: a time constant and an amplitude for each constant that shows.
    log_family = -0.5 * float(residual @ residual) - 2 * (constants - hidden)
    log_weight = log_weight - scipy.special.logsumexp(log_weight) + log_family
    return Family(hidden, tau_s, log_weight, log_family, mean, covariance, residual * seen.noise_k)


def _plausible(mean: Floats, covariance: Floats, tau_s: Floats) -> Floats:
    """Logarithm of the probability that heat warms: the slowest part rises, and so does all at once at the start.

    A fast part may be negative (a place that is reached late), but nothing gets colder for being heated.
    """
    constants = tau_s.shape[1]
    slow, u_slow = mean[:, constants - 1], np.sqrt(covariance[:, constants - 1, constants - 1])
    pace = np.zeros(mean.shape)
    pace[:, :constants] = np.where(tau_s > 0, tau_s[:, -1:] / np.maximum(tau_s, 1e-9), 0.0)
    start = np.einsum("ci,ci->c", pace, mean)
    u_start = np.sqrt(np.einsum("ci,cij,cj->c", pace, covariance, pace))
    return np.asarray(scipy.special.log_ndtr(slow / u_slow) + scipy.special.log_ndtr(start / u_start))


def range_of(families: list[Family], whole: Range) -> tuple[Range, Range]:
    """Where the constants of these families are that count: of the fast one and of the slow one, as logarithms."""
    columns = (-2, -1) if families[0].is_double else (-1,)
    found = []
    for column in columns:
        low, high = math.inf, -math.inf
        for family in families:
            tau = np.log(family.tau_s[:, column])
            counts = family.log_weight > family.log_weight.max() - NEGLIGIBLE
            step = float(np.min(np.diff(np.unique(tau)), initial=1.0))
            low, high = min(low, float(tau[counts].min()) - step), max(high, float(tau[counts].max()) + step)
        found.append((max(low, whole[0]), min(high, whole[1])))
    return found[0], found[-1]


def noise_of(best: Family, points: Points) -> tuple[float, float]:
    """Noise of a point as if the points were independent, and the correlation of neighbours that makes it larger.

    A mean of n correlated samples is as uncertain as one of n / (1 + 2 sum of their correlations): the sum is taken to
    the lag at which they are lost, and not below what a first-order autoregressive noise of the first one has.
    """
    r = best.residual_k * points.root_weight
    fitted = best.mean_k.shape[1]
    freedom = max(r.size - fitted - best.tau_s.shape[1], 5)
    sigma = max(float(np.sqrt(r @ r / freedom)), points.step_noise_k)
    # Fitting takes correlation out of residuals: about as much as the number of parameters over that of points.
    lags = np.correlate(r, r, "full")[r.size - 1 :][: r.size // 4] / max(float(r @ r), 1e-30) + fitted / r.size
    first = min(max(float(lags[1]), 0.0), 0.95)
    lost = np.flatnonzero(lags < CORRELATED)
    whole = 1 + 2 * float(np.sum(lags[1 : lost[0] if lost.size else lags.size]))
    inflation = max((1 + first) / (1 - first), whole)
    return math.sqrt(sigma**2 * inflation + WANDER_K**2 * r.size / WANDERINGS), first
