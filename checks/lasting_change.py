"""Lasting change: what long loud playing has done to the unit for good.

The same sweeps are played before the programme, right after it while the unit is hot, and once it has rested; and the
impedance at the bare leads is measured once more. A change that cools away is told and need not be judged; a change
that stays is one. Suspensions soften a little in their first hours and recover in part, so a rest belongs to it.
"""

from collections.abc import Sequence
from typing import Annotated

import numpy as np

from checks import impedance
from checks.impedance import load_impedance, trusted
from checks.response import BEFORE_S, ROOM_S, smoothed_powers
from rig.design.kit import Kit
from rig.design.soak import programme, rest, soak_of
from rig.design.trust import RestsOn
from rig.files.tables import Table, between
from rig.signals.gating import gate
from rig.signals.levels import db
from rig.signals.noise import snr_db
from rig.values.captures import Capture
from rig.values.logs import Log
from rig.values.readings import CheckReadings, Curve, Reading
from rig.values.requests import Programme, Sweep
from rig.verdict.responses import arrived_response, judged_grid

NAME = "lasting_change"
TITLE = "What long loud playing has changed for good"
GATE = False

LEVEL_CHANGE = "level change"
HOT_CHANGE = "level change while hot"
IMPEDANCE_CHANGE = "impedance change"
FS_CHANGE = "fs change"
RE_CHANGE = "Re change"
#: What is fitted to the impedance -> what its change is called.
CHANGES = {impedance.FS: FS_CHANGE, impedance.RE: RE_CHANGE}
#: Two sweeps of one bench are compared: no level and no place matters.
RESTS_ON = RestsOn(("sense",))
TERMS = {
    LEVEL_CHANGE: "Level of the rested unit after long loud playing minus that before. What does not come back is "
    "damage: a coil rubs or has lost turns, a surround or a joint has let go. See that microphone and box were not "
    "moved.",
    HOT_CHANGE: "The same right after playing, while all is hot; it cools away in a sound unit.",
    IMPEDANCE_CHANGE: "Impedance at the bare leads after long loud playing and rest against before. A step in one "
    "range of frequencies points at the part that works there.",
    FS_CHANGE: "How far the driver's resonance has moved. A few percent down is a suspension that has softened; more, "
    "or up, is a suspension or glue that has changed for good.",
    RE_CHANGE: "How far the coil's resistance has moved. 0.4 % a kelvin is a coil that is still warm: let it rest "
    "longer. Lower than before is shorted turns, higher a joint or a clip.",
}


class Settings(Table):
    """Settings of this check."""

    #: Between the end of the programme and the sweeps of the rested unit.
    rest_seconds: Annotated[float, between(10, 86400)] = 1800.0
    #: The kit's check whose programme it is.
    soak: str = "heat"
    points_per_octave: int = 12
    #: Responses are smoothed over 1/so many octaves.
    smoothing: float = 6.0
    #: Points that stand less than this above the noise are not judged.
    over_noise_db: float = 15.0
    at_the_leads: impedance.Settings = impedance.Settings()


def requests(kit: Kit, settings: Settings) -> list[Sweep | Programme]:
    """Of each channel a sweep before, right after and when rested; the rest; the leads before and after."""
    played = programme(kit, soak_of(kit, settings.soak))
    leads = [kit.sweep(stage, name) for name in played.channels for stage in ("leads", "after")]
    sweeps = [
        kit.sweep("soak", name, played.at, played.position, moment=moment)
        for name in played.channels
        for moment in ("before", "hot", "cooled")
    ]
    return [*leads, *sweeps, rest(played, settings.rest_seconds)]


def read(captures: Sequence[Capture | Log], settings: Settings, kit: Kit) -> CheckReadings:
    """Differences to before: of the level, hot and rested; of the impedance and what is fitted to it."""
    sweeps = [capture for capture in captures if isinstance(capture, Capture)]
    leads = [capture for capture in sweeps if capture.request.stage in ("leads", "after")]
    playing = [capture for capture in sweeps if capture.request.stage == "soak"]
    curves, readings = [], []
    for before, after in zip(leads[::2], leads[1::2], strict=True):
        curves.append(impedance_change(before, after, settings))
        readings += parameter_changes(before, after, settings, kit)
    for before, hot, cooled in zip(playing[::3], playing[1::3], playing[2::3], strict=True):
        curves.append(level_change(HOT_CHANGE, before, hot, settings))
        curves.append(level_change(LEVEL_CHANGE, before, cooled, settings))
    return CheckReadings(tuple(readings), tuple(curves))


def level_change(quantity: str, before: Capture, after: Capture, settings: Settings) -> Curve:
    """Level after minus level before, the microphone and everything else unmoved."""
    grid = judged_grid(before.request, settings.points_per_octave)
    levels, over_noise = [], []
    for capture in (before, after):
        acoustic = arrived_response(capture)
        gated = gate(acoustic.impulse, acoustic.sample_rate_hz, acoustic.arrival_s, BEFORE_S, ROOM_S)
        power, noise = smoothed_powers(acoustic, gated, grid, settings.smoothing)
        levels.append(db(np.sqrt(power)))
        over_noise.append(snr_db(np.sqrt(power), noise))
    least_db = np.minimum(*over_noise)
    # A disturbance d dB below, at random phase, in each of the two: 8.69 * 10^(-d / 20) dB.
    uncertainty = 8.69 * 10 ** (-least_db / 20)
    valid = (grid >= gated.lowest_valid_hz) & (least_db > settings.over_noise_db)
    return Curve(quantity, before.request.channel, grid, levels[1] - levels[0], "dB", valid, uncertainty)


def impedance_change(before: Capture, after: Capture, settings: Settings) -> Curve:
    """Change of the impedance's magnitude at the bare leads, in percent."""
    grid = judged_grid(before.request, settings.points_per_octave)
    loads = [load_impedance(capture, grid) for capture in (before, after)]
    ratio = np.abs(loads[1].ohm) / np.abs(loads[0].ohm)
    relative = [load.uncertainty_ohm / np.abs(load.ohm) for load in loads]
    within_percent = settings.at_the_leads.uncertainty_percent
    valid = trusted(loads[0], within_percent) & trusted(loads[1], within_percent)
    uncertainty = 100 * ratio * np.hypot(*relative)
    return Curve(IMPEDANCE_CHANGE, before.request.channel, grid, 100 * (ratio - 1), "%", valid, uncertainty)


def parameter_changes(before: Capture, after: Capture, settings: Settings, kit: Kit) -> list[Reading]:
    """Changes of resonance and coil resistance of the channel's lowest driver, in percent."""
    fits = [impedance.fitted(capture, kit, settings.at_the_leads) for capture in (before, after)]
    readings = []
    for first, second in zip(*fits, strict=True):
        if first.quantity in CHANGES:
            change = 100 * (second.value / first.value - 1)
            # What the fit holds fixed is the same unit's both times, and so is the bench.
            uncertainty = 100 * float(np.hypot(first.parts["fit"], second.parts["fit"])) / first.value
            trouble = first.trouble or second.trouble
            readings.append(Reading(CHANGES[first.quantity], first.subject, change, "%", uncertainty, trouble))
    return readings
