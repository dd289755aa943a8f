"""Standard uncertainties of what is read from captures: arrays in, arrays out.

Clauses are those of the GUM, JCGM 100:2008. All are standard uncertainties (k = 1). Noise is told from the silence of
the same capture (Type A, 4.2); what was not measured is told from bounds (Type B, 4.3).
"""

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.kept import kept_by_value

#: Decibels for a small relative change of an amplitude: the sensitivity coefficient of a level (5.1.3); by definition.
DB_PER_PART = 20 / math.log(10)
#: The same for a small relative change of a power; by definition.
DB_PER_POWER_PART = 10 / math.log(10)
#: Integral of the squared window of `gating.gate` on one side of the arrival, over its length there: flat over half of
#: it, half a cosine over the other; by definition.
SQUARED_GATE = 0.5 + 0.5 * 3 / 8
#: Width of a sixth of an octave over its frequency: so the density of the noise of a response is averaged; by
#: definition.
SIXTH = 2 ** (1 / 12) - 2 ** (-1 / 12)
#: Of what a fit to a response leaves so many points in an octave are its own: features of 1/6 octave, as edges and
#: rooms make them (common practice, no source).
INDEPENDENT_PER_OCTAVE = 6.0
#: Standard deviation of the standard extreme-value distribution; by definition.
EXTREME_VALUE = math.pi / math.sqrt(6)


def combined(*parts: ArrayLike) -> Floats:
    """Root of the sum of squares of uncorrelated parts that all count in the unit of the result (5.1.2); any shape.

    NaN where a part is not known.
    """
    total = np.zeros(())
    for part in parts:
        total = np.hypot(total, np.asarray(part, np.float64))
    return np.asarray(total)


def from_bounds(half_width: ArrayLike) -> Floats:
    """Of what lies anywhere between minus and plus a bound, evenly: the bound over the root of three (4.3.7)."""
    return np.asarray(np.asarray(half_width, np.float64) / math.sqrt(3))


def level_noise_db(power: ArrayLike, noise_power: ArrayLike) -> Floats:
    """Of the level of a response, from noise at random phase beside it.

    A response H with noise n of mean square N beside it has the squared magnitude ``|H|**2 + 2 Re(H* n) + |n|**2``, of
    variance ``2 |H|**2 N + N**2``; times the sensitivity coefficient of a level (5.1.2, 5.1.3). Its mean is too great
    by N; that is not taken off, so it is added as if it were uncertain (F.2.4.5). 0.19 dB at 30 dB, 2.0 dB at 10 dB.

    Parameters
    ----------
    power, noise_power : array_like, broadcast together
        Squared magnitude as measured, and what noise alone would give.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.asarray(noise_power, np.float64) / np.asarray(power, np.float64)
    return np.asarray(DB_PER_POWER_PART * np.sqrt(2 * part + 2 * part**2))


def sum_level_noise_db(power: ArrayLike, noise_power: ArrayLike) -> Floats:
    """As `level_noise_db`, of the sum of squared magnitudes over the first axis, in uncorrelated noises."""
    powers, noise = np.asarray(power, np.float64), np.asarray(noise_power, np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        scattered = DB_PER_POWER_PART * np.sqrt(2 * noise / powers + (noise / powers) ** 2)
        too_great = DB_PER_POWER_PART * np.nansum(noise, axis=0) / np.nansum(powers, axis=0)
    return combined(sum_of_powers_db(powers, scattered), too_great)


@kept_by_value(64)
def left_by_smoothing(width_hz: ArrayLike, before_s: float, after_s: float) -> Floats:
    """Part of `level_noise_db` that is left when the squared magnitude is averaged over a width.

    Averaging a response over the width B weighs what is about its arrival with ``sin(pi B t) / (pi B t)``: noise
    further away than 1 / B is averaged out. Of the noise in a gate there is left

        sqrt((F(B before) + F(B after)) / (B (before + after))),  F(x) = (Si(2 pi x) - sin(pi x)**2 / (pi x)) / pi,

    F(x) being the integral of ``(sin(pi y) / (pi y))**2`` from 0 to x. It tends to 1 for a width below the gate's own
    resolution and to ``1 / sqrt(B T)`` for B T independent values within the width.

    Parameters
    ----------
    width_hz : array_like
        Width B; 0 where nothing is averaged.
    before_s, after_s : float
        Length of the gate to both sides of the arrival, as the integral of its squared window.
    """
    # So little that all is left, and no difference of next to nothing is taken.
    width = np.maximum(np.asarray(width_hz, np.float64), 1e-3 / (before_s + after_s))

    def upto(x: Floats) -> Floats:
        y = np.maximum(np.pi * x, 1e-9)
        return np.asarray((scipy.special.sici(2 * y)[0] - np.sin(y) ** 2 / y) / np.pi)

    part = (upto(width * before_s) + upto(width * after_s)) / (width * (before_s + after_s))
    return np.asarray(np.sqrt(np.minimum(part, 1.0)))


@kept_by_value(64)
def smoothing_width_hz(frequency_hz: ArrayLike, start_hz: float, stop_hz: float, fraction: float) -> Floats:
    """Width that `smoothing.smooth_power` averages over, which shrinks towards both ends of the data."""
    frequency = np.asarray(frequency_hz, np.float64)
    ends = np.minimum(np.log(frequency / start_hz), np.log(stop_hz / frequency))
    half = np.minimum(0.5 * math.log(2) / fraction, np.maximum(ends, 0.0))
    return np.asarray(2 * frequency * np.sinh(half))


def mean_level_noise_db(noise_db: ArrayLike, frequency_hz: ArrayLike, gate_s: float, fraction: float) -> float:
    """Of a mean of smoothed levels over the logarithm of frequency, each uncertain from noise by `noise_db`.

    Levels nearer to each other than the smoothing or the gate's resolution 1 / T go together; others are uncorrelated,
    and the variance of the mean is the sum of theirs, weighted (5.1.2): ``integral of u(f)**2 c(f) d ln f / L**2`` over
    a band of length L, with ``c = max(ln 2 / fraction, 1 / (f T))``, L at most.

    Parameters
    ----------
    noise_db, frequency_hz : array_like, shape (frequencies,)
        Two or more, frequencies ascending.
    gate_s : float
        Length of the gate, as the integral of its squared window.
    fraction : float
        Smoothing in parts of an octave.
    """
    frequency, noise = np.asarray(frequency_hz, np.float64), np.asarray(noise_db, np.float64)
    at = np.log(frequency)
    length = float(at[-1] - at[0])
    go_together = np.minimum(length, np.maximum(math.log(2) / fraction, 1 / (frequency * gate_s)))
    return math.sqrt(float(np.trapezoid(noise**2 * go_together, at))) / length


def mean_power_noise_db(power: ArrayLike, noise_power: ArrayLike, frequency_hz: ArrayLike, gate_s: float) -> float:
    """Of the level of a mean of squared magnitudes over a grid of frequencies, from the noise in each.

    As `level_noise_db`, the variances of uncorrelated lines adding up (5.1.2); of lines nearer to each other than the
    gate's resolution so many count as one.

    Parameters
    ----------
    power, noise_power, frequency_hz : array_like, shape (frequencies,)
        Squared magnitudes as measured, what noise alone would give, and their ascending frequencies.
    gate_s : float
        Length of the gate, as the integral of its squared window.
    """
    squares, noise = np.asarray(power, np.float64), np.asarray(noise_power, np.float64)
    go_together = np.maximum(1.0, 1 / (np.gradient(np.asarray(frequency_hz, np.float64)) * gate_s))
    variance = np.sum((2 * squares * noise + noise**2) * np.minimum(go_together, squares.size))
    return DB_PER_POWER_PART * math.sqrt(float(variance)) / float(np.sum(squares))


def noise_level_db(width_hz: ArrayLike, seconds: ArrayLike) -> Floats:
    """Of the level of noise in a band, measured for a time: how much it varies from one time to the next.

    The power of Gaussian noise in a band B over a time T has the relative variance 1 / (B T) (Bendat and Piersol,
    Random Data, 8.5.1 (from memory)).

    Parameters
    ----------
    width_hz, seconds : array_like, broadcast together
        Width of each band, and length of the recording.
    """
    values = np.asarray(width_hz, np.float64) * np.asarray(seconds, np.float64)
    return np.asarray(DB_PER_POWER_PART / np.sqrt(np.maximum(1.0, values)))


def mean_square_without_noise(value: ArrayLike, noise: ArrayLike, noise_known: ArrayLike) -> tuple[float, float]:
    """Mean square of values that stand in noise, less what the noise adds to it, and its standard uncertainty.

    A value t with normal noise of variance v beside it has a square of mean ``t**2 + v`` and variance
    ``4 t**2 v + 2 v**2`` (noncentral chi-square of one degree of freedom: Johnson, Kotz and Balakrishnan, Continuous
    Univariate Distributions 2, 1995, 29.4 (from memory)). The mean of v is a known effect and is taken off
    (JCGM 100:2008, 3.2.4); how well v itself is known counts for all values together (5.2.2, note 1).

    Parameters
    ----------
    value : array_like, shape (n,)
    noise : array_like, shape (n,)
        Standard uncertainty of each value from noise.
    noise_known : array_like, shape (n,)
        Relative standard uncertainty of the square of that.

    Returns
    -------
    square, uncertainty
        The square may come out below zero where there is little but noise.
    """
    squares, v = np.asarray(value, np.float64) ** 2, np.asarray(noise, np.float64) ** 2
    # 4 t**2 v + 2 v**2 is the mean of 4 value**2 v - 2 v**2; of noise alone it is no less than 2 v**2.
    scatter = max(float(np.sum(4 * squares * v - 2 * v**2)), float(np.sum(2 * v**2)))
    level = float(np.sum(v * np.asarray(noise_known, np.float64)))
    return float(np.mean(squares - v)), math.hypot(math.sqrt(scatter), level) / squares.size


def root_uncertainty(square: float, u_square: float) -> float:
    """Standard uncertainty of the root of a square that is not small beside its own uncertainty u.

    Half of how far the root reaches at k = 2, on the side on which it reaches further; ``u / (2 root)`` for small u
    (5.1.3).
    """
    return 0.5 * (math.sqrt(square) - math.sqrt(max(square - 2 * u_square, 0.0)))


@kept_by_value(64)
def of_few_values(width_hz: ArrayLike, silence_s: float) -> Floats:
    """Factor on a part from noise whose level was told from so few values that it is not known well itself.

    Student's t over the normal quantile, both at 95 %, so that k = 2 stays what it is (G.3.2 and G.4.1). Each of the
    values in a band over a time has two degrees of freedom; of a short silence a few windowed segments use about half.

    Parameters
    ----------
    width_hz : array_like
        Width of the band that the density of the noise was averaged over.
    silence_s : float
        Length of the silence.
    """
    degrees = np.maximum(2.0, np.asarray(width_hz, np.float64) * silence_s)
    return np.asarray(scipy.special.stdtrit(degrees, 0.975) / scipy.special.ndtri(0.975))


def sum_of_powers_db(power: ArrayLike, each_db: ArrayLike) -> Floats:
    """Of the level of a sum of powers over the first axis, whose levels are uncertain by `each_db`; NaN is left out.

    Uncorrelated parts, the sensitivity of the sum's level to each being its share of the sum (5.1.2, 5.1.3).

    Parameters
    ----------
    power, each_db : array_like, shape (parts, ...)
    """
    powers = np.asarray(power, np.float64)
    variance = np.nansum((powers * np.asarray(each_db, np.float64)) ** 2, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt(variance) / np.nansum(powers, axis=0))


def peak_noise_db(peak: ArrayLike, noise_rms: ArrayLike, values: ArrayLike, of_noise: bool) -> Floats:
    """Of the level of the greatest value of a residual, from noise.

    A peak that stands in noise is off by the noise at that moment. A peak that is nothing but the greatest of n values
    of noise varies less: by ``pi / sqrt(6) / sqrt(2 ln n)`` of the noise's RMS value (extreme values of the normal
    distribution: Cramer, Mathematical Methods of Statistics, 1946, 28.6 (from memory)).

    Parameters
    ----------
    peak, noise_rms, values : array_like, broadcast together
        Greatest value, RMS of the noise where it was found, and the number n of independent values that it is the
        greatest of.
    of_noise : bool
        Whether the peak is nothing but noise.
    """
    spread = EXTREME_VALUE / np.sqrt(2 * np.log(np.maximum(values, 3.0))) if of_noise else 1.0
    return np.asarray(DB_PER_PART * np.asarray(noise_rms, np.float64) * spread / np.asarray(peak, np.float64))


def evidence_scatter(evidence: float, is_found: bool) -> float:
    """How much evidence, -lg of the probability that noise alone gives as much, varies from capture to capture.

    In noise alone that probability is evenly distributed, -lg of it exponentially with the standard deviation
    ``1 / ln 10``. Of something that is there it is about ``z**2 / (2 ln 10)`` of a score z that noise moves by 1 (the
    tail of the normal distribution): ``z / ln 10 = sqrt(2 evidence / ln 10)`` (5.1.3). A bound: scores are clipped.
    """
    return math.sqrt(2 * max(evidence, 0.0) / math.log(10)) if is_found else 1 / math.log(10)


def coherence_scatter(coherence: float, count: float) -> float:
    """Of the resultant length R of the phases of so many impulses: ``(1 - R**2) / sqrt(2 count)``.

    For large numbers (Mardia and Jupp, Directional Statistics, 2000, 4.8 (from memory)).
    """
    return (1 - coherence**2) / math.sqrt(2 * max(count, 1.0))
