"""What good builds share, from their records: the curves of a kit's builds to `design.toml`."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from checks import impedance, response
from rig.circuit.builds_model import Build, Sight
from rig.circuit.population_fit import learn_population
from rig.circuit.radiation import microphone_at
from rig.design.kit import Kit
from rig.design.learnt_design import LearntChannel, LearntDesign, learnt_channel
from rig.design.speaker import ChannelSpec
from rig.findings.observed import AUDIBLE_DB
from rig.values.readings import Curve, Floats

#: Every second point of a curve: a twelfth of an octave; numerical.
EVERY = 2
#: So far beside its band a channel is still heard above what a filter, a gate and the room leave of other sounds; our
#: choice.
BESIDE = 1.5
#: Quantity, subject.
Curves = Mapping[tuple[str, str], Curve]


def learn_design(
    kit: Kit, builds: Mapping[str, Iterable[Curve]], runs: Mapping[str, str], made_at: str
) -> LearntDesign:
    """Learn the population of a kit's channels; channels built alike are one population.

    Parameters
    ----------
    kit : Kit
    builds : mapping
        Serial -> curves of a build that its builder vouches for: impedance and phase of every channel, and free-field
        levels where the microphone was calibrated.
    runs : mapping
        Serial -> the run that they are of.
    made_at : str
    """
    own = [{(curve.quantity, curve.subject): curve for curve in curves} for curves in builds.values()]
    channels = [_learnt(kit, group, own) for group in channels_alike(kit)]
    return LearntDesign(made_at=made_at, builds=dict(runs), channels=channels)


def channels_alike(kit: Kit) -> list[list[ChannelSpec]]:
    """Channels that are built alike, together."""
    found: list[list[ChannelSpec]] = []
    for channel in kit.channels:
        same = next((one for one in found if one[0].model() == replace(channel.model(), name=one[0].name)), None)
        if same is None:
            found.append([channel])
        else:
            same.append(channel)
    return found


def _learnt(kit: Kit, alike: Sequence[ChannelSpec], builds: Sequence[Curves]) -> LearntChannel:
    units = [(channel.name, curves) for channel in alike for curves in builds]
    sights, levels = _level_observations(kit, alike[0].band, units)
    keep = slice(None, None, EVERY)
    measured = []
    for n, (name, curves) in enumerate(units):
        magnitude, phase = curves[impedance.IMPEDANCE, name], curves[impedance.PHASE, name]
        ohm = np.asarray(magnitude.value[keep] * np.exp(1j * np.radians(phase.value[keep])), np.complex128)
        relative = np.where(magnitude.valid, _uncertainty(magnitude) / magnitude.value, np.inf)[keep]
        measured.append(Build(ohm, relative, tuple(of_sight[n] for of_sight in levels)))
    sheet, z_hz = alike[0].model(), magnitude.frequency_hz[keep]
    priors = {
        (driver.name, field): prior.sigma
        for driver in alike[0].drivers
        if not driver.is_described
        for field, prior in driver.priors().items()
    }
    learnt = learn_population(sheet, z_hz, sights, measured, priors)
    return learnt_channel([one.name for one in alike], sheet, learnt, [sight.position for sight in sights])


def _level_observations(
    kit: Kit, band: tuple[float, float], units: Sequence[tuple[str, Curves]]
) -> tuple[list[Sight], list[list[tuple[Floats, Floats]]]]:
    """Where the microphone heard all units, and for each place their levels and standard uncertainties."""
    settings = response.Settings.model_validate(kit.checks.get(response.NAME, {}))
    sights, levels = [], []
    for n, position in enumerate(settings.positions):
        subjects = [f"{name} {position}" if n else name for name, _ in units]
        found = [
            curves.get((response.FREE_FIELD_LEVEL, subject))
            for subject, (_, curves) in zip(subjects, units, strict=True)
        ]
        known = [level for level in found if level is not None and level.absolute]
        if len(known) == len(units) and (at := _trusted(known, band)).size > 1:
            place = kit.position(position)
            seen = microphone_at(place.distance_m, place.angle_deg)
            sights.append(Sight(position, seen, known[0].frequency_hz[at], kit.levels.playing_v))
            levels.append([(level.value[at], _uncertainty(level)[at]) for level in known])
    return sights, levels


def _trusted(levels: Sequence[Curve], band: tuple[float, float]) -> NDArray[np.intp]:
    """Every second point that can be trusted in all of them, and where the channel itself is heard."""
    middle, hertz = np.mean([level.value for level in levels], axis=0), levels[0].frequency_hz
    trusted = (
        np.all([level.valid for level in levels], axis=0) & (hertz > band[0] / BESIDE) & (hertz < BESIDE * band[1])
    )
    return np.flatnonzero(trusted & (middle > np.nanmax(middle) - AUDIBLE_DB))[::EVERY]


def _uncertainty(curve: Curve) -> Floats:
    return np.zeros(curve.value.size) if curve.uncertainty is None else np.nan_to_num(curve.uncertainty)
