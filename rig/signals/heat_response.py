"""First-order responses to a heating power that changes in steps, and the samples that are compared with them."""

import math
from dataclasses import dataclass

import numpy as np

from rig.signals.arrays import Floats

#: Samples that are fitted; more are averaged into so many; numerical.
MOST_POINTS = 300
LEAST_POINTS = 20
#: No thermometer of a bench shows finer steps (our choice; tests/benchmarks/heat_prediction.py).
LEAST_STEP_K = 1e-4


class NotEnough(ValueError):
    """Too few samples, or too little of the programme, to say anything about where it leads."""


@dataclass(frozen=True, eq=False)
class Power:
    """Heating power over time, constant between its steps and zero before the first."""

    #: Shape (m,), ascending.
    from_s: Floats
    #: Relative to that of the programme at its level, shape (m,).
    part: Floats

    def __post_init__(self) -> None:
        if self.from_s.ndim != 1 or self.from_s.shape != self.part.shape or not self.from_s.size:
            raise ValueError(f"power: shapes {self.from_s.shape}, {self.part.shape}; allowed are two equal (m,), m > 0")
        if not (np.all(np.diff(self.from_s) > 0) and np.all(np.isfinite(self.from_s))):
            raise ValueError("power: from_s must ascend")
        if not (np.all(self.part >= 0) and np.all(np.isfinite(self.part))):
            raise ValueError("power: part must be finite and not below zero")

    def at(self, time_s: Floats) -> Floats:
        """Power just before each of the times, shape (n,)."""
        step = np.searchsorted(self.from_s, time_s, "left") - 1
        return np.where(step < 0, 0.0, self.part[step])


def power_of_rows(time_s: Floats, part: Floats, every_s: float) -> Power:
    """Power from the rows of a log, each of which speaks for the `every_s` before it; in a gap there is none.

    Parameters
    ----------
    time_s : array of shape (n,), ascending
    part : array of shape (n,)
        Power in each row, relative to the programme's: the square of the level's part. Where it is not finite it is
        taken as in the row before, and as none before the first.
    every_s : float
        Time from row to row; rows further apart than twice that have a gap between them.

    Raises
    ------
    ValueError
        If there is no row or the times do not ascend.
    """
    if not time_s.size:
        raise ValueError("power: there are no rows")
    began_s = np.concatenate([[time_s[0] - every_s], time_s[:-1]])
    gap = time_s - began_s > 2 * every_s
    # Behind a gap the row's own time is all that is known to have been played.
    last = np.maximum.accumulate(np.where(np.isfinite(part), np.arange(part.size), -1))
    power = np.where(last < 0, 0.0, part[last])
    from_s = np.concatenate([began_s, (time_s - every_s)[gap]])
    value = np.concatenate([np.where(gap, 0.0, power), power[gap]])
    order = np.argsort(from_s, kind="stable")
    from_s, value = from_s[order], value[order]
    new = np.concatenate([[True], np.diff(value) != 0])
    return Power(from_s[new], value[new])


def first_order_response(time_s: Floats, power: Power, tau_s: Floats) -> Floats:
    """Response of first-order lags to the power, each going to 1 at a power of 1; exact for power in steps.

    Parameters
    ----------
    time_s : array of shape (n,), ascending
    power : Power
    tau_s : array of shape (k,)
        Time constants; zero follows the power at once.

    Returns
    -------
    array of shape (n, k)
    """
    return _responses(time_s, power, tau_s)[np.searchsorted(knots_of(time_s, power), time_s)]


def knots_of(time_s: Floats, power: Power) -> Floats:
    """Every time at which something is asked for or changes, ascending."""
    return np.union1d(time_s, power.from_s)


def _responses(time_s: Floats, power: Power, tau_s: Floats) -> Floats:
    """Response at every sample and step of the power, shape (knots, k)."""
    knots = knots_of(time_s, power)
    part = power.at(knots)
    # Below a microsecond a lag follows at once.
    stays = np.exp(-np.diff(knots, prepend=knots[0] - 1)[:, None] / np.maximum(tau_s, 1e-6))
    gains = (1 - stays) * part[:, None]
    level = np.zeros((knots.size, tau_s.size))
    level[0] = np.where(tau_s > 0, 0.0, part[0])
    for n in range(1, knots.size):
        level[n] = stays[n] * level[n - 1] + gains[n]
    return level


@dataclass(frozen=True, eq=False)
class Points:
    """Samples, or means over neighbouring ones. All of shape (p,)."""

    time_s: Floats
    #: What each point is the mean over.
    from_s: Floats
    to_s: Floats
    rise_k: Floats
    ambient_celsius: Floats
    #: Square root of how many samples it holds, over the mean of that.
    root_weight: Floats
    #: Noise of a point that comes of the steps of the display alone.
    step_noise_k: float


def points_of(time_s: Floats, rise_k: Floats, ambient_celsius: Floats | None) -> Points:
    """Finite samples as points that are fitted, averaged where there are many; arrays of shape (n,), or no ambient.

    Raises
    ------
    NotEnough
        If there are too few.
    ValueError
        If the shapes disagree or the times do not ascend.
    """
    ambient = np.zeros_like(rise_k) if ambient_celsius is None else ambient_celsius
    if not time_s.ndim == 1 or not time_s.shape == rise_k.shape == ambient.shape:
        raise ValueError(f"shapes {time_s.shape}, {rise_k.shape}, {ambient.shape}; allowed are equal (n,)")
    if not np.all(np.diff(time_s) > 0):
        raise ValueError("times must be finite and ascend")
    there = np.isfinite(rise_k) & np.isfinite(ambient)
    t, y, ambient = time_s[there], rise_k[there], ambient[there]
    if t.size < LEAST_POINTS:
        raise NotEnough(f"{t.size} samples; {LEAST_POINTS} are needed")
    step = float(np.median(np.diff(t)))
    size = math.ceil(t.size / MOST_POINTS)
    # A point never reaches over a gap: its mean would not be that of the time between its ends.
    part = np.cumsum(np.diff(t, prepend=t[0]) > 2 * step)
    within = np.arange(t.size) - np.searchsorted(part, part)
    starts = np.flatnonzero(within % size == 0)
    count = np.diff(np.append(starts, t.size))
    stops = starts + count - 1

    def mean(x: Floats) -> Floats:
        return np.asarray(np.add.reduceat(x, starts) / count)

    joined = np.append(part[starts[1:]] == part[stops[:-1]], False)
    to_s = t[stops] + step / 2
    to_s[joined] = (t[stops[:-1]] + t[starts[1:]])[joined[:-1]] / 2
    from_s = np.append(t[0] - step / 2, np.where(joined[:-1], to_s[:-1], t[starts[1:]] - step / 2))
    moves = np.abs(np.diff(y))
    # A rise is the difference of two displays, each wrong by up to half a step.
    step_noise_k = float(np.min(moves[moves > LEAST_STEP_K], initial=1.0)) / math.sqrt(6 * size)
    return Points(mean(t), from_s, to_s, mean(y), mean(ambient), np.sqrt(count / count.mean()), step_noise_k)


def mean_responses(points: Points, power: Power, tau_s: Floats) -> Floats:
    """Response over each point's time, shape (p, k). From tau dy/dt = power - y: the mean of y needs only its ends."""
    ends = np.union1d(points.from_s, points.to_s)
    knots = knots_of(ends, power)
    level = _responses(ends, power, tau_s)
    fed = np.concatenate([[0.0], np.cumsum(power.at(knots)[1:] * np.diff(knots))])
    first, last = np.searchsorted(knots, points.from_s), np.searchsorted(knots, points.to_s)
    seconds = (points.to_s - points.from_s)[:, None]
    return np.asarray(((fed[last] - fed[first])[:, None] - tau_s * (level[last] - level[first])) / seconds)


def coarse(power: Power, points: Points) -> Power:
    """The power as its mean over each point and over each gap, where it has more steps than there are points."""
    if power.from_s.size <= points.time_s.size:
        return power
    ends = np.union1d(points.from_s, points.to_s)
    knots = knots_of(ends, power)
    fed = np.concatenate([[0.0], np.cumsum(power.at(knots)[1:] * np.diff(knots))])
    mean = np.diff(fed[np.searchsorted(knots, ends)]) / np.diff(ends)
    before = power.from_s < ends[0]
    return Power(np.append(power.from_s[before], ends[:-1]), np.append(power.part[before], mean))
