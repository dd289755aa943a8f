"""Limits learnt: from reference builds, from the tolerances of the parts before a first unit exists, or from both.

A mask is asked to let nearly every good unit through **as a whole**: its width in standard deviations is found from
units drawn from the parts' tolerances, as the width that so many of them keep to at every point at once. Points of a
curve hang together, so neither three standard deviations at each point nor independent points would say it.
"""

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from checks import impedance, response
from rig.circuit.channel import Channel, impedance_ohm
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.tolerance import DriverTolerance, draw
from rig.design.kit import Kit
from rig.files.errors import Disagree
from rig.signals.levels import REFERENCE_PRESSURE_PA, db
from rig.statistics.curves_of_builds import (
    SpreadBefore,
    departure_limit,
    departures,
    drift,
    drift_limit,
    joined_spread,
    next_unit,
    spread_before,
)
from rig.statistics.tolerance_interval import two_sided_factor
from rig.statistics.truncation import restored
from rig.study.builds import channels_alike
from rig.values.readings import Floats

#: Check, quantity, subject.
Key = tuple[str, str, str]
IMPEDANCE, LEVEL = (impedance.NAME, impedance.IMPEDANCE), (response.NAME, response.FREE_FIELD_LEVEL)

#: Widths are the widest within this part of an octave to both sides, so that a mask is smooth and easy to edit.
WIDEN_OCTAVES = 1 / 12
#: Of spreads and masks: few enough to read and edit.
POINTS_PER_OCTAVE = 12
#: Drivers and boxes of one batch lie closer together than batches do: by two thirds. Common practice, no source.
ONE_BATCH = DriverTolerance(**{name: 2 / 3 * half for name, half in vars(DriverTolerance()).items()})
#: No narrower than three times what the rig itself scatters (common practice, no source).
LEAST_PERCENT, LEAST_DB = 2.0, 0.3
#: Of good builds that belong together so many sets are refused.
FALSE_ALARMS = 0.01
#: What limits cut off is put back in so many rounds: of limits at two standard deviations to 1 %.
ROUNDS = 12
#: Standard deviations that nearly all units keep to over a whole curve of a two-way box.
WHOLE_ALONE = 4.0
#: Around a single build: from, to, decibels (common practice, no source) and percent.
AROUND_ONE_DB = ((20, 100, 2.0), (100, 300, 1.5), (300, 3000, 1.0), (3000, 10000, 1.5), (10000, 20000, 2.0))
AROUND_ONE_PERCENT = ((10, 150, 25.0), (150, 20000, 10.0))


@dataclass(frozen=True, eq=False)
class Spread:
    """How a curve spreads over units drawn from the parts' tolerances. Levels in decibels, impedance relative."""

    frequency_hz: Floats
    #: Curve in the middle, in the curve's own unit, shape (n,).
    centre: Floats
    #: Deviations from it (decibels, or parts of one), shape (units, n).
    deviations: Floats

    @property
    def sigma(self) -> Floats:
        """Standard deviation at each point, shape (n,)."""
        return np.asarray(np.std(self.deviations, axis=0))


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
    lower: Floats
    upper: Floats
    #: Every build's curve on the same frequencies, shape (builds, n); none without builds.
    builds: Floats
    #: Which good units it is expected to fail somewhere, shape (units,); None where nothing is known of good units.
    outside: NDArray[np.bool_] | None
    words: str

    @property
    def rejects(self) -> float:
        """Share of good units that it is expected to fail; NaN where nothing is known of them."""
        return float("nan") if self.outside is None else float(np.mean(self.outside))


def spreads_of_parts(kit: Kit, draws: int, seed: int, tolerance: DriverTolerance | None = None) -> dict[Key, Spread]:
    """Impedance and free-field level of every channel over drawn units, on axis at the kit's first position.

    Both curves of a channel are of the same units, row by row. Channels built alike share theirs. `tolerance` is that
    of drivers and box; None: of any batch.
    """
    found: dict[Key, Spread] = {}
    for alike in channels_alike(kit):
        random = np.random.default_rng([seed, kit.channels.index(alike[0])])
        portions = [draw(kit.model(alike[0].name), random, units, tolerance) for units in _portions(draws)]
        ohm, level = _curves_of(kit, portions)
        for channel in alike:
            found |= {(*IMPEDANCE, channel.name): ohm, (*LEVEL, channel.name): level}
    return found


def _curves_of(kit: Kit, portions: Sequence[Channel]) -> tuple[Spread, Spread]:
    place, sweeps = kit.positions[0], (kit.sweeps.leads, kit.sweeps.playing)
    microphone = microphone_at(place.distance_m, place.angle_deg)
    leads_hz, playing_hz = (even_grid(sweep.start_hz, sweep.stop_hz) for sweep in sweeps)

    def curves(drawn: Channel) -> tuple[Floats, Floats]:
        pressure = np.abs(pressure_pa(drawn, playing_hz, kit.levels.playing_v, microphone))
        return np.abs(impedance_ohm(drawn, leads_hz)), db(pressure / REFERENCE_PRESSURE_PA)

    # Drawn one after the other, so that the same seed draws the same units; this takes all cores.
    with ThreadPoolExecutor() as pool:
        ohms, levels = zip(*pool.map(curves, portions), strict=True)
    ohm, level = np.concatenate(ohms), np.concatenate(levels)
    middle_ohm, middle_db = np.median(ohm, axis=0), np.median(level, axis=0)
    return Spread(leads_hz, middle_ohm, ohm / middle_ohm - 1), Spread(playing_hz, middle_db, level - middle_db)


def even_grid(low_hz: float, high_hz: float) -> Floats:
    """Frequencies of spreads and masks: evenly spaced in octaves, both ends among them."""
    count = math.ceil(math.log2(high_hz / low_hz) * POINTS_PER_OCTAVE) + 1
    return np.geomspace(low_hz, high_hz, count)


def _portions(draws: int) -> list[int]:
    """Draws in pieces that fit into a processor's cache and a small computer's memory."""
    return [500] * (draws // 500) + ([draws % 500] if draws % 500 else [])


def whole_mask_factor(deviations: Floats, sigma: Floats, rejects: float) -> float:
    """Width in standard deviations that all but a share of the units keep to at every point at once.

    Parameters
    ----------
    deviations : shape (units, n)
    sigma : shape (n,), above zero
    rejects : the share
    """
    furthest = np.max(np.abs(deviations) / sigma, axis=1)
    return float(np.quantile(furthest, 1 - rejects))


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
    spread = parts and _resampled(parts, frequency_hz)
    before = None if spread is None else _before(spread, relative)
    if not builds and spread is None:
        raise ValueError(f"{' '.join(key)}: neither a build nor the parts' tolerances to learn from")
    if spread is None and len(builds) == 1:
        return _around_one(key, unit, frequency_hz, curves)
    full = curves
    if before is not None and passed is not None:
        full = _untruncated(before, curves, np.isin(list(builds), passed.serials), passed, relative)
    centre = np.mean(full, axis=0) if builds or spread is None else spread.centre
    good, words = None, f"{len(builds)} builds"
    if before is None:
        factor = pointwise_factor(WHOLE_ALONE, len(builds), confidence)
        sigma = np.std(_off(full, centre, relative), axis=0, ddof=1)
    else:
        good, words = _good_units(before, _off(full, centre, relative))
        sigma = np.std(good, axis=0)
        factor = whole_mask_factor(good, sigma, rejects)
    width = factor * sigma
    width = _widened(frequency_hz, np.maximum(width, _least(relative)))
    lower, upper = (centre * (1 - width), centre * (1 + width)) if relative else (centre - width, centre + width)
    outside = None if good is None else np.any(np.abs(good) > width, axis=1)
    words = f"{words}, ±{factor:.2f} standard deviations wide"
    return Learnt(key, unit, frequency_hz, centre, lower, upper, curves, outside, words)


def _least(relative: bool) -> float:
    return LEAST_PERCENT / 100 if relative else LEAST_DB


def _before(spread: Spread, relative: bool) -> SpreadBefore:
    return spread_before(spread.frequency_hz, spread.deviations, _least(relative) / 3)


def _off(curves: Floats, centre: Floats, relative: bool) -> Floats:
    return np.asarray(curves / centre - 1 if relative else curves - centre)


def _untruncated(
    before: SpreadBefore, curves: Floats, cut: NDArray[np.bool_], passed: Passed, relative: bool
) -> Floats:
    """The builds, those that are there because they passed moved to where they would lie without their limits."""
    full = curves.copy()
    for _ in range(ROUNDS):
        centre = np.mean(full, axis=0)
        sigma = joined_spread(before, _off(full, centre, relative)).sigma
        drawn = before.deviations * (sigma / before.sigma)
        drawn = centre * (1 + drawn) if relative else centre + drawn
        full[cut] = restored(curves[cut], drawn, passed.lower, passed.upper)
    return full


def _good_units(before: SpreadBefore, off: Floats) -> tuple[Floats, str]:
    """Deviations of good units from the mask's middle, the same unit in the same row for all curves of a channel."""
    if not len(off):
        return before.deviations, "the parts' tolerances"
    joined = joined_spread(before, off)
    times = float(np.median(joined.sigma / before.sigma))
    how_many = "one build" if len(off) == 1 else f"{len(off)} builds"
    words = f"{how_many} and the parts' tolerances (units lie {100 * times:.0f} % as far apart as these let them)"
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
        before = _before(_resampled(spreads[key], frequency_hz), relative)
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
        before = _before(_resampled(spreads[key], frequency_hz), relative)
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
    relative, centre = unit == "ohm", curves[0]
    windows = AROUND_ONE_PERCENT if relative else AROUND_ONE_DB
    width = np.full(frequency_hz.size, windows[-1][2])
    for start, stop, half in windows:
        width[(frequency_hz >= start) & (frequency_hz < stop)] = half
    lower, upper = (
        (centre * (1 - width / 100), centre * (1 + width / 100)) if relative else (centre - width, centre + width)
    )
    words = "windows around one build; nothing is known of how good units spread"
    return Learnt(key, unit, frequency_hz, centre, lower, upper, curves, None, words)


def _resampled(spread: Spread, frequency_hz: Floats) -> Spread:
    log, at = np.log(frequency_hz), np.log(spread.frequency_hz)
    right = np.clip(np.searchsorted(at, log), 1, at.size - 1)
    share = np.clip((log - at[right - 1]) / (at[right] - at[right - 1]), 0, 1)
    deviations = spread.deviations[:, right - 1] * (1 - share) + spread.deviations[:, right] * share
    return Spread(frequency_hz, np.interp(log, at, spread.centre), deviations)


def _widened(frequency_hz: Floats, width: Floats) -> Floats:
    """The widest within a part of an octave to both sides."""
    octaves = np.log2(frequency_hz)
    near = np.abs(octaves[:, np.newaxis] - octaves) <= WIDEN_OCTAVES
    return np.asarray(np.max(np.where(near, width, 0.0), axis=1))


def rejects_together(learnt: Sequence[Learnt]) -> float:
    """Share of good units that all masks together are expected to fail; NaN where it is not known of one.

    Masks of one channel see the same drawn units; channels are built of parts of their own.
    """
    failing: dict[str, NDArray[np.bool_]] = {}
    for one in learnt:
        if one.outside is None:
            return float("nan")
        channel = one.key[2]
        failing[channel] = failing[channel] | one.outside if channel in failing else one.outside
    return 1 - math.prod(1 - float(np.mean(outside)) for outside in failing.values())


def mask_file(key: Key) -> str:
    """The name of a learnt mask's file."""
    return f"learnt {key[1]} {key[2]}.csv".replace(" ", "-")
