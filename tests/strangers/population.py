"""One unit of a design: the sheets' errors of a seed, the spread of its serial, and what flows and sounds in it.

A seed is a batch of drivers and a workshop: what all units of it share. How far sheets and units lie apart is common
practice, no source.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicSpline

from strangers import nodal, stepping
from strangers.air import Baffle, Place, Surroundings, transfer
from strangers.designs import Design
from strangers.driver import SOUND_M_S, Hidden, MovingCoil, driver_elements, moving_coil, surfaces
from strangers.enclosure import BOX, MOUTH, PASSIVE, Enclosure, box_elements
from strangers.network import Part, part_elements, parts_of
from strangers.nodal import GROUND, Complex, Element, Floats, Series

#: What a batch of drivers is off its sheet at most, by what a driver is made of: of the sheet's numbers Vas is then off
#: by 20 %, Qms by 22, Qes by 14 and fs by 11 (two standard deviations).
SHEET = {
    "compliance_m_n": 0.20,
    "mass_kg": 0.08,
    "losses_n_s_m": 0.20,
    "force_factor": 0.04,
    "re_ohm": 0.03,
    "inductance_h": 0.20,
    "breakup_hz": 0.10,
}
BOX_OFF = 0.04
#: The most that one unit is off the mean of its batch.
OWN = {
    "compliance_m_n": 0.09,
    "mass_kg": 0.02,
    "losses_n_s_m": 0.12,
    "force_factor": 0.02,
    "re_ohm": 0.025,
    "inductance_h": 0.06,
    "breakup_hz": 0.03,
}
OWN_BOX, OWN_LOSSES = 0.015, 0.2
PARTS = {"R": 0.05, "L": 0.03, "C": 0.05}
#: What the level of the card is off, in decibels.
CARD_DB = 0.5
LEAD = "lead"
#: Between the leads when nothing else is.
INSULATION_OHM = 1e8
#: 200 points an octave hold a resonance of Q 50.
GRID_HZ = np.geomspace(1.0, 24500.0, 2918)


def chance(*key: object) -> np.random.Generator:
    """A random generator that is the same for the same key everywhere."""
    digest = hashlib.sha256(repr(key).encode()).digest()
    return np.random.default_rng(int.from_bytes(digest[:16], "big"))


def _off(random: np.random.Generator, most: float) -> float:
    """A factor around 1: normal, its bound at two standard deviations, cut there."""
    return float(1 + np.clip(random.standard_normal() * most / 2, -most, most))


@dataclass(frozen=True)
class Unit:
    """One unit, and what it does; faults change its fields."""

    design: Design
    seed: int
    coils: tuple[MovingCoil, ...]
    parts: tuple[Part, ...]
    #: The node that each driver's coil hangs at, in their order.
    ends: tuple[str, ...]
    box: Enclosure
    lowpass_hz: float | None
    #: Of its amplifier, over what it should be.
    gain: float = 1.0

    def impedance_ohm(self, box: str, frequency_hz: Floats) -> Complex:
        """Impedance at the bare leads, shape of `frequency_hz`; the only box has any name."""
        return np.asarray(1 / self._on(self._solved[0], frequency_hz))

    def pressure_pa(
        self, box: str, microphone_m: Sequence[float], frequency_hz: Floats, speed_m_s: float = SOUND_M_S
    ) -> Complex:
        """Pressure at a microphone in the seed's room over a volt that the amplifier should give, shape (n,)."""
        design, room = self.design, surroundings(self.design, self.seed)
        width, above, below = design.baffle_m
        baffle = Baffle(width / 2, above, below, design.depth_m if design.kind == "open" else None)
        total = np.zeros(frequency_hz.size, dtype=np.complex128)
        for place, velocity in zip(self.places, self._solved[1], strict=True):
            moved = 2j * np.pi * frequency_hz * self._on(velocity, frequency_hz)
            total += moved * transfer(place, baffle, microphone_m, room, speed_m_s, frequency_hz)
        return np.asarray(self.gain * _lowpass(self.lowpass_hz, frequency_hz) * total)

    @property
    def places(self) -> list[Place]:
        """Of all that sounds: the drivers, and the pipe or the passive radiator."""
        found = [
            Place(0.0, fitted.up_mm / 1e3, coil.area_m2, fitted.behind_mm / 1e3)
            for fitted, coil in zip(self.design.drivers, self.coils, strict=True)
        ]
        area = {"vented": self.box.port_m2, "passive": self.box.passive_m2}.get(self.box.kind, 0.0)
        if area and not self.box.is_blocked:
            found.append(Place(0.0, self.design.port_up_mm / 1e3, area))
        return found

    def elements(self) -> Iterator[Element]:
        """The whole net."""
        yield Series(LEAD, resistance=INSULATION_OHM)
        for part in self.parts:
            yield from part_elements(part)
        for fitted, coil, end in zip(self.design.drivers, self.coils, self.ends, strict=True):
            back = BOX if fitted.in_box and self.box.kind != "open" else GROUND
            yield from driver_elements(coil, end, back, self.design.stepped)
        yield from box_elements(self.box, self.design.stepped)

    @cached_property
    def _solved(self) -> tuple[Complex, list[Complex]]:
        """Current at the leads, and the volume velocity of each place, over a volt there; on `GRID_HZ`."""
        net = list(self.elements())
        areas = [surfaces(coil) for coil in self.coils]
        names = [name for of_one in areas for name in of_one]
        opening = {"vented": MOUTH, "passive": PASSIVE}.get(self.box.kind)
        if opening and not self.box.is_blocked:
            names.append(opening)
        if self.design.stepped:
            at_hz, current, stepped = stepping.solve(net, LEAD, names)
            kept = at_hz <= 1.1 * GRID_HZ[-1]
            spectra = CubicSpline(at_hz[kept], np.stack([current, *stepped.values()])[:, kept], axis=1)(GRID_HZ)
            current, potentials = spectra[0], dict(zip(names, spectra[1:], strict=True))
        else:
            current, potentials = nodal.solve(net, LEAD, GRID_HZ)
        moved = [sum(area * potentials[name] for name, area in of_one.items()) for of_one in areas]
        if MOUTH in names:
            moved.append(potentials[MOUTH] * self.box.mouth_admittance(2j * np.pi * GRID_HZ))
        if PASSIVE in names:
            moved.append(potentials[PASSIVE] * self.box.passive_m2)
        return current, moved

    @staticmethod
    def _on(values: Complex, frequency_hz: Floats) -> Complex:
        wanted = np.clip(frequency_hz, GRID_HZ[0], GRID_HZ[-1])
        return np.asarray(CubicSpline(np.log(GRID_HZ), values)(np.log(wanted)))


def unit(design: Design, seed: int, serial: str) -> Unit:
    """The good unit of this serial out of the batch of this seed."""
    batch, own = chance(design.name, seed), chance(design.name, seed, serial)
    coils = []
    for fitted in design.drivers:
        coil = moving_coil(fitted.name, fitted.sheet, fitted.hidden)
        coil = _drawn(_drawn(coil, batch, SHEET, 0.15), own, OWN, 0.06)
        coils.append(replace(coil, sign=-1 if fitted.polarity == "reversed" else 1))
    parts = tuple(
        replace(
            part,
            value=part.value * float(own.uniform(1 - PARTS[part.kind], 1 + PARTS[part.kind])),
            series_ohm=part.series_ohm * _off(own, 0.05),
        )
        for part in nominal_parts(design)
    )
    ends = tuple(end for _, end in networks(design))
    box = _box(design, batch, own)
    lowpass_hz = design.lowpass_hz and design.lowpass_hz * _off(batch, 0.04) * _off(own, 0.02)
    return Unit(design, seed, tuple(coils), parts, ends, box, lowpass_hz)


def networks(design: Design) -> list[tuple[list[Part], str]]:
    """The parts before each driver at the kit's values, and the node that its coil hangs at."""
    return [parts_of(fitted.name, [line.split(" +-")[0] for line in fitted.network], LEAD) for fitted in design.drivers]


def nominal_parts(design: Design) -> list[Part]:
    """All parts at the kit's values, in its order."""
    return [part for parts, _ in networks(design) for part in parts]


def card_gain(design: Design, seed: int) -> float:
    """What the level of the seed's sound card is off, as a factor."""
    return float(10 ** (chance("card", design.name, seed).uniform(-CARD_DB, CARD_DB) / 20))


def surroundings(design: Design, seed: int) -> Surroundings:
    """The seed's room: the same for all of its units."""
    random = chance("room", design.name, seed)
    spans = np.array([1.15, 1.35, 1.9, 2.4, 1.8, 3.1]) * random.uniform(0.95, 1.05, 6)
    below, above, left, right, behind, facing = (float(x) for x in spans)
    reflects = float(random.uniform(0.45, 0.65))
    return Surroundings(below, above, left, right, behind, facing, reflects, float(random.uniform(2000, 4000)))


def _box(design: Design, batch: np.random.Generator, own: np.random.Generator) -> Enclosure:
    return Enclosure(
        kind=design.kind,
        volume_m3=design.volume_l * 1e-3 * _off(batch, BOX_OFF) * _off(own, 0.005),
        tuning_hz=_stated_at_hz(design) * _off(batch, BOX_OFF) * _off(own, OWN_BOX),
        leak_q=float(batch.uniform(14, 30)) * _off(own, OWN_LOSSES),
        damping_q=float(batch.uniform(20, 60)) * _off(own, OWN_LOSSES),
        depth_m=design.depth_m,
        port_radius_m=design.port_radius_mm / 1e3,
        passive_m2=design.passive_cm2 * 1e-4,
    )


def _stated_at_hz(design: Design) -> float:
    """The tuning, or where the first driver in a closed box resonates."""
    if design.kind != "closed":
        return design.tuning_hz
    sheet = design.drivers[0].sheet
    return float(sheet.fs_hz * np.sqrt(1 + sheet.vas_l / design.volume_l))


def _drawn(coil: MovingCoil, random: np.random.Generator, off: dict[str, float], hidden_off: float) -> MovingCoil:
    changed = {name: getattr(coil, name) * _off(random, most) for name, most in off.items()}
    return replace(coil, hidden=_drawn_hidden(coil.hidden, random, hidden_off), **changed)


def _drawn_hidden(hidden: Hidden, random: np.random.Generator, most: float) -> Hidden:
    surround_mass, surround_area, surround_hz, surround_q = hidden.surround
    rim_mass, rim_area, rim_q = hidden.rim
    return replace(
        hidden,
        creep=hidden.creep * _off(random, 2 * most),
        surround=(
            surround_mass * _off(random, most),
            surround_area,
            surround_hz * _off(random, most),
            surround_q * _off(random, 2 * most),
        ),
        rim=(rim_mass * _off(random, most), rim_area, rim_q * _off(random, 2 * most)),
        chamber=hidden.chamber * _off(random, most),
        fluid=hidden.fluid * _off(random, most),
    )


def _lowpass(corner_hz: float | None, frequency_hz: Floats) -> Complex | float:
    """Two sections of second order, Butterworth each (S. H. Linkwitz, JAES 24 (1976))."""
    if corner_hz is None:
        return 1.0
    x = 1j * frequency_hz / corner_hz
    return np.asarray(1 / (1 + np.sqrt(2) * x + x**2) ** 2)
