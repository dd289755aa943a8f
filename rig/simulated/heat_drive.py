"""What a programme's noise makes of a unit: power in its coils, level at its leads, gain to the microphone."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.circuit.units import speed_of_sound_m_s
from rig.design.kit import Kit
from rig.signals.arrays import Floats
from rig.signals.levels import REFERENCE_PRESSURE_PA
from rig.signals.noise_shape import Noise
from rig.signals.programme import spectrum_db
from rig.simulated.physics import driven
from rig.simulated.unit import Unit, box_pressure_pa, lead_gain

#: Octave bands, nominal (IEC 61260-1).
BANDS_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
#: Twelve frequencies an octave, with equal steps of their logarithm: pink noise has as much power at each; by
#: definition.
GRID_HZ = 1000 * 2 ** (np.arange(-72, 54) / 12 + 1 / 24)
OF_BAND = np.abs(np.log2(GRID_HZ[:, None] / np.array(BANDS_HZ))) < 0.5
AIR_CELSIUS = 20.0
#: A coil is made so much warmer, as a factor of its resistance, to see what that does to the gain; made up.
WARMER = 1.2


@dataclass(frozen=True, eq=False)
class Drive:
    """What noise of one volt does to a unit whose coils are cold."""

    #: Per box: volts at its leads, and watts there.
    lead_v: dict[str, float]
    lead_w: dict[str, float]
    #: Per coil, by box and driver: watts.
    coil_w: dict[tuple[str, str], float]
    #: Per box: level at its leads in each band, dB re 1 V; minus infinity where it is not driven.
    band_db: dict[str, Floats]


def drive_of(unit: Unit, noise: Noise, channels: Sequence[str], path_gain: float) -> Drive:
    """What a programme's noise at one volt gives, by the unit's own physics.

    Parameters
    ----------
    unit : Unit
    noise : Noise
    channels : sequence of str
        Those that play.
    path_gain : float
        What the bench believes of the amplifier's gain.
    """
    power = 10 ** (spectrum_db(noise, GRID_HZ) / 10)
    power = power / power.sum()
    drive = Drive({}, {}, {}, {})
    for box in unit.boxes:
        at_lead = np.zeros(GRID_HZ.size)
        for output in unit.outputs:
            if output.box == box.name and output.name in channels:
                at_lead = at_lead + power * np.abs(lead_gain(output, GRID_HZ) / path_gain) ** 2
        moving = driven(box, GRID_HZ)
        for coil in box.coils:
            watt = float(at_lead @ np.abs(moving.coil_a[coil.name]) ** 2 * coil.re_ohm)
            drive.coil_w[box.name, coil.name] = watt if coil.state == "ok" else 0.0
        drive.lead_v[box.name] = math.sqrt(float(at_lead.sum()))
        drive.lead_w[box.name] = float(at_lead @ np.real(1 / moving.lead_ohm))
        drive.band_db[box.name] = 10 * np.log10(np.maximum(at_lead @ OF_BAND, 1e-30))
    return drive


def band_gains_db(unit: Unit, kit: Kit, box: str, at: str, position: str) -> tuple[Floats, Floats]:
    """Gain of a box from its leads to the microphone in each band, and what its coils' resistances do to it.

    Parameters
    ----------
    unit : Unit
    kit : Kit
    box, at, position : str
        The box that plays; the box that the microphone is at, and its position there.

    Returns
    -------
    gain_db : array of shape (bands,)
        In dB SPL for 1 V, with cold coils.
    per_db : array of shape (drivers, bands)
        Change of that for each dB by which a coil's resistance rises, the force factor staying as it is.
    """
    cold = _gain_db(unit, kit, box, at, position)
    changes = []
    for coil in unit.box(box).coils:
        hot = unit.with_box(box, lambda one, coil=coil: one.with_coil(coil.name, re_ohm=coil.re_ohm * WARMER))  # type: ignore[misc]
        changes.append((_gain_db(hot, kit, box, at, position) - cold) / (20 * math.log10(WARMER)))
    return cold, np.array(changes)


def _gain_db(unit: Unit, kit: Kit, box: str, at: str, position: str) -> Floats:
    microphone_m = kit.microphone_m(box, at, kit.position(position))
    pressure = box_pressure_pa(unit, box, microphone_m, GRID_HZ, speed_of_sound_m_s(AIR_CELSIUS))
    mean = (np.abs(pressure) ** 2 @ OF_BAND) / OF_BAND.sum(axis=0)
    return np.asarray(10 * np.log10(np.maximum(mean, 1e-20)) - 20 * math.log10(REFERENCE_PRESSURE_PA))
