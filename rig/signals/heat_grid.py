"""Candidates for the course of a rise on a grid of time constants, each weighed by what the samples say for it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from rig.signals.heat_response import Points, Power, mean_responses

Floats = NDArray[np.float64]
Range = tuple[float, float]

#: A constant of at least this many points shows as one; what is faster follows the power at once.
SHORTEST_POINTS = 0.4
#: A second constant is another one only if it is so many times faster.
APART = 1.5
#: Two points of the grid whose evidence differs by more than this factor's logarithm: the worse one does not count.
NEGLIGIBLE = 14.0
#: What amplitudes may be, as multiples of the highest rise seen, and at least in kelvin.
SCALE, LEAST_SCALE_K = 1.5, 5.0
#: What may have been there before the start, or stand all the time, in kelvin.
BEFORE_K = 10.0
#: Points of the grid.
SLOW_STEPS, FAST_STEPS = 32, 16
#: No thermometer of a bench is better than that from sample to sample.
LEAST_NOISE_K = 1e-3


@dataclass(frozen=True, eq=False)
class Family:
    """All candidates of one make on a grid: c of them, each with q linear amplitudes."""

    #: Shape (c, constants), the slowest last, the share that follows at once as 0.
    tau_s: Floats
    #: Shape (c,): logarithm of prior times evidence.
    log_weight: Floats
    #: Means and covariances: responses as `tau_s`, then what cools, then what stands. (c, q) and (c, q, q).
    mean_k: Floats
    covariance: Floats
    #: Residuals of the best candidate, shape (p,).
    residual_k: Floats

    @property
    def is_double(self) -> bool:
        """Whether it has two constants beside the share that follows at once."""
        return int(np.count_nonzero(self.tau_s[0])) > 1

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
    """One constant, one and a share at once, two constants, two and a share at once; each on its ranges."""
    families = []
    for second, (fast_range, slow_range) in zip((False, True), ranges, strict=True):
        slow = np.exp(np.linspace(*slow_range, SLOW_STEPS))
        fast = np.exp(np.linspace(*fast_range, FAST_STEPS)) if second else np.zeros(0)
        tau = np.concatenate([[0.0], fast, slow])
        cooling = np.exp(-(points.time_s[:, None] - points.from_s[0]) / slow)
        columns = np.hstack([mean_responses(points, power, tau), cooling, np.ones((points.time_s.size, 1))])
        cell = (slow_range[1] - slow_range[0]) / (SLOW_STEPS - 1) / (whole[1] - whole[0])
        f, s = np.zeros(SLOW_STEPS, dtype=np.int64), np.arange(SLOW_STEPS)
        if second:
            f, s = (grid.ravel() for grid in np.meshgrid(np.arange(FAST_STEPS), s, indexing="ij"))
            apart = fast[f] * APART < slow[s]
            f, s = f[apart], s[apart]
            cell *= (fast_range[1] - fast_range[0]) / (FAST_STEPS - 1) / (whole[1] - whole[0])
        for prompt in (False, True):
            picked = [*([np.zeros_like(s)] if prompt else []), *([1 + f] if second else []), 1 + fast.size + s]
            index = np.stack([*picked, 1 + fast.size + SLOW_STEPS + s, np.full_like(s, columns.shape[1] - 1)], axis=1)
            families.append(_weigh(points, columns, index, tau, len(picked), noise_k, math.log(cell)))
    return families


def _weigh(
    points: Points, columns: Floats, index: NDArray[np.int64], tau: Floats, constants: int, noise_k: float, prior: float
) -> Family:
    """Amplitudes and evidence of candidates, each of which picks some of the columns; shapes (p, m), (c, q)."""
    scale_k = max(LEAST_SCALE_K, SCALE * float(np.max(np.abs(points.rise_k))))
    weighted = columns * (points.root_weight / noise_k)[:, None]
    y = points.rise_k * points.root_weight / noise_k
    gram, product = weighted.T @ weighted, weighted.T @ y
    expected = np.full(index.shape[1], scale_k)
    expected[constants:] = BEFORE_K
    precision = gram[index[:, :, None], index[:, None, :]] + np.diag(expected**-2)
    b = product[index]
    covariance: Floats = np.asarray(np.linalg.inv(precision), np.float64)
    mean: Floats = np.einsum("cij,cj->ci", covariance, b)
    log_evidence = 0.5 * np.einsum("ci,ci->c", b, mean) - 0.5 * np.linalg.slogdet(precision)[1]
    log_evidence = log_evidence - np.sum(np.log(expected)) + prior
    tau_s = tau[index[:, :constants]]
    log_weight = log_evidence + _plausible(mean, covariance, tau_s)
    best = int(np.argmax(log_weight))
    residual: Floats = points.rise_k - columns[:, index[best]] @ mean[best]
    return Family(tau_s, log_weight, mean, covariance, residual)


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
    return np.asarray(special.log_ndtr(slow / u_slow) + special.log_ndtr(start / u_start))


def range_of(families: list[Family], whole: Range) -> tuple[Range, Range]:
    """Where the constants of these families are that count: of the fast one and of the slow one, as logarithms."""
    found = []
    for from_end in (2, 1):
        low, high = math.inf, -math.inf
        for family in families:
            real = family.tau_s[:, -from_end] if family.tau_s.shape[1] >= from_end else np.zeros(0)
            if not real.size or not np.any(real > 0):
                continue
            tau = np.log(real)
            counts = family.log_weight > family.log_weight.max() - NEGLIGIBLE
            step = float(np.min(np.diff(np.unique(tau)), initial=1.0))
            low, high = min(low, float(tau[counts].min()) - step), max(high, float(tau[counts].max()) + step)
        found.append((max(low, whole[0]), min(high, whole[1])) if low < high else whole)
    return found[0], found[1]


def noise_of(best: Family, points: Points) -> tuple[float, float]:
    """Noise of a point as if the points were independent, and the correlation of neighbours that makes it larger.

    n samples of a first-order autoregressive noise are worth n (1 - r) / (1 + r) independent ones in a mean.
    """
    r = best.residual_k * points.root_weight
    freedom = max(r.size - best.mean_k.shape[1] - best.tau_s.shape[1], 5)
    sigma = float(np.sqrt(r @ r / freedom))
    lag_one = float(r[1:] @ r[:-1] / max(float(r @ r), 1e-30))
    # Fitting takes correlation out of residuals: about as much as the number of parameters over that of points.
    lag_one = min(max(lag_one + best.mean_k.shape[1] / r.size, 0.0), 0.95)
    return max(sigma * math.sqrt((1 + lag_one) / (1 - lag_one)), LEAST_NOISE_K), lag_one
