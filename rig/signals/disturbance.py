"""Noises that come while a sweep plays, told by what sounds between the responses of its harmonics.

In a capture divided by its sweep, order k stands at ``-L ln k`` and dies away from there on. What stands just before
it, at the frequencies of order k, is the tail of order k + 1; how much of that the room leaves is known from the tail
of the linear response. Steady noise is known from the silence before the sweep. What is more than both is a noise of
the moment, a door or a voice: it sounds in the window of the harmonic as well, and can pass for distortion.
"""

import math
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals import deconvolution
from rig.signals.arrays import Bools, Floats
from rig.signals.gating import frequency_responses
from rig.signals.kept import planned_length
from rig.signals.smoothing import smooth_power
from rig.signals.sweep import ExponentialSweep

#: Part of the gap between two orders' responses, at its end, that is looked at.
GAP_PART = deconvolution.PRE_PART
#: A noise of the moment has more than so many times the power of the next order's tail (6 dB) ... (our choice;
#: tests/benchmarks/outside_noises.py)
OVER_TAIL = 4.0
#: ... and than so many times that of the steady noise (12 dB) (our choice; tests/benchmarks/outside_noises.py).
OVER_NOISE = 15.0
#: A noise that stands in so many orders at one time is believed to be in all of them (our choice;
#: tests/benchmarks/outside_noises.py).
AT_ONCE = 3
#: A noise of the moment may be so many times stronger at one frequency, or a moment later, than where it is seen (our
#: choice; tests/benchmarks/outside_noises.py).
UNEVEN = 10.0
#: Two estimates of one steady noise lie so far apart as rarely as this at one frequency (our choice;
#: tests/benchmarks/outside_noises.py).
BY_CHANCE = 1e-4
BEFORE_ARRIVAL_S = 0.002
#: Of the time between the second harmonic and the linear response, at its end, that is looked at (our choice;
#: tests/benchmarks/outside_noises.py).
SECOND_HARMONIC_PART = 0.5
#: Width of a third of an octave, in parts of its middle frequency; by definition.
THIRD = math.log(2) / 3
#: Points of the grid over which powers are averaged; numerical.
SMOOTHED = 5


def noise_of_the_moment(
    response: NDArray[np.floating],
    sent: ExponentialSweep,
    frequency_hz: Floats,
    delay_s: float,
    *,
    power: Floats,
    noise: Floats,
    after_s: float,
) -> Floats:
    """What noises of the moment give in the window of each harmonic.

    Parameters
    ----------
    response : ndarray, shape (frames,)
        Periodic response to the analytic sweep, from `deconvolution.periodic_response`.
    sent : ExponentialSweep
        What was played.
    frequency_hz : ndarray, shape (frequencies,)
        Ascending frequencies of the fundamental, evenly spaced in octaves.
    delay_s : float
        Delay of the linear response.
    power : ndarray, shape (orders, frequencies)
        Squared magnitudes of orders 1, 2, 3 and so on from `deconvolution.harmonics_in`; NaN outside the sweep. The
        last one is needed to judge the one before.
    noise : ndarray, shape (orders - 2, frequencies)
        What steady noise gives in the windows of orders 2 and up, but for the last.
    after_s : float
        As given to `deconvolution.harmonics_in`.

    Returns
    -------
    ndarray, shape (orders - 2, frequencies)
        Squared magnitude in the windows of orders 2 and up, but for the last; 0 where only steady noise is heard.
    """
    orders = range(2, power.shape[0])
    whole = round(delay_s * sent.sample_rate_hz)
    between, left = np.zeros(noise.shape), np.zeros(noise.shape)
    inside = np.isfinite(noise)
    # Each order's own frequencies, and its last one in place of those that lie outside the sweep.
    known = np.flatnonzero(inside.any(axis=1))
    if known.size:
        own = np.multiply.outer(known + 2.0, frequency_hz)
        at_hz = np.where(inside[known], own, np.max(np.where(inside[known], own, 0.0), axis=1, keepdims=True))
        between[known], tail = _gap_and_tail(response, sent, tuple(known + 2), whole, at_hz, after_s)
        following = [_at(at / (n + 3), frequency_hz, power[n + 2]) for n, at in zip(known, at_hz, strict=True)]
        left[known] = following * tail / _at(at_hz, frequency_hz, power[0])
    between = _smooth(np.where(inside, between, 0.0))
    seen = inside & (between > OVER_TAIL * _smooth(left) + OVER_NOISE * np.where(inside, noise, 0.0))
    seen |= np.count_nonzero(_widened(seen), axis=0) >= AT_ONCE
    if not seen.any():
        return np.zeros(noise.shape)
    visible = np.where(seen, between, 0.0)
    return UNEVEN * np.stack([_within_reach(visible[n], order, frequency_hz) for n, order in enumerate(orders)])


def noise_before(
    impulse: Floats,
    sent: ExponentialSweep,
    arrival_s: float,
    frequency_hz: Floats,
    steady: Floats,
    silence_s: float = math.inf,
) -> Floats:
    """What a noise of the moment gives in a response, told from what stands just before the sound arrives.

    Nothing of the unit stands there: its linear response comes later, its second harmonic is over. What does was heard
    while the sweep was a little lower than it, and what is heard at one such time is behind the arrival as well.

    Parameters
    ----------
    impulse : ndarray, shape (frames,)
        Impulse response.
    sample_rate_hz, arrival_s : float
        Sample rate in Hz, and when the sound begins, in seconds from the first frame.
    rate_s : float
        `sweep.sweep_rate_s`.
    frequency_hz : ndarray, shape (frequencies,)
        Ascending.
    steady : ndarray, shape (frequencies,)
        Squared magnitude that steady noise gives through a window of one frame.
    silence_s : float
        Length of the silence that it was estimated from in sixths of an octave; infinite: it is known.

    Returns
    -------
    ndarray, shape (frequencies,)
        Squared magnitude through a window of one frame; 0 where only steady noise is heard, or nothing can be told.
    """
    sample_rate_hz = sent.sample_rate_hz
    ends = round((arrival_s - BEFORE_ARRIVAL_S) * sample_rate_hz)
    frames = min(ends, round(SECOND_HARMONIC_PART * sent.rate_s * math.log(2) * sample_rate_hz))
    lowest_hz = sample_rate_hz / (THIRD * max(frames, 1))
    if frames < 8 or lowest_hz > frequency_hz[-1]:
        return np.zeros(frequency_hz.shape)
    (window, energy), length = _hanning(frames), planned_length(4 * frames)
    spectrum = scipy.fft.rfft(impulse[ends - frames : ends] * window, length)[1:]
    power = (spectrum.real**2 + spectrum.imag**2) / energy
    fine_hz = np.arange(1, power.size + 1) * (sample_rate_hz / length)
    smoothed = smooth_power(power, fine_hz, frequency_hz, 3)
    may_be = (frequency_hz >= lowest_hz) & (smoothed > OVER_NOISE * steady)
    if not may_be.any():
        return np.zeros(frequency_hz.shape)
    least = np.maximum(OVER_NOISE, _largest_ratio(frequency_hz, frames / sample_rate_hz, silence_s))
    seen = np.where(may_be & (smoothed > least * steady), smoothed, 0.0)
    near = np.abs(np.log(np.divide.outer(frequency_hz, frequency_hz))) < THIRD
    return np.asarray(UNEVEN * np.max(np.where(near, seen, 0.0), axis=1))


def _largest_ratio(frequency_hz: Floats, window_s: float, silence_s: float) -> Floats:
    """Ratio of two estimates of one noise that only `BY_CHANCE` exceeds: of third octaves, and of sixths of a silence.

    A band of B Hz over T seconds has 2 B T degrees of freedom, two at the least; the ratio of two such estimates is
    F-distributed (J. S. Bendat and A. G. Piersol, "Random Data", from memory).
    """
    thirds, sixths = (frequency_hz * (2 ** (1 / n) - 2 ** (-1 / n)) for n in (6, 12))
    ours = np.maximum(2.0, 2 * thirds * window_s)
    # Windowed segments use about half of a short silence.
    its = np.clip(sixths * silence_s, 2.0, 1e9)
    return np.asarray(scipy.special.fdtri(ours, its, 1 - BY_CHANCE))


def _gap_and_tail(
    response: NDArray[np.floating],
    sent: ExponentialSweep,
    orders: tuple[int, ...],
    whole: int,
    at_hz: Floats,
    after_s: float,
) -> tuple[Floats, Floats]:
    """Power just before harmonics, and of the linear response as late after its own beginning, as `at_hz` in shape.

    Both are of a window as long as the harmonic's own.
    """
    rate_s, rate_hz, pieces, longer = sent.rate_s, sent.sample_rate_hz, [], []
    for order in orders:
        gap_s = rate_s * math.log((order + 1) / order)
        window, energy = _hanning(round(GAP_PART * gap_s * rate_hz) + 2)
        longer.append(deconvolution.harmonic_gain(order, sent, after_s) / energy)
        for first_s in (-rate_s * math.log(order) - GAP_PART * gap_s, (1 - GAP_PART) * gap_s):
            piece = deconvolution.cut(response, -whole - round(first_s * rate_hz), window.size)
            pieces.append(np.multiply(piece, window, out=piece, casting="same_kind"))
    both_hz = np.repeat(at_hz, 2, axis=0)
    # Between the lines of a transform least is lost of what lies in the middle of a window.
    middle_s = np.array([each.size / 2 / rate_hz for each in pieces])
    found = frequency_responses(pieces, rate_hz, both_hz, middle_s)
    limit = np.abs(deconvolution.band_limit_at(at_hz, sent)) ** 2
    scale = np.array(longer)[:, np.newaxis] / limit
    return np.abs(found[::2]) ** 2 * scale, np.abs(found[1::2]) ** 2 * scale


@lru_cache(maxsize=32)
def _hanning(frames: int) -> tuple[Floats, float]:
    """Window, and the sum of its squares."""
    window = np.hanning(frames)
    return window, float(np.sum(window**2))


def _at(wanted_hz: Floats, frequency_hz: Floats, power: Floats) -> Floats:
    """Power between the points of a grid; 0 where it is nowhere known."""
    known = np.isfinite(power) & (power > 0)
    if not known.any():
        return np.zeros(wanted_hz.shape)
    level = np.interp(np.log(wanted_hz), np.log(frequency_hz[known]), np.log(power[known]))
    return np.asarray(np.exp(level))


def _smooth(power: Floats) -> Floats:
    """Mean over neighbours along the last axis."""
    reach = np.arange(SMOOTHED) - SMOOTHED // 2
    near = np.clip(np.add.outer(reach, np.arange(power.shape[-1])), 0, power.shape[-1] - 1)
    return np.asarray(np.mean(power[..., near], axis=-2))


def _widened(seen: Bools) -> Bools:
    """True at points and their neighbours."""
    wide = seen.copy()
    wide[:, 1:] |= seen[:, :-1]
    wide[:, :-1] |= seen[:, 1:]
    return wide


def _within_reach(power: Floats, order: int, frequency_hz: Floats) -> Floats:
    """Greatest power among the fundamentals that the sweep passes within the harmonic's window."""
    return np.asarray(np.max(np.where(_reach(order, frequency_hz), power, 0.0), axis=1))


def _reach(order: int, frequency_hz: Floats) -> Bools:
    """Whether what is heard at one fundamental (column) is within the window of another (row)."""
    ratio = np.divide.outer(frequency_hz, frequency_hz).T
    up = (order + 1) / order
    down = order / (order - 1)
    # The window reaches from before the harmonic to some time after it, and what is looked at lies before it as well.
    reach: Bools = ratio >= 0.999 * up**-GAP_PART
    reach &= ratio <= 1.001 * down ** (1 - GAP_PART) * up**GAP_PART
    return reach
