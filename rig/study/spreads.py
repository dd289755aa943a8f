"""How curves of good units spread: over units drawn from tolerances, or from the population that builds taught."""

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from checks import impedance, response
from rig.circuit.channel import Channel, impedance_ohm
from rig.circuit.factor import ELSEWHERE, smooth_correlation
from rig.circuit.population import Population
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.spread import drawn_good, from_mean
from rig.circuit.tolerance import draw
from rig.design.kit import Kit
from rig.signals.levels import REFERENCE_PRESSURE_PA, db
from rig.study.builds import channels_alike
from rig.values.readings import Floats

#: Check, quantity, subject.
Key = tuple[str, str, str]
IMPEDANCE, LEVEL = (impedance.NAME, impedance.IMPEDANCE), (response.NAME, response.FREE_FIELD_LEVEL)
#: Of spreads and masks, which go in straight lines: beside a resonance of Q 5 they then cut off 1 %; our choice.
POINTS_PER_OCTAVE = 24
#: Of impedances, relative, and of levels in decibels: what the rig scatters from point to point, as far as no build has
#: shown it. Common practice, no source.
SCATTER, SCATTER_DB = 0.02 / 3, 0.1
#: Added to a correlation, so that it has a root; numerical.
LEAST_POWER = 1e-6


@dataclass(frozen=True, eq=False)
class Spread:
    """How a curve spreads over drawn units. Levels in decibels, impedance relative."""

    frequency_hz: Floats
    #: Curve in the middle, in the curve's own unit, shape (n,).
    centre: Floats
    #: Deviations from it (decibels, or parts of one), shape (units, n).
    deviations: Floats
    #: What a rig scatters from point to point, in the unit of the deviations: standard deviation.
    scatter: float
    #: Units were drawn from what builds taught, not from tolerances.
    is_learnt: bool = False

    @property
    def sigma(self) -> Floats:
        """Standard deviation at each point, shape (n,)."""
        return np.asarray(np.std(self.deviations, axis=0))


def spreads_of_units(kit: Kit, draws: int, seed: int, *, by_tolerances: bool = False) -> dict[Key, Spread]:
    """Impedance and free-field level of every channel over drawn units, on axis at the kit's first position.

    Units are drawn from the population that builds taught, else (or on demand) by tolerances. Both curves of a channel
    are of the same units, row by row. Channels built alike share theirs.
    """
    found: dict[Key, Spread] = {}
    for alike in channels_alike(kit):
        random = np.random.default_rng([seed, kit.channels.index(alike[0])])
        model = kit.model(alike[0].name)
        learnt = None if by_tolerances else model.population
        of = draw if learnt is None else drawn_good
        ohm, level = _curves_of(kit, [of(model, random, units) for units in _portions(draws)])
        if learnt is not None:
            ohm, level = _with_own(ohm, level, learnt, random)
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
    return (
        Spread(leads_hz, middle_ohm, ohm / middle_ohm - 1, SCATTER),
        Spread(playing_hz, middle_db, level - middle_db, SCATTER_DB),
    )


def _with_own(ohm: Spread, level: Spread, learnt: Population, random: np.random.Generator) -> tuple[Spread, Spread]:
    """The same units with what each has of its own beyond its parameters, as builds had."""
    units = len(ohm.deviations)
    gain_db = learnt.gain_sigma_db / from_mean(learnt.units) * random.standard_normal((units, 1))

    def own(hertz: Floats, sigma: float) -> Floats:
        root = np.linalg.cholesky(smooth_correlation(hertz, hertz) + LEAST_POWER * np.eye(hertz.size))
        return np.asarray(sigma * random.standard_normal((units, hertz.size)) @ root.T)

    of_z = ohm.deviations + own(ohm.frequency_hz, learnt.smooth_z)
    of_level = level.deviations + gain_db + own(level.frequency_hz, learnt.smooth_db)
    return (
        Spread(ohm.frequency_hz, ohm.centre, of_z, learnt.point_z, is_learnt=True),
        Spread(level.frequency_hz, level.centre, of_level, learnt.point_db, is_learnt=True),
    )


def even_grid(low_hz: float, high_hz: float) -> Floats:
    """Frequencies of spreads and masks: evenly spaced in octaves, both ends among them."""
    count = math.ceil(math.log2(high_hz / low_hz) * POINTS_PER_OCTAVE) + 1
    return np.geomspace(low_hz, high_hz, count)


def _portions(draws: int) -> list[int]:
    """Draws in pieces that fit into a processor's cache and a small computer's memory."""
    return [500] * (draws // 500) + ([draws % 500] if draws % 500 else [])


def resampled(spread: Spread, frequency_hz: Floats) -> Spread:
    """The spread at other frequencies."""
    log, at = np.log(frequency_hz), np.log(spread.frequency_hz)
    right = np.clip(np.searchsorted(at, log), 1, at.size - 1)
    share = np.clip((log - at[right - 1]) / (at[right] - at[right - 1]), 0, 1)
    deviations = spread.deviations[:, right - 1] * (1 - share) + spread.deviations[:, right] * share
    centre = np.interp(log, at, spread.centre)
    return replace(spread, frequency_hz=frequency_hz, centre=centre, deviations=deviations)


def with_elsewhere(spread: Spread, mean: Floats) -> Spread:
    """The spread of an impedance, what the model leaves out of the builds' mean (shape (n,)) elsewhere in each unit.

    A smooth factor takes no sharp resonance of a cone up, but the mean shows it, and it moves from unit to unit as what
    the factor has does. A level's mean shows the baffle's edges as well, which stay where they are.
    """
    left, log = np.log(mean / spread.centre), np.log(spread.frequency_hz)
    higher = ELSEWHERE * np.random.default_rng(mean.size).standard_normal((len(spread.deviations), 1))
    return replace(spread, deviations=spread.deviations + np.interp(log - higher, log, left) - left)
