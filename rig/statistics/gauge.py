"""Gauge repeatability and reproducibility: how much of the spread of readings the measuring itself makes.

A study has several parts, measured by several appraisers (people or jigs), several times each. Analysis of variance
with random effects takes the spread of the readings apart; averages and ranges do it with pocket arithmetic.

Letters of the trade: EV equipment variation, AV appraiser variation, GRR both together, PV part variation, TV all.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from rig.statistics.ranges import range_moments

Floats = NDArray[np.float64]

#: The interaction is pooled with the repeatability when chance alone gives as much with at least this probability;
#: common practice, no source.
POOL_ABOVE = 0.25
CONFIDENCE = 0.95
#: Standard deviations that a gauge's spread is said to cover; common practice, no source.
WIDTH_SIGMA = 6.0
#: AIAG, Measurement Systems Analysis, 4th ed.: distinct categories are 1.41 PV / GRR.
CATEGORIES = 1.41
NAN = float("nan")


@dataclass(frozen=True)
class Spread:
    """A standard deviation in the readings' unit, and its confidence interval."""

    #: NaN where the study cannot tell.
    value: float
    lower: float = NAN
    upper: float = NAN


@dataclass(frozen=True)
class Term:
    """A row of the table of the analysis of variance."""

    name: str
    sum_of_squares: float
    degrees: int
    #: Against the interaction (parts, appraisers) or the repeatability (interaction); NaN in the last row.
    f_ratio: float = NAN
    p_value: float = NAN

    @property
    def mean_square(self) -> float:
        """Sum of squares by degrees of freedom."""
        return self.sum_of_squares / self.degrees


@dataclass(frozen=True)
class GaugeStudy:
    """What a study found. All spreads are standard deviations in the readings' unit."""

    method: str
    parts: int
    appraisers: int
    trials: int
    #: Mean of all readings.
    mean: float
    #: EV: one appraiser repeating.
    repeatability: Spread
    #: AV: between appraisers, on the mean of all parts; NaN with one appraiser.
    appraiser: Spread
    #: Between appraisers, another on each part; 0 when pooled, NaN with one appraiser.
    interaction: Spread
    #: GRR: all of the measuring; the repeatability alone with one appraiser.
    gauge: Spread
    #: PV.
    part: Spread
    #: TV.
    total: Spread
    #: The interaction was not significant and went into the repeatability.
    is_pooled: bool = False
    #: Empty for averages and ranges.
    terms: tuple[Term, ...] = ()

    @property
    def percent_of_total(self) -> float:
        """%GRR: the gauge's spread in percent of the total; NaN when nothing varies."""
        return 100 * _over(self.gauge.value, self.total.value)

    def percent_of_tolerance(self, tolerance: float) -> Spread:
        """%GRR to tolerance: six standard deviations of the gauge in percent of the distance between two limits.

        Raises
        ------
        ValueError
            If `tolerance` is not a finite number above 0.
        """
        if not (math.isfinite(tolerance) and tolerance > 0):
            raise ValueError(f"tolerance: found {tolerance}; allowed: a finite distance between two limits, above 0")
        factor = 100 * WIDTH_SIGMA / tolerance
        return Spread(self.gauge.value * factor, self.gauge.lower * factor, self.gauge.upper * factor)

    @property
    def distinct_categories(self) -> float:
        """How many groups of parts the gauge can tell apart, as a whole number; infinite with a gauge that never
        varies, NaN when nothing varies.
        """
        ratio = CATEGORIES * _over(self.part.value, self.gauge.value)
        return float(math.floor(ratio)) if math.isfinite(ratio) else ratio


def _over(one: float, other: float) -> float:
    if other == 0:
        return NAN if one == 0 else math.inf
    return one / other


def analysis_of_variance(
    values: ArrayLike, pool_above: float = POOL_ABOVE, confidence: float = CONFIDENCE
) -> GaugeStudy:
    """Balanced random-effects analysis of variance, two factors with interaction; one factor with one appraiser.

    Variance components come from the expected mean squares; negative ones are set to zero. Intervals of the standard
    deviations are of the modified large-sample kind, the repeatability's is exact.

    Parameters
    ----------
    values : array_like, shape (parts, appraisers, trials)
        Readings. Every cell needs as many trials as the others.
    pool_above : float
        An interaction whose p value is above this is pooled with the repeatability; 1: never, 0: always but for p = 0.
    confidence : float
        Of the two-sided intervals.

    Raises
    ------
    ValueError
        If the shape is another, a reading is missing or not finite, or there are less than 2 parts or 2 trials.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th ed., chapter III section B (analysis of variance).
    Burdick, Borror, Montgomery, Design and Analysis of Gauge R&R Studies, SIAM 2005, chapters 2 and 3.
    """
    x = _checked(values)
    if x.shape[1] == 1:
        return _one_factor(x, confidence)
    part, appraiser, interaction, repeatability = _sums_of_squares(x)
    interaction = _tested(interaction, repeatability)
    is_pooled = interaction.p_value > pool_above
    if is_pooled:
        error = _pooled(interaction, repeatability)
        terms = (_tested(part, error), _tested(appraiser, error), interaction, repeatability)
        return _two_factors(x, terms, (terms[0], terms[1], error, error), True, confidence)
    terms = (_tested(part, interaction), _tested(appraiser, interaction), interaction, repeatability)
    return _two_factors(x, terms, terms, False, confidence)


def _checked(values: ArrayLike) -> Floats:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 3:
        raise ValueError(f"found an array of shape {x.shape}; allowed: (parts, appraisers, trials)")
    parts, appraisers, trials = x.shape
    if parts < 2 or appraisers < 1 or trials < 2:
        raise ValueError(
            f"found {parts} parts by {appraisers} appraisers by {trials} trials; "
            "allowed: at least 2 parts, 1 appraiser, 2 trials"
        )
    missing = np.argwhere(~np.isfinite(x))
    if missing.size:
        cells = sorted({(int(part) + 1, int(appraiser) + 1) for part, appraiser, _ in missing})
        listed = ", ".join(f"part {part} by appraiser {appraiser}" for part, appraiser in cells)
        raise ValueError(f"{len(missing)} readings are missing or not finite: {listed}; every cell needs every trial")
    return x


def _sums_of_squares(x: Floats) -> tuple[Term, Term, Term, Term]:
    parts, appraisers, trials = x.shape
    mean, cells = x.mean(), x.mean(axis=2)
    of_part, of_appraiser = x.mean(axis=(1, 2)) - mean, x.mean(axis=(0, 2)) - mean
    rest = cells - mean - of_part[:, np.newaxis] - of_appraiser
    return (
        Term("parts", appraisers * trials * _squares(of_part), parts - 1),
        Term("appraisers", parts * trials * _squares(of_appraiser), appraisers - 1),
        Term("interaction", trials * _squares(rest), (parts - 1) * (appraisers - 1)),
        Term("repeatability", _squares(x - cells[..., np.newaxis]), parts * appraisers * (trials - 1)),
    )


def _squares(deviations: Floats) -> float:
    return float(np.sum(deviations**2))


def _pooled(one: Term, other: Term) -> Term:
    return Term("pooled", one.sum_of_squares + other.sum_of_squares, one.degrees + other.degrees)


def _tested(term: Term, against: Term) -> Term:
    """With its F ratio, and the probability that chance alone gives as much."""
    ratio = _over(term.mean_square, against.mean_square)
    p_value = 1.0 if math.isnan(ratio) else float(scipy.stats.f.sf(ratio, term.degrees, against.degrees))
    return Term(term.name, term.sum_of_squares, term.degrees, ratio, p_value)


def _two_factors(
    x: Floats, terms: tuple[Term, ...], used: tuple[Term, ...], is_pooled: bool, confidence: float
) -> GaugeStudy:
    """From the mean squares of parts, appraisers, interaction and repeatability; the last two are one when pooled."""
    parts, appraisers, trials = x.shape
    # Each component as a sum of mean squares; their expectations stand in both references.
    part = np.array([1, 0, -1, 0]) / (appraisers * trials)
    appraiser = np.array([0, 1, -1, 0]) / (parts * trials)
    interaction = np.array([0, 0, 1, -1]) / trials
    repeatability = np.array([0.0, 0.0, 0.0, 1.0])
    gauge = appraiser + interaction + repeatability

    def spread(weights: Floats) -> Spread:
        return _spread(weights, used, confidence)

    between, within = spread(appraiser), spread(repeatability)
    both = Spread(0.0, 0.0, 0.0) if is_pooled else spread(interaction)
    # A component that was set to zero takes nothing off the others.
    of_gauge = _around(math.hypot(between.value, both.value, within.value), spread(gauge))
    of_part = spread(part)
    total = _around(math.hypot(of_gauge.value, of_part.value), spread(gauge + part))
    return GaugeStudy(
        "analysis of variance",
        parts=parts,
        appraisers=appraisers,
        trials=trials,
        mean=float(x.mean()),
        repeatability=within,
        appraiser=between,
        interaction=both,
        gauge=of_gauge,
        part=of_part,
        total=total,
        is_pooled=is_pooled,
        terms=terms,
    )


def _one_factor(x: Floats, confidence: float) -> GaugeStudy:
    parts, appraisers, trials = x.shape
    of_part = x.mean(axis=(1, 2))
    within = Term("repeatability", _squares(x - of_part[:, np.newaxis, np.newaxis]), parts * (trials - 1))
    between = _tested(Term("parts", trials * _squares(of_part - x.mean()), parts - 1), within)
    terms = (between, within)
    part = _spread(np.array([1, -1]) / trials, terms, confidence)
    gauge = _spread(np.array([0.0, 1.0]), terms, confidence)
    total = _around(math.hypot(part.value, gauge.value), _spread(np.array([1, trials - 1]) / trials, terms, confidence))
    return GaugeStudy(
        "analysis of variance",
        parts=parts,
        appraisers=appraisers,
        trials=trials,
        mean=float(x.mean()),
        repeatability=gauge,
        appraiser=Spread(NAN),
        interaction=Spread(NAN),
        gauge=gauge,
        part=part,
        total=total,
        terms=terms,
    )


def _spread(weights: Floats, terms: Sequence[Term], confidence: float) -> Spread:
    """Square root of a weighted sum of mean squares, with its interval; weights of the same term are added first."""
    joined: dict[Term, float] = {}
    for weight, term in zip(weights, terms, strict=True):
        joined[term] = joined.get(term, 0.0) + float(weight)
    pairs = [(weight, term) for term, weight in joined.items() if abs(weight) > 1e-12]
    return Spread(*(math.sqrt(max(value, 0.0)) for value in combined(pairs, confidence)))


def _around(value: float, spread: Spread) -> Spread:
    """The value with an interval that holds it: zeros set for negative components may have moved it."""
    return Spread(value, min(spread.lower, value), max(spread.upper, value))


def combined(pairs: Sequence[tuple[float, Term]], confidence: float) -> tuple[float, float, float]:
    """A weighted sum of mean squares and its modified large-sample interval (which may be negative below).

    Exact for a single mean square. Positive weights alone: Graybill, Wang, J. Am. Stat. Assoc. 75 (1980) 869-873; with
    negative ones: Ting, Burdick, Graybill, Jeyaratnam, Lu, J. Stat. Comput. Simul. 35 (1990) 135-143, without the
    terms between weights of the same sign.

    Parameters
    ----------
    pairs : weight and term, weights not zero
    confidence : of the two-sided interval
    """
    tail = (1 - confidence) / 2
    value = sum(weight * term.mean_square for weight, term in pairs)
    below = above = 0.0
    for weight, term in pairs:
        square = (weight * term.mean_square) ** 2
        small, large = _shares(term.degrees, tail)
        below += square * (small if weight > 0 else large) ** 2
        above += square * (large if weight > 0 else small) ** 2
    for weight, term in pairs:
        for other_weight, other in pairs:
            if weight > 0 > other_weight:
                crossed = weight * term.mean_square * -other_weight * other.mean_square
                down, up = _crossed(term.degrees, other.degrees, tail)
                below += down * crossed
                above += up * crossed
    return value, value - math.sqrt(max(below, 0.0)), value + math.sqrt(max(above, 0.0))


def _shares(degrees: int, tail: float) -> tuple[float, float]:
    """G and H: by which share of a mean square its expectation may lie below and above it."""
    low, high = scipy.stats.chi2.ppf([tail, 1 - tail], degrees)
    return float(1 - degrees / high), float(degrees / low - 1)


def _crossed(degrees: int, other: int, tail: float) -> tuple[float, float]:
    small, large = _shares(degrees, tail)
    other_small, other_large = _shares(other, tail)
    low, high = (float(f) for f in scipy.stats.f.ppf([tail, 1 - tail], degrees, other))
    down = ((high - 1) ** 2 - (small * high) ** 2 - other_large**2) / high
    up = ((1 - low) ** 2 - (large * low) ** 2 - other_small**2) / low
    return down, up


def wide_cells(values: ArrayLike) -> list[tuple[int, int]]:
    """Cells (part, appraiser), counted from 0, whose trials differ by more than chance: range above D4 times the mean
    range. One of their readings probably went wrong.

    Raises
    ------
    ValueError
        As `analysis_of_variance`.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th ed., chapter III section B (range chart).
    """
    x = _checked(values)
    ranges = np.ptp(x, axis=2)
    return [(int(part), int(appraiser)) for part, appraiser in np.argwhere(ranges > upper_range_limit(x))]


def upper_range_limit(values: ArrayLike) -> float:
    """D4 times the mean range, D4 = 1 + 3 d3 / d2 (errors as `wide_cells`)."""
    x = _checked(values)
    mean, square = range_moments(x.shape[2])
    return float(np.ptp(x, axis=2).mean()) * (1 + 3 * math.sqrt(square - mean**2) / mean)
