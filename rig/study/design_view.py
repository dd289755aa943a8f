"""What a kit's file models, as curves and tables: one view for each kind of box. Pure, from the lumped model."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from checks import heat
from rig.circuit.channel import Channel, driver_voltage, electronic_response, impedance_ohm
from rig.circuit.crossover import Crossing, crossings, steps_db
from rig.circuit.driver import Driver
from rig.circuit.radiation import driver_pressure_pa, microphone_at
from rig.circuit.stress import Load, noise_lines_v, of_noise, of_sweep, stresses
from rig.design.kit import Kit, PositionSpec
from rig.design.soak import SoakTable
from rig.design.speaker import ChannelSpec
from rig.signals.arrays import Complex
from rig.signals.levels import REFERENCE_PRESSURE_PA, db
from rig.signals.programme import spectrum_db
from rig.study.designed import settings_of
from rig.values.readings import Floats

#: What is drawn, and its points an octave; numerical.
FROM_HZ, TO_HZ, PER_OCTAVE = 20.0, 20000.0, 48
#: Of a part printed in volts the peak counts; no noise is unlimited, and this many times its RMS value hardly occurs;
#: our choice.
PEAK_OF_NOISE = 4.0


@dataclass(frozen=True, eq=False)
class Sound:
    """A box heard at one position of the microphone, at the level of the kit's sweeps; arrays as in `DesignView`."""

    position: PositionSpec
    #: Pascal, shape (drivers, frequencies).
    shares: Complex

    @property
    def level_db(self) -> Floats:
        """Of all drivers together, in dB SPL."""
        return db(np.abs(self.shares.sum(axis=0)) / REFERENCE_PRESSURE_PA)

    @property
    def share_db(self) -> Floats:
        """Of each driver alone."""
        return db(np.abs(self.shares) / REFERENCE_PRESSURE_PA)


@dataclass(frozen=True, eq=False)
class Strain:
    """What a part or driver takes at the level of the sweeps, at that of the soak, and what it stands."""

    name: str
    driver: Driver | None
    sweep: Load
    #: None: the kit has no soak.
    soak: Load | None
    #: What it stands, in `unit` (W, peak V, RMS A); infinite: the kit does not say.
    rating: float
    unit: str

    @property
    def rating_words(self) -> str:
        """What it stands, in words."""
        return "not said" if np.isinf(self.rating) else f"{self.rating:g} {self.unit}"

    def of(self, load: Load) -> float:
        """What of a load counts against the rating; of a signal whose peaks count, those."""
        if self.driver is not None:
            # A driver's rated power is that of its rated impedance (IEC 60268-5).
            return load.volts**2 / self.driver.nominal_ohm
        if self.unit == "W":
            return load.watts
        peaks = np.sqrt(2) if load is self.sweep else PEAK_OF_NOISE
        return load.amperes if self.unit == "A" else float(load.volts * peaks)


@dataclass(frozen=True, eq=False)
class DesignView:
    """A box as its file models it. Arrays of shape (frequencies,) unless said otherwise."""

    #: All boxes that are built so.
    names: tuple[str, ...]
    spec: ChannelSpec
    drivers: tuple[Driver, ...]
    frequency_hz: Floats
    ohm: Complex
    #: Volts at each driver for a volt ahead of the electronic filter, shape (drivers, frequencies).
    electrical: Complex
    #: At every position of the kit in front of the box.
    sounds: tuple[Sound, ...]
    #: Heard at the first position.
    crossings: tuple[Crossing, ...]
    #: By how much each driver is louder in its band than the next lower one in its own: lower, upper, dB.
    steps: tuple[tuple[str, str, float], ...]
    strains: tuple[Strain, ...]
    #: Drivers that no sheet and no build describes.
    guessed: tuple[str, ...]


def design_views(kit: Kit) -> list[DesignView]:
    """One view for all boxes that are built alike."""
    kinds: list[list[str]] = []
    for spec in kit.channels:
        alike = next((names for names in kinds if _is_alike(kit.channel(names[0]), spec)), None)
        if alike is None:
            kinds.append([spec.name])
        else:
            alike.append(spec.name)
    return [_view(kit, tuple(names)) for names in kinds]


def boxes(view: DesignView) -> str:
    """The boxes of a view, by name."""
    return " and ".join(view.names)


def _is_alike(one: ChannelSpec, other: ChannelSpec) -> bool:
    built = [spec.model_copy(update={"name": "", "place_m": [], "band_hz": None}) for spec in (one, other)]
    return built[0] == built[1]


def _view(kit: Kit, names: tuple[str, ...]) -> DesignView:
    octaves = np.log2(TO_HZ / FROM_HZ)
    frequency = np.geomspace(FROM_HZ, TO_HZ, round(octaves * PER_OCTAVE) + 1)
    model = kit.model(names[0])
    # Close to a cone or port no share of a driver means anything.
    sounds = tuple(_sound(kit, names[0], place, frequency) for place in kit.positions if place.near is None)
    fed = electronic_response(model, frequency)
    return DesignView(
        names=names,
        spec=kit.channel(names[0]),
        drivers=model.drivers,
        frequency_hz=frequency,
        ohm=impedance_ohm(model, frequency),
        electrical=driver_voltage(model, frequency, fed),
        sounds=sounds,
        crossings=tuple(crossings(model.drivers, frequency, sounds[0].shares)),
        steps=tuple(steps_db(model.drivers, frequency, sounds[0].shares)),
        strains=tuple(_strains(kit, model, frequency)),
        guessed=kit.undescribed(names[0]),
    )


def _sound(kit: Kit, name: str, position: PositionSpec, frequency: Floats) -> Sound:
    microphone = microphone_at(position.distance_m, position.angle_deg)
    model = kit.model(name, position.name)
    return Sound(position, driver_pressure_pa(model, frequency, kit.levels.playing_v, microphone))


def soak_settings(kit: Kit) -> SoakTable | None:
    """The kit's soak; None where it has none."""
    return settings_of(kit, heat.NAME, SoakTable)


def _strains(kit: Kit, model: Channel, frequency: Floats) -> Iterator[Strain]:
    soak = soak_settings(kit)
    is_soaked = soak is not None and (not soak.channels or model.name in soak.channels)
    swept = [of_sweep(one) for one in stresses(model, frequency, kit.levels.playing_v)]
    soaked: list[Load] | list[None] = [None] * len(swept)
    if soak is not None and is_soaked:
        lines = noise_lines_v(soak.level_v, 10 ** (spectrum_db(soak.noise.noise(), frequency) / 10))
        soaked = [of_noise(one) for one in stresses(model, frequency, lines)]
    drivers = {driver.name: driver for driver in model.drivers}
    powers = {spec.name: spec.power_w for spec in kit.channel(model.name).drivers}
    for sweep, noise in zip(swept, soaked, strict=True):
        if sweep.part is None:
            yield Strain(sweep.name, drivers[sweep.name], sweep, noise, powers[sweep.name] or np.inf, "W")
        else:
            unit = {"R": "W", "C": "V", "L": "A"}[sweep.part.kind]
            yield Strain(sweep.name, None, sweep, noise, sweep.part.rating, unit)
