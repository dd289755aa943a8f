"""Limits learnt: from reference builds, from the tolerances of the parts before a first unit exists, or from both.

A mask is asked to let nearly every good unit through **as a whole**: its width in standard deviations is found from
drawn units, as the width that so many of them keep to at every point of all curves of a channel at once. Points of a
curve hang together, so neither three standard deviations at each point nor independent points would say it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from rig.files.errors import Disagree
from rig.signals.arrays import Bools
from rig.statistics.curves_of_builds import (
    SpreadBefore,
    departure_limit,
    departures,
    drift,
    drift_limit,
    joined_spread,
    next_unit,
    scatter,
    spread_before,
)
from rig.statistics.tolerance_interval import two_sided_factor
from rig.statistics.truncation import restored
from rig.study.spreads import IMPEDANCE, Key, Spread, resampled, with_elsewhere
from rig.values.readings import Floats

#: No narrower than three times what the rig itself scatters (common practice, no source).
LEAST_PERCENT, LEAST_DB = 2.0, 0.3
#: Of good builds that belong together so many sets are refused; our choice.
FALSE_ALARMS = 0.01
#: What a share of normal numbers keep to, in standard deviations; the share is our choice.
NEARLY_ALL, NEARLY_ALL_SIGMAS = 0.99, 2.576
#: What limits cut off is put back in so many rounds: of limits at two standard deviations to 1 %; our choice.
ROUNDS = 12
#: Standard deviations that nearly all units keep to over a whole curve of a two-way box; our choice.
WHOLE_ALONE = 4.0
#: What the spread of good units is known from, in words.
TOLERANCES, LEARNT_SPREAD = "the parts' tolerances", "what they taught of drivers, box and parts"
#: Around a single build: from, to, decibels, and for impedances relative (common practice, no source).
AROUND_ONE_DB = ((20, 100, 2.0), (100, 300, 1.5), (300, 3000, 1.0), (3000, 10000, 1.5), (10000, 20000, 2.0))
AROUND_ONE = ((10, 150, 0.25), (150, 20000, 0.1))


@dataclass(frozen=True, eq=False)
class Passed:
    """Units that are among the builds because they passed, and the mask that they had to keep to, shape (n,)."""

    serials: list[str]
    lower: Floats
    upper: Floats


@dataclass(frozen=True, eq=False)
class Learnt:
    """A mask and what it rests on. Arrays of shape (n,)."""

    key: Key
    unit: str
    frequency_hz: Floats
    centre: Floats
    #: Standard deviation of good units (of impedance relative), as far as nearly all of them reach, and how many of
    #: these half the mask is wide.
    sigma: Floats
    factor: float
    #: Every build's curve on the same frequencies, shape (builds, n); none without builds.
    builds: Floats
    basis: str
    #: How many standard deviations wide it has to be for each good unit to lie inside, shape (units,), of the same
    #: units for all masks of a channel; None where nothing is known of good units.
    needed: Floats | None = None

    @property
    def half_width(self) -> Floats:
        """Of impedance relative; no narrower than the rig itself can tell."""
        return np.maximum(self.factor * self.sigma, _least(self.unit == "ohm"))

    @property
    def lower(self) -> Floats:
        """In its unit."""
        return self.centre * (1 - self.half_width) if self.unit == "ohm" else self.centre - self.half_width

    @property
    def upper(self) -> Floats:
        """In its unit."""
        return self.centre * (1 + self.half_width) if self.unit == "ohm" else self.centre + self.half_width

    @property
    def words(self) -> str:
        """What it rests on."""
        if self.factor == 1:
            return self.basis
        return f"{self.basis}, ±{self.factor:.2f} standard deviations wide"

    @property
    def rejects(self) -> float:
        """Share of good units that it is expected to fail; NaN where nothing is known of them."""
        return float("nan") if self.needed is None else float(np.mean(self.needed > self.factor))


def pointwise_factor(whole: float, builds: int, confidence: float) -> float:
    """The factor for the mean and spread of a few builds that does what `whole` does for known ones.

    A tolerance-interval factor (non-central t; see `rig.statistics.tolerance_interval`) for the share of units that
    `whole` standard deviations hold at one point.
    """
    coverage = float(scipy.special.erf(whole / math.sqrt(2)))
    return two_sided_factor(builds, min(max(coverage, 0.501), 1 - 1e-9), confidence)


def learn(
    key: Key,
    unit: str,
    frequency_hz: Floats,
    builds: Mapping[str, Floats],
    parts: Spread | None,
    *,
    rejects: float,
    confidence: float,
    passed: Passed | None = None,
) -> Learnt:
    """The mask of one curve.

    Parameters
    ----------
    key, unit : of the curve
    frequency_hz : shape (n,)
    builds : serial -> curve of that reference build, shape (n,); may be empty where there are parts
    parts : how the curve spreads with the parts; None: not known, or not to be used
    rejects : share of good units that the whole mask may fail
    confidence : that a mask from a few builds alone holds that share
    passed : which of the builds are there because they passed; None: the builder vouches for all

    Raises
    ------
    ValueError
        If there is neither a build nor a spread.
    """
    relative = unit == "ohm"
    curves = np.array(list(builds.values())).reshape(len(builds), frequency_hz.size)
    spread = parts and resampled(parts, frequency_hz)
    if builds and spread is not None and relative:
        spread = with_elsewhere(spread, np.mean(curves, axis=0))
    before = None if spread is None else _before(spread, _scatter(curves, relative))
    if not builds and spread is None:
        raise ValueError(f"{' '.join(key)}: neither a build nor {TOLERANCES} to learn from")
    if spread is None and len(builds) == 1:
        return _around_one(key, unit, frequency_hz, curves)
    full = curves
    if before is not None and passed is not None:
        full = _untruncated(before, curves, np.isin(list(builds), passed.serials), passed, relative)
    centre = np.mean(full, axis=0) if builds or spread is None else spread.centre
    if before is None:
        factor = pointwise_factor(WHOLE_ALONE, len(builds), confidence)
        sigma = np.std(_off(full, centre, relative), axis=0, ddof=1)
        return Learnt(key, unit, frequency_hz, centre, sigma, factor, curves, f"{len(builds)} builds")
    spread_of = LEARNT_SPREAD if parts is not None and parts.is_learnt else TOLERANCES
    good, basis = _good_units(before, _off(full, centre, relative), spread_of)
    # Where a resonance passes by, few units lie far out: what nearly all keep to at a point, as if that were normal.
    sigma = np.quantile(np.abs(good), NEARLY_ALL, axis=0) / NEARLY_ALL_SIGMAS
    needed = np.max(np.where(np.abs(good) > _least(relative), np.abs(good) / sigma, 0.0), axis=1)
    factor = float(np.quantile(needed, 1 - rejects))
    return Learnt(key, unit, frequency_hz, centre, sigma, factor, curves, basis, needed)


def share_rejects(masks: Sequence[Learnt], rejects: float) -> list[Learnt]:
    """Masks that together fail a share of good units, each of one channel as many as the others of it.

    Masks of one channel see the same units; channels are built of parts of their own. Where nothing is known of good
    units a mask stays as it is.
    """
    known = {n: one.needed for n, one in enumerate(masks) if one.needed is not None}
    channels = {masks[n].key[2] for n in known}
    found = list(masks)
    for channel in channels:
        own = {n: np.argsort(needed) for n, needed in known.items() if masks[n].key[2] == channel}
        # A unit's worst rank in any mask decides whether it is among those that all masks hold.
        worst = np.max([np.argsort(order) for order in own.values()], axis=0)
        last = int(np.quantile(worst, 1 - rejects / len(channels)))
        for n, order in own.items():
            found[n] = replace(masks[n], factor=float(known[n][order[last]]))
    return found


def _least(relative: bool) -> float:
    return LEAST_PERCENT / 100 if relative else LEAST_DB


def _before(spread: Spread, scatters: float | None = None) -> SpreadBefore:
    return spread_before(spread.frequency_hz, spread.deviations, spread.scatter if scatters is None else scatters)


def _scatter(curves: Floats, relative: bool) -> float | None:
    """What the rig scatters from point to point, as builds show it; None: one does not."""
    return scatter(_off(curves, np.mean(curves, axis=0), relative)) if len(curves) > 1 else None


def _off(curves: Floats, centre: Floats, relative: bool) -> Floats:
    return np.asarray(curves / centre - 1 if relative else curves - centre)


def _untruncated(before: SpreadBefore, curves: Floats, cut: Bools, passed: Passed, relative: bool) -> Floats:
    """The builds, those that are there because they passed moved to where they would lie without their limits."""
    full = curves.copy()
    for _ in range(ROUNDS):
        centre = np.mean(full, axis=0)
        sigma = joined_spread(before, _off(full, centre, relative)).sigma
        drawn = before.deviations * (sigma / before.sigma)
        drawn = centre * (1 + drawn) if relative else centre + drawn
        full[cut] = restored(curves[cut], drawn, passed.lower, passed.upper)
    return full


def _good_units(before: SpreadBefore, off: Floats, spread_of: str) -> tuple[Floats, str]:
    """Deviations of good units from the mask's middle, the same unit in the same row for all curves of a channel."""
    if not len(off):
        return before.deviations, spread_of
    joined = joined_spread(before, off)
    times = float(np.median(joined.sigma / before.sigma))
    how_many = "one build" if len(off) == 1 else f"{len(off)} builds"
    words = f"{how_many} and {spread_of} (good units lie {100 * times:.0f} % as far apart as that alone says)"
    return next_unit(before, joined, len(off), np.random.default_rng(len(off))), words


def refuse_odd(curves: Mapping[Key, tuple[Floats, Mapping[str, Floats]]], spreads: Mapping[Key, Spread]) -> None:
    """Refuse builds of which one does not belong to the others.

    Parameters
    ----------
    curves : of each curve that is learnt, its frequencies of shape (n,), and serial -> curve of that build, shape (n,)
    spreads : how each spreads with the parts

    Raises
    ------
    Disagree
        Naming the build that is furthest off, of two both.
    """
    serials = list(next(iter(curves.values()))[1])
    if len(serials) < 2:
        return
    far = departures_of_builds({key: (hz, np.array(list(b.values()))) for key, (hz, b) in curves.items()}, spreads)
    key = max(far, key=lambda key: float(np.max(far[key])))
    worst, furthest = float(np.max(far[key])), serials[int(np.argmax(far[key]))]
    if worst <= 1:
        return
    what = f"these builds cannot stand for one design: {key[1]} of {key[2]}"
    if len(serials) == 2:
        apart = f"{serials[0]} and {serials[1]} differ {worst:.1f} times as much as two good ones may"
        raise Disagree(f"{what}: {apart}; a third build tells which is odd")
    raise Disagree(
        f"{what}: {furthest} is unlike the others, {worst:.1f} times as far off as good ones get; leave it out"
    )


def departures_of_builds(
    curves: Mapping[Key, tuple[Floats, Floats]], spreads: Mapping[Key, Spread]
) -> dict[Key, Floats]:
    """How far each build is off the others in each curve, over what the furthest of good ones may be.

    Parameters
    ----------
    curves : of each curve its frequencies, shape (n,), and every build's, shape (..., builds, n); builds two or more
    spreads : how each spreads with the parts

    Returns
    -------
    dict
        Of each curve, shape (..., builds). Above 1 in any of them a set is refused.
    """
    found = {}
    for key, (frequency_hz, builds) in curves.items():
        relative = key[:2] == IMPEDANCE
        before = _before(resampled(spreads[key], frequency_hz))
        far = departures(before, _off(builds, np.mean(builds, axis=-2, keepdims=True), relative))
        found[key] = far / departure_limit(before, builds.shape[-2], FALSE_ALARMS / len(curves))
    return found


def drifts(
    curves: Mapping[Key, tuple[Floats, Mapping[str, Floats]]], spreads: Mapping[Key, Spread], latest: Sequence[str]
) -> list[str]:
    """In which curves the latest units lie off the former ones, in words; empty where the population is the same.

    Parameters as `refuse_odd`; `latest` are the serials of those that come in, one or more, as the others are.
    """
    found = []
    for key, (frequency_hz, builds) in curves.items():
        relative = key[:2] == IMPEDANCE
        before = _before(resampled(spreads[key], frequency_hz))
        new, old = (np.array([builds[s] for s in builds if (s in latest) == is_new]) for is_new in (True, False))
        off_new, off_old = (_off(units, np.mean(old, axis=0), relative) for units in (new, old))
        limit = drift_limit(before, len(builds), FALSE_ALARMS / len(curves))
        if (far := drift(before, off_old, off_new)) <= limit:
            continue
        moved = np.mean(off_new, axis=0)
        most = int(np.argmax(np.abs(moved) / before.sigma))
        by = f"{100 * moved[most]:+.0f} %" if relative else f"{moved[most]:+.1f} dB"
        found.append(
            f"{key[1]} of {key[2]}: the new units lie {far / limit:.1f} times as far off the former ones as chance has "
            f"it, most at {frequency_hz[most]:.0f} Hz, by {by}"
        )
    return found


def _around_one(key: Key, unit: str, frequency_hz: Floats, curves: Floats) -> Learnt:
    windows = AROUND_ONE if unit == "ohm" else AROUND_ONE_DB
    width = np.full(frequency_hz.size, windows[-1][2])
    for start, stop, half in windows:
        width[(frequency_hz >= start) & (frequency_hz < stop)] = half
    basis = "windows around one build; nothing is known of how good units spread"
    return Learnt(key, unit, frequency_hz, curves[0], width, 1.0, curves, basis)


def rejects_together(learnt: Sequence[Learnt]) -> float:
    """Share of good units that all masks together are expected to fail; NaN where it is not known of one.

    Masks of one channel see the same drawn units; channels are built of parts of their own.
    """
    failing: dict[str, Bools] = {}
    for one in learnt:
        if one.needed is None:
            return float("nan")
        channel, outside = one.key[2], one.needed > one.factor
        failing[channel] = failing[channel] | outside if channel in failing else outside
    return 1 - math.prod(1 - float(np.mean(outside)) for outside in failing.values())


def mask_file(key: Key) -> str:
    """The name of a learnt mask's file."""
    return f"learnt {key[1]} {key[2]}.csv".replace(" ", "-")
