"""Limits learnt: from reference builds, from the tolerances of the parts before a first unit exists, or from both.

A mask is asked to let nearly every good unit through **as a whole**: its width in standard deviations is found from
units drawn from the parts' tolerances, as the width that so many of them keep to at every point at once. Points of a
curve hang together, so neither three standard deviations at each point nor independent points would say it.
"""

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import scipy

from checks import impedance, response
from rig.circuit.channel import Channel, impedance_ohm
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.tolerance import draw
from rig.design.kit import Kit
from rig.files.errors import Disagree
from rig.signals.levels import REFERENCE_PRESSURE_PA, db
from rig.statistics.tolerance_interval import two_sided_factor
from rig.values.readings import Floats

#: Check, quantity, subject.
Key = tuple[str, str, str]
IMPEDANCE, LEVEL = (impedance.NAME, impedance.IMPEDANCE), (response.NAME, response.FREE_FIELD_LEVEL)

#: Widths are the widest within this part of an octave to both sides, so that a mask is smooth and easy to edit.
WIDEN_OCTAVES = 1 / 6
#: No narrower than three times what the rig itself scatters (common practice, no source).
LEAST_PERCENT, LEAST_DB = 2.0, 0.3
#: Drawing from tolerances counts as so many builds when both are joined.
PARTS_COUNT = 10
#: A build whose curve lies so many standard deviations (root mean square over the curve) from the others is odd.
ODD = 3.0
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
    #: Share of good units that it is expected to fail somewhere; NaN where nothing is known of good units.
    rejects: float
    words: str


def spreads_of_parts(kit: Kit, draws: int, seed: int, points_per_octave: int = 12) -> dict[Key, Spread]:
    """Impedance and free-field level of every channel over drawn units, on axis at the kit's first position.

    Both curves of a channel are of the same units, row by row. Channels built alike share theirs.
    """
    found: dict[Key, Spread] = {}
    for n, channel in enumerate(kit.channels):
        alike = [other for other in kit.channels[:n] if other.model() == replace(channel.model(), name=other.name)]
        for kind in (IMPEDANCE, LEVEL):
            if alike:
                found[(*kind, channel.name)] = found[(*kind, alike[0].name)]
        if not alike:
            random = np.random.default_rng([seed, n])
            ohm, level = _drawn(kit, channel.model(), random, draws, points_per_octave)
            found |= {(*IMPEDANCE, channel.name): ohm, (*LEVEL, channel.name): level}
    return found


def _drawn(
    kit: Kit, nominal: Channel, random: np.random.Generator, draws: int, points_per_octave: int
) -> tuple[Spread, Spread]:
    place, sweeps = kit.positions[0], (kit.sweeps.leads, kit.sweeps.playing)
    microphone = microphone_at(place.distance_m, place.angle_deg)
    leads_hz, playing_hz = (_grid(sweep.start_hz, sweep.stop_hz, points_per_octave) for sweep in sweeps)

    def curves(drawn: Channel) -> tuple[Floats, Floats]:
        pressure = np.abs(pressure_pa(drawn, playing_hz, kit.levels.playing_v, microphone))
        return np.abs(impedance_ohm(drawn, leads_hz)), db(pressure / REFERENCE_PRESSURE_PA)

    # Drawn one after the other, so that the same seed draws the same units; what follows takes all cores.
    with ThreadPoolExecutor() as pool:
        ohms, levels = zip(*pool.map(curves, [draw(nominal, random, units) for units in _portions(draws)]), strict=True)
    ohm, level = np.concatenate(ohms), np.concatenate(levels)
    middle_ohm, middle_db = np.median(ohm, axis=0), np.median(level, axis=0)
    return Spread(leads_hz, middle_ohm, ohm / middle_ohm - 1), Spread(playing_hz, middle_db, level - middle_db)


def _grid(low_hz: float, high_hz: float, points_per_octave: int) -> Floats:
    count = math.ceil(math.log2(high_hz / low_hz) * points_per_octave) + 1
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
    rejects: float,
    confidence: float,
) -> Learnt:
    """The mask of one curve.

    Parameters
    ----------
    key, unit : of the curve
    frequency_hz : shape (n,)
    builds : serial -> curve of that reference build, shape (n,); may be empty where there are parts
    parts : how the curve spreads with the parts; None: not known, or not to be used
    rejects : share of good units that the whole mask may fail
    confidence : that a mask from a few builds holds that share

    Raises
    ------
    Disagree
        If one of the builds is unlike the others.
    ValueError
        If there is neither a build nor a spread.
    """
    relative = unit == "ohm"
    curves = np.array(list(builds.values())).reshape(len(builds), frequency_hz.size)
    spread = parts and _resampled(parts, frequency_hz)
    sigma = np.maximum(spread.sigma, 1e-6) if spread else None
    if len(builds) >= 2:
        _refuse_odd(list(builds), curves, sigma, relative, key)
    centre = np.mean(curves, axis=0) if builds else spread.centre if spread else None
    if centre is None:
        raise ValueError(f"{' '.join(key)}: neither a build nor the parts' tolerances to learn from")
    if sigma is None and len(builds) == 1:
        return _around_one(key, unit, frequency_hz, curves)
    whole = whole_mask_factor(spread.deviations, sigma, rejects) if spread and sigma is not None else 4.0
    width, words = _width(curves, centre, sigma, whole, relative, confidence)
    least = LEAST_PERCENT / 100 if relative else LEAST_DB
    width = _widened(frequency_hz, np.maximum(width, least))
    lower, upper = (centre * (1 - width), centre * (1 + width)) if relative else (centre - width, centre + width)
    failed = float("nan")
    if spread is not None:
        # Good units spread around the builds' mean as the parts have it.
        failed = float(np.mean(np.any(np.abs(spread.deviations) > width, axis=1)))
    return Learnt(key, unit, frequency_hz, centre, lower, upper, curves, failed, words)


def _width(
    curves: Floats, centre: Floats, sigma: Floats | None, whole: float, relative: bool, confidence: float
) -> tuple[Floats, str]:
    """Half the mask's width at each point, and what it rests on."""
    builds = len(curves)
    if builds < 2 and sigma is not None:
        about = "the parts' tolerances" + (" around one build" if builds else "")
        return whole * sigma, f"{about}, {whole:.2f} standard deviations"
    off = curves / centre - 1 if relative else curves - centre
    variance = np.sum(off**2, axis=0) / (builds - 1)
    counted = builds
    if sigma is not None:
        variance = ((builds - 1) * variance + PARTS_COUNT * sigma**2) / (builds - 1 + PARTS_COUNT)
        counted = builds + PARTS_COUNT
    factor = pointwise_factor(whole, counted, confidence)
    joined = f", joined with the parts' tolerances as {PARTS_COUNT} more" if sigma is not None else ""
    return factor * np.sqrt(variance), f"{builds} builds{joined}, {factor:.2f} standard deviations"


def _refuse_odd(serials: Sequence[str], curves: Floats, sigma: Floats | None, relative: bool, key: Key) -> None:
    """Hold each build against the median of the others, in standard deviations of the parts or of the others."""
    far = []
    for n in range(len(serials)):
        others = np.delete(curves, n, axis=0)
        middle = np.median(others, axis=0)
        off = curves[n] / middle - 1 if relative else curves[n] - middle
        if sigma is not None:
            scale = np.hypot(sigma, sigma / math.sqrt(len(others)))
        elif len(others) >= 3:
            away = np.abs(others / middle - 1 if relative else others - middle)
            scale = np.maximum(1.4826 * np.median(away, axis=0), LEAST_PERCENT / 300 if relative else LEAST_DB / 3)
        else:
            return
        far.append(float(np.sqrt(np.mean((off / scale) ** 2))))
    worst = int(np.argmax(far))
    if far[worst] <= ODD:
        return
    what = f"these builds cannot stand for one design: {key[1]} of {key[2]}"
    if len(serials) == 2:
        apart = f"{serials[0]} and {serials[1]} differ by {far[worst]:.1f} standard deviations"
        raise Disagree(f"{what}: {apart}; a third build tells which is odd")
    raise Disagree(
        f"{what}: {serials[worst]} is unlike the others ({far[worst]:.1f} standard deviations); leave it out"
    )


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
    return Learnt(key, unit, frequency_hz, centre, lower, upper, curves, float("nan"), words)


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


def rejects_together(learnt: Sequence[Learnt], spreads: Mapping[Key, Spread]) -> float:
    """Share of good units that all masks together are expected to fail; NaN where there is no spread for one.

    Masks of one channel see the same drawn units; channels are built of parts of their own.
    """
    passed = 1.0
    for channel in dict.fromkeys(one.key[2] for one in learnt):
        failing: Floats | None = None
        for one in (one for one in learnt if one.key[2] == channel):
            if one.key not in spreads:
                return float("nan")
            spread = _resampled(spreads[one.key], one.frequency_hz)
            relative = one.unit == "ohm"
            low, high = (
                (one.lower / one.centre - 1, one.upper / one.centre - 1)
                if relative
                else (one.lower - one.centre, one.upper - one.centre)
            )
            outside = np.any((spread.deviations < low) | (spread.deviations > high), axis=1)
            failing = outside if failing is None else failing | outside
        passed *= 1 - float(np.mean(failing)) if failing is not None else 1.0
    return 1 - passed
