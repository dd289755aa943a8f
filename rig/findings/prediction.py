"""What the model expects to be observed of a channel with a fault, for many units at once."""

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from rig.circuit.channel import Channel
from rig.circuit.population import Parameter
from rig.circuit.radiation import Position, driver_pressure_pa, microphone_at
from rig.circuit.spread import moved_good, parameters
from rig.circuit.units import Complex, Floats, Value
from rig.design.kit import Kit
from rig.findings.branches import Alone, branches_of, channel_impedance_ohm, channel_pressure_pa
from rig.findings.dictionary import LOUD_NEIGHBOUR, Cause, Hypothesis
from rig.findings.observed import Asked, compressed_db, compressed_ohm
from rig.signals.smoothing import log_frequency_grid
from rig.verdict.responses import mean_db

#: Of clips and cable, which end up in every impedance, and of level from amplifier to microphone: standard deviations
#: over benches; common practice, no source.
LEAD_SIGMA_OHM = 0.05
GAIN_SIGMA_DB = 1.0
#: ... and on one bench from day to day (our choice; tests/benchmarks/naming_faults.py).
LEAST_GAIN_SIGMA_DB = 0.2
#: Means over bands are taken on so many points an octave; numerical.
BAND_POINTS = 6


@dataclass(frozen=True)
class Scene:
    """One channel at the jig: the design, where the microphone stands, and what else may play there."""

    model: Channel
    microphone_m: Position
    #: Driver -> its band, and the band of the ping.
    bands_hz: tuple[tuple[str, tuple[float, float]], ...]
    ping_hz: tuple[float, float]
    #: Other channels: (name, design, microphone as seen from their box, whether this one is built alike).
    others: tuple[tuple[str, Channel, Position, bool], ...]

    @cached_property
    def spread(self) -> tuple[Parameter, ...]:
        """What differs from unit to unit."""
        return parameters(self.model)

    @property
    def gain_sigma_db(self) -> float:
        """How far the levels of good units, and of benches, lie apart; builds teach it of the bench that they share."""
        learnt = self.model.population
        return GAIN_SIGMA_DB if learnt is None else max(learnt.gain_sigma_db, LEAST_GAIN_SIGMA_DB)

    @property
    def size(self) -> int:
        """Number of deviations of a prediction: those of a good unit, lead resistance, level, the fault's amount."""
        return self.good_size + 3

    @property
    def good_size(self) -> int:
        """Number of deviations that make a good unit: the spread, and what builds could not teach."""
        learnt = self.model.population
        return len(self.spread) + (0 if learnt is None else learnt.hidden_root.shape[1])


def deviations_of(scene: Scene, hypothesis: Hypothesis) -> int:
    """Number of deviations of a hypothesis: the scene's, and the amount of a second fault."""
    return scene.size + (hypothesis.second is not None)


def with_fault(hypothesis: Hypothesis, channel: Channel, wanted: Floats) -> tuple[Channel, Value]:
    """The channel with a fault, or with both, and the gain that they are.

    Parameters
    ----------
    hypothesis : Hypothesis
    channel : Channel
        Of as many units as `wanted` has rows.
    wanted : array of shape (units, faults)
        The amounts' deviations, in standard deviations.
    """
    amount = hypothesis.amount * np.exp(hypothesis.amount_sigma * wanted[:, :1])
    faulty, gain = hypothesis.change(channel, amount), amount if hypothesis.is_gain else 1.0
    if hypothesis.second is None:
        return faulty, gain
    faulty, besides = with_fault(hypothesis.second, faulty, wanted[:, 1:])
    return faulty, gain * besides


def scene_of(kit: Kit, channel: str) -> Scene:
    """The scene of a channel at the kit's first microphone position."""
    spec, place = kit.channel(channel), kit.positions[0]
    here = microphone_at(place.distance_m, place.angle_deg)
    pairs = {(a.name, b.name) for a, b in kit.equal_channels()}
    others = []
    for other in kit.channels:
        right, front = (here_m - there_m for here_m, there_m in zip(spec.place_m, other.place_m, strict=True))
        seen: Position = (here[0] + right, here[1], here[2] + front)
        if other.name != channel and seen[2] >= 0:
            alike = bool({(channel, other.name), (other.name, channel)} & pairs)
            others.append((other.name, kit.model(other.name), seen, alike))
    bands = tuple((driver.name, (driver.band_hz[0], driver.band_hz[1])) for driver in spec.drivers)
    return Scene(kit.model(channel), here, bands, spec.band, tuple(others))


def predicted(scene: Scene, hypothesis: Hypothesis, deviations: Floats, like: Asked) -> Floats:
    """Real and imaginary part of the impedance, levels, and single numbers, in the form and order of `Observed.vector`.

    Parameters
    ----------
    scene, hypothesis
    deviations : array of shape (units, deviations_of(scene, hypothesis))
        In standard deviations: the spread of the parts; then lead resistance, level, the amount of each fault.
    like : Asked
        Which values are wanted.

    Returns
    -------
    array of shape (units, values)
    """
    size = scene.good_size
    channel = _moved(scene, deviations[:, :size])
    lead, level = (deviations[:, size + i : size + i + 1] for i in range(2))
    faulty, own_gain = with_fault(hypothesis, channel, deviations[:, size + 2 :])
    units = deviations.shape[0]
    branches = branches_of(faulty, units)
    blocks = []
    if like.z_hz:
        z = compressed_ohm(channel_impedance_ohm(branches, np.asarray(like.z_hz)) + LEAD_SIGMA_OHM * lead)
        blocks += [z.real, z.imag]
    gain = 10 ** (scene.gain_sigma_db * level / 20) * own_gain
    ratios = [gain * ratio for ratio in _levels(scene, hypothesis, faulty, branches, like)]
    if like.has_ping:
        ratios[-1] = np.hypot(ratios[-1], like.ping_noise)
    blocks += [compressed_db(ratio) for ratio in ratios]
    if like.has_others:
        louder: Value = 1.0
        if hypothesis.cause.kind == LOUD_NEIGHBOUR:
            louder = hypothesis.amount * np.exp(hypothesis.amount_sigma * deviations[:, -1:])
        blocks.append(compressed_db(_loudest_other(scene, hypothesis, louder)))
    return np.concatenate([np.broadcast_to(block, (units, block.shape[-1])) for block in blocks], axis=1)


def _moved(scene: Scene, deviations: Floats) -> Channel:
    if not deviations.any():
        return scene.model
    return _moved_to(scene, tuple(map(tuple, deviations.tolist())))


@lru_cache(maxsize=8)
def _moved_to(scene: Scene, deviations: tuple[tuple[float, ...], ...]) -> Channel:
    # About the nominal values every hypothesis asks for the same.
    return moved_good(scene.model, np.array(deviations))


def driver_pressures(scene: Scene, hypothesis: Hypothesis, faulty: Channel, frequency_hz: Floats) -> Complex:
    """Pressure of each driver at the microphone for a volt, shape (drivers, units, frequencies)."""
    if not hypothesis.box:
        return driver_pressure_pa(faulty, frequency_hz, 1.0, scene.microphone_m)
    there = {name: (model, seen) for name, model, seen, _ in scene.others}
    model, seen = there[hypothesis.box]
    return driver_pressure_pa(replace(model, filter=faulty.filter), frequency_hz, 1.0, seen)


def design(scene: Scene, frequency_hz: Floats) -> Complex:
    """Pressure of each driver of the design for a volt, shape (drivers, frequencies)."""
    return _design(scene.model, scene.microphone_m, tuple(frequency_hz.tolist()))


@lru_cache(maxsize=64)
def _design(model: Channel, microphone_m: Position, wanted_hz: tuple[float, ...]) -> Complex:
    found = driver_pressure_pa(model, np.array(wanted_hz), 1.0, microphone_m)
    found.flags.writeable = False
    return found


def band_grid(band_hz: tuple[float, float]) -> Floats:
    """Frequencies that stand for a band."""
    return log_frequency_grid(band_hz[0], band_hz[1], BAND_POINTS)


def _rms(pressure: Complex) -> Floats:
    return np.asarray(np.sqrt(np.mean(np.abs(pressure) ** 2, axis=-1, keepdims=True)))


def _levels(scene: Scene, hypothesis: Hypothesis, faulty: Channel, branches: list[Alone], like: Asked) -> list[Floats]:
    """Ratios to the design: the two curves, the band of each driver that was read, and the ping.

    Shape (units, frequencies) or (units, 1) each.
    """
    names = [driver.name for driver in scene.model.drivers]
    read = [(name, band_grid(band_hz)) for name, band_hz in scene.bands_hz if name in like.bands]
    ping = [band_grid(scene.ping_hz)] if like.has_ping else []
    grids = [np.asarray(like.level_hz), np.asarray(like.low_hz), *(grid for _, grid in read), *ping]
    every = np.concatenate(grids)
    if not every.size:
        return []
    if hypothesis.box:
        pressure = driver_pressures(scene, hypothesis, faulty, every).sum(axis=0).reshape(-1, every.size)
    else:
        pressure = channel_pressure_pa(branches, every, scene.microphone_m)
    drivers = design(scene, every)
    pieces = np.split(np.arange(every.size), np.cumsum([grid.size for grid in grids])[:-1])
    ratios = [np.abs(pressure[:, at]) / np.abs(drivers[:, at].sum(axis=0)) for at in pieces[:2] if at.size]
    for (name, _), at in zip(read, pieces[2:], strict=False):
        ratios.append(_rms(pressure[:, at]) / _rms(drivers[names.index(name), at]))
    ratios += [_rms(pressure[:, at]) / _rms(drivers[:, at].sum(axis=0)) for at in pieces[2 + len(read) :]]
    return ratios


def _loudest_other(scene: Scene, hypothesis: Hypothesis, louder: Value) -> Floats:
    """Ratio to the design of what the loudest of the boxes built alike gives here, one of them so much louder."""
    ratios = [
        ratio * (louder if hypothesis.cause == Cause(LOUD_NEIGHBOUR, scene.model.name, (name,)) else 1.0)
        for name, ratio in _others(scene, hypothesis.box)
    ]
    return np.atleast_2d(np.max(np.broadcast_arrays(*ratios, 1e-10), axis=0))


@lru_cache(maxsize=64)
def _others(scene: Scene, swapped_with: str) -> tuple[tuple[str, float], ...]:
    """Ratio to the design of what each of the boxes built alike gives at this one's microphone, by name."""
    grid = band_grid(scene.ping_hz)
    whole_db = mean_db(design(scene, grid).sum(axis=0))
    found = []
    for name, model, seen, alike in scene.others:
        if alike:
            # When the leads are swapped it is this box that the other's output plays.
            box, where = (scene.model, scene.microphone_m) if swapped_with == name else (model, seen)
            pressure = driver_pressure_pa(replace(box, filter=model.filter), grid, 1.0, where).sum(axis=0)
            found.append((name, float(10 ** ((mean_db(pressure) - whole_db) / 20))))
    return tuple(found)
