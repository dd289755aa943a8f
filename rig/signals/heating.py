"""How a place warms up: first-order responses, the predicted steady state with its uncertainty, the rate of rise.

The rise over ambient is taken as a sum of first-order responses to the heating power, with one or two time constants,
a share that follows the power at once (a coil seen by a sensor of minutes), what was there before and cools away, and
what stands all the time (an amplifier's idle heat, two sensors that disagree). For given time constants all the rest
is linear. So the time constants are laid out on a grid, the amplitudes are solved for at each of its points, and every
point counts by how well it fits: the answer is a mean over all that could have given the samples, and its uncertainty
holds that one constant may do or two be needed, and that a slow one may have hardly begun to show.

References
----------
G. H. Golub and V. Pereyra, "The Differentiation of Pseudo-Inverses and Nonlinear Least Squares Problems Whose
Variables Separate", SIAM J. Numer. Anal. 10 (1973): linear amplitudes drop out of the search.
K. P. Burnham and D. R. Anderson, "Model Selection and Multimodel Inference" (2002): averaging by Akaike's weights.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import scipy

from rig.signals.arrays import Floats
from rig.signals.heat_grid import SHORTEST_POINTS, Family, families_on, noise_of, range_of
from rig.signals.heat_response import (
    LEAST_POINTS,
    NotEnough,
    Points,
    Power,
    coarse,
    first_order_response,
    points_of,
)

#: The longest time constant that is held possible: the air and the walls of a box. Where the samples speak for one so
#: long, the uncertainty is infinite (our choice; tests/benchmarks/heat_prediction.py).
LONGEST_S = 5400.0
#: A share of the weight so large in the slowest part of the grid: there may be as much beyond it. It matters if it
#: moves the mean by such a part of its uncertainty, and by so many kelvin (our choice;
#: tests/benchmarks/heat_prediction.py).
EDGE, EDGE_SHARE, EDGE_SHIFT, EDGE_K = 1.25, 0.15, 0.1, 0.05
#: No unit has just one or two constants: what is still to come is known to this part at best. It is counted from the
#: mean of the last points (our choice; tests/benchmarks/heat_prediction.py).
EXTRAPOLATED, LAST_POINTS = 0.2, 10
#: Candidates of less weight are not kept; numerical.
NO_WEIGHT = 1e-7


@dataclass(frozen=True, eq=False)
class HeatFit:
    """What the samples say about where the rise is going."""

    #: Of the most probable model, fastest first; 0: faster than the samples show.
    time_constants_s: tuple[float, ...]
    #: Of the most probable model, in kelvin at the programme's power, one for each time constant.
    amplitudes_k: tuple[float, ...]
    #: Over ambient, at the programme's power, when all has settled: mean over all that is possible.
    steady_k: float
    #: Standard uncertainty (k = 1); infinite when a constant may be longer than can be seen.
    steady_u_k: float
    #: Standard deviation of the samples (as fitted, averaged or not) about the most probable model.
    residual_k: float
    #: Of neighbouring residuals; the uncertainty knows it.
    autocorrelation: float
    #: Points fitted.
    points: int
    #: Probability that two constants are needed beside what follows at once.
    two_constants: float
    #: What is possible: probability, steady rise and its standard uncertainty, each of shape (c,).
    weight: Floats
    candidate_k: Floats
    candidate_u_k: Floats
    #: The mean over all that is possible, as responses (time constant, kelvin) of shape (r, 2), ...
    responses: Floats
    #: ... as what cools away from `began_s` on, in the same way, of shape (d, 2), and what always stands.
    cooling: Floats
    standing_k: float
    began_s: float

    def probability_below(self, rise_k: float) -> float:
        """Probability that the steady rise is below this."""
        away = (rise_k - self.candidate_k) / self.candidate_u_k
        return float(np.sum(self.weight * scipy.special.ndtr(away)))

    def between(self, confidence: float = 0.95) -> tuple[float, float]:
        """Where the steady rise is with this probability, as much being left below as above; in kelvin."""
        if not math.isfinite(self.steady_u_k):
            return -math.inf, math.inf
        tail = (1 - confidence) / 2
        return self._quantile(tail), self._quantile(1 - tail)

    def _quantile(self, share: float) -> float:
        low = float(np.min(self.candidate_k - 8 * self.candidate_u_k))
        high = float(np.max(self.candidate_k + 8 * self.candidate_u_k))
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if self.probability_below(middle) < share else (low, middle)
        return (low + high) / 2


def fit_rise(
    time_s: Floats,
    rise_k: Floats,
    power: Power,
    ambient_celsius: Floats | None = None,
) -> HeatFit:
    """Fit a rise over ambient under a known power, and say where it leads.

    Parameters
    ----------
    time_s : array of shape (n,), ascending
        May have gaps.
    rise_k : array of shape (n,)
        Samples that are not finite are left out.
    power : Power
        From before the first sample on, gaps included.
    ambient_celsius : array of shape (n,), optional
        With it the fit knows that a place follows a change of ambient late, with its own time constants.

    Returns
    -------
    HeatFit

    Raises
    ------
    NotEnough
        If fewer than `LEAST_POINTS` finite samples lie behind the first power of the programme.
    ValueError
        If the shapes disagree or the times do not ascend.
    """
    points = points_of(time_s, rise_k, ambient_celsius)
    if np.count_nonzero(power.at(points.time_s) > 0.5) < LEAST_POINTS:
        raise NotEnough(f"fewer than {LEAST_POINTS} samples with the programme playing")
    power = coarse(power, points)
    step = float(np.median(np.diff(points.time_s)))
    shortest_s = max(SHORTEST_POINTS * step, 1.0)
    whole = (math.log(shortest_s), math.log(max(LONGEST_S, 4 * shortest_s)))
    noise_k = max(float(np.sqrt(np.mean(np.diff(points.rise_k) ** 2) / 2)), points.step_noise_k)
    families = families_on(points, power, noise_k, whole, [(whole, whole)] * 2)
    raw_k, correlation = points.rise_k, 0.0
    for _ in range(2):
        if ambient_celsius is not None:
            responses = _mixed(families, _weights(families))[0]
            points = replace(points, rise_k=raw_k + _lag_k(points, responses))
        noise_k, correlation = noise_of(_best(families), points)
        # The makes with one constant, and those with two, each on a grid about what counts.
        ranges = [range_of([f for f in families if f.is_double == double], whole) for double in (False, True)]
        families = families_on(points, power, noise_k, whole, ranges)
    return _summary(families, points, correlation, math.exp(whole[1]))


def predict(fit: HeatFit, time_s: Floats, power: Power) -> Floats:
    """Rise over ambient in kelvin by the fit, shape (n,), for a power whose past is that of the fit.

    Parameters
    ----------
    fit : HeatFit
    time_s : array of shape (n,), ascending
    power : Power
        From before the first sample on.
    """
    driven = first_order_response(time_s, power, fit.responses[:, 0]) @ fit.responses[:, 1]
    since_s = np.maximum(time_s - fit.began_s, 0.0)
    cooling = np.exp(-since_s[:, None] / fit.cooling[None, :, 0]) @ fit.cooling[:, 1]
    return np.asarray(driven + cooling + fit.standing_k)


def settled(fit: HeatFit, limit_k: float, confidence: float = 0.99) -> Literal["inside", "outside", "open"]:
    """Whether the predicted steady rise is beyond doubt on one side of a limit."""
    below = fit.probability_below(limit_k)
    if below >= confidence and math.isfinite(fit.steady_u_k):
        return "inside"
    # Constants too long to be seen can only make it hotter: outside needs no finite uncertainty.
    return "outside" if below <= 1 - confidence else "open"


def rate_k_per_min(time_s: Floats, celsius: Floats, over_s: float = 60.0) -> tuple[float, float]:
    """Rate of rise over the last `over_s` seconds by least squares, and its standard uncertainty, in K/min.

    Samples that are not finite are left out. The uncertainty takes the residuals as independent.

    Raises
    ------
    NotEnough
        If fewer than four samples lie in that time, or they span less than half of it.
    """
    recent = np.isfinite(celsius) & (time_s > time_s[-1:].max(initial=-math.inf) - over_s)
    t, y = time_s[recent] / 60, celsius[recent]
    if t.size < 4 or np.ptp(t) < over_s / 120:
        raise NotEnough(f"{t.size} samples in the last {over_s:g} s; four over half that time are needed")
    t = t - t.mean()
    slope = float(t @ y / (t @ t))
    residual = y - y.mean() - slope * t
    return slope, float(np.sqrt(residual @ residual / (t.size - 2) / (t @ t)))


def _best(families: list[Family]) -> Family:
    return max(families, key=lambda family: family.log_family)


def _weights(families: list[Family]) -> Floats:
    """Probability of every candidate of all families, one after the other."""
    weight = np.exp(np.concatenate([family.log_weight for family in families]) - _best(families).log_family)
    return np.asarray(weight / weight.sum())


def _lag_k(points: Points, responses: Floats) -> Floats:
    """How much higher the rise would be had ambient been as it is now for long, shape (p,)."""
    tau, share = responses[:, 0], np.maximum(responses[:, 1], 0.0)
    ambient = points.ambient_celsius - points.ambient_celsius[0]
    # Between points ambient is taken as that of the later one.
    stays = np.exp(-np.diff(points.time_s, prepend=points.time_s[0])[:, None] / np.maximum(tau, 1e-3))
    followed = np.zeros(tau.size)
    lag = np.zeros(ambient.size)
    for n in range(ambient.size):
        followed = stays[n] * followed + (1 - stays[n]) * ambient[n]
        lag[n] = ambient[n] - followed @ share / max(float(share.sum()), 1e-9)
    return lag


def _summary(families: list[Family], points: Points, correlation: float, longest_s: float) -> HeatFit:
    best, weight = _best(families), _weights(families)
    mean = np.concatenate([family.steady_k for family in families])
    sd = np.concatenate([family.steady_u_k for family in families])
    seen_k = float(np.mean(points.rise_k[-LAST_POINTS:]))
    sd = np.hypot(sd, EXTRAPOLATED * np.abs(mean - seen_k))
    slow = np.concatenate([family.tau_s[:, -1] for family in families])
    two = np.concatenate([np.full(family.log_weight.size, family.is_double) for family in families])
    steady = float(weight @ mean)
    spread = math.sqrt(float(weight @ (sd**2 + (mean - steady) ** 2)))
    edge = slow > longest_s / EDGE
    shift = float(weight[edge] @ np.abs(mean[edge] - steady))
    may_be_endless = weight[edge].sum() > EDGE_SHARE and shift > max(EDGE_SHIFT * spread, EDGE_K)
    top = int(np.argmax(best.log_weight))
    order = np.argsort(best.tau_s[top])
    counts = weight > NO_WEIGHT
    responses, cooling, standing = _mixed(families, weight)
    return HeatFit(
        time_constants_s=tuple(map(float, best.tau_s[top][order])),
        amplitudes_k=tuple(map(float, best.mean_k[top][order])),
        steady_k=steady,
        steady_u_k=math.inf if may_be_endless else spread,
        residual_k=float(np.std(best.residual_k)),
        autocorrelation=correlation,
        points=points.time_s.size,
        two_constants=float(weight[two].sum()),
        weight=weight[counts] / weight[counts].sum(),
        candidate_k=mean[counts],
        candidate_u_k=sd[counts],
        responses=responses,
        cooling=cooling,
        standing_k=standing,
        began_s=float(points.from_s[0]),
    )


def _mixed(families: list[Family], weight: Floats) -> tuple[Floats, Floats, float]:
    """The mean of all candidates as responses, as what cools, and as what stands."""
    responses, cooling, standing, at = [], [], 0.0, 0
    for family in families:
        constants = family.tau_s.shape[1]
        share = weight[at : at + family.log_weight.size, None] * family.mean_k
        at += family.log_weight.size
        responses.append(np.stack([family.tau_s.ravel(), share[:, :constants].ravel()], axis=1))
        cooling.append(np.stack([family.tau_s[:, -1], share[:, constants]], axis=1))
        standing += float(share[:, constants + 1].sum())
    return _merged(np.concatenate(responses)), _merged(np.concatenate(cooling)), standing


def _merged(parts: Floats) -> Floats:
    """Parts of the same time constant added up; shape (n, 2)."""
    tau, place = np.unique(parts[:, 0], return_inverse=True)
    return np.stack([tau, np.bincount(place, parts[:, 1])], axis=1)
