"""What the checks would read of a unit that is exactly like the design, and what the kit's own limits say of that.

Pure: the readings are computed from the lumped model, under the checks' own names, with nothing played.
"""

from collections.abc import Iterator, Sequence
from typing import TypeVar

import numpy as np

from checks import ALL, impedance, leads, leak, off_axis, response
from rig.circuit.channel import Channel, impedance_ohm
from rig.circuit.fit import driver_quantities
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.design.jig import lowest_hz
from rig.design.kit import Kit
from rig.design.limits import limit_key
from rig.signals.levels import REFERENCE_PRESSURE_PA, align_level_db, db
from rig.values.names import AGAINST, SENSITIVITY
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.verdicts import Mask, Verdict
from rig.verdict.check import ListedCheck, listed_checks
from rig.verdict.judge import judge
from rig.verdict.responses import judged_grid

S = TypeVar("S")

#: What the checks that read an impedance give of the lowest driver of a channel.
OF_CHECK = {
    impedance.NAME: tuple(quantity for quantity, _, _ in impedance.PARAMETERS.values()),
    leak.NAME: leak.OF_THE_BOX,
}


def judge_design(kit: Kit) -> list[tuple[str, str, Verdict]]:
    """What the kit's limits say of its own design: check, key of the limit, verdict; only of what the model gives."""
    found = []
    for listed in every_check(kit):
        limits = kit.limits.get(listed.name, {})
        # A build has the room in it, which no model knows: what is drawn around one is left alone.
        limits = {key: limit for key, limit in limits.items() if limit.around != "reference"}
        for verdict in judge(
            design_readings(kit, listed), limits, kit.folder, listed.name, partial=True, files=kit.files
        ):
            found.append((listed.name, limit_key(limits, verdict.quantity, verdict.subject), verdict))
    return found


def masks_of(judged: Sequence[tuple[str, str, Verdict]]) -> dict[str, dict[str, Mask]]:
    """Subject -> quantity -> the mask that its curve was held against."""
    found: dict[str, dict[str, Mask]] = {}
    for _, _, verdict in judged:
        if verdict.mask is not None:
            found.setdefault(verdict.subject, {})[verdict.quantity] = verdict.mask
    return found


def design_readings(kit: Kit, listed: ListedCheck) -> CheckReadings:
    """What a check would read of the design; nothing where the model does not tell, or only guesses at a driver."""
    channels = [spec.name for spec in kit.channels if kit.is_modelled(spec.name)]
    if listed.check.NAME == response.NAME and isinstance(listed.settings, response.Settings):
        return _levels(kit, channels, listed.settings)
    if listed.check.NAME == off_axis.NAME and isinstance(listed.settings, off_axis.Settings):
        return _levels_aside(kit, channels, listed.settings)
    readings: list[Reading] = []
    curves: list[Curve] = []
    for name in channels:
        model = kit.model(name)
        lowest_driver = min(kit.channel(name).drivers, key=lambda spec: spec.band_hz[0]).name
        if listed.check.NAME in OF_CHECK:
            known = parameters(model, lowest_driver)
            subject = f"{name} {lowest_driver}"
            readings += [
                Reading(quantity, subject, float(value), unit, design=float(value))
                for quantity, (value, unit) in known.items()
                if quantity in OF_CHECK[listed.check.NAME]
            ]
        if listed.check.NAME == impedance.NAME:
            curves += _impedance(kit, model)
        if listed.check.NAME in (impedance.NAME, leads.NAME):
            lowest = float(np.min(np.abs(impedance_ohm(model, judged_grid(kit.sweep("leads", name), 24)))))
            readings.append(Reading(impedance.LOWEST_IMPEDANCE, name, lowest, "ohm", design=lowest))
    return CheckReadings(tuple(readings), tuple(curves))


def parameters(channel: Channel, name: str) -> dict[str, tuple[Floats, str]]:
    """What is fitted of a driver and its box, as the impedance check calls it: quantity -> value, unit.

    Values have shape (), or (units, 1) where the channel is drawn.
    """
    values = driver_quantities(channel, name)
    return {
        quantity: (scale * np.asarray(values[key]), unit)
        for key, (quantity, unit, scale) in impedance.PARAMETERS.items()
        if key in values
    }


def _impedance(kit: Kit, model: Channel) -> Iterator[Curve]:
    grid = judged_grid(kit.sweep("leads", model.name), 24)
    ohm = impedance_ohm(model, grid)
    everywhere = np.ones(grid.size, np.bool_)
    for quantity, value, unit in (
        (impedance.IMPEDANCE, np.abs(ohm), "ohm"),
        (impedance.PHASE, np.degrees(np.angle(ohm)), "degrees"),
    ):
        yield Curve(quantity, model.name, grid, value, unit, everywhere, design=value)


def _levels(kit: Kit, channels: Sequence[str], settings: response.Settings) -> CheckReadings:
    """As `checks.response` reads them, but for the level with the room in it."""
    curves, readings = [], []
    on_axis: dict[str, Curve] = {}
    grid = judged_grid(kit.sweep("playing", kit.channels[0].name), settings.points_per_octave)
    for place in settings.positions:
        for name in channels:
            first = place == settings.positions[0]
            value = level_db(kit, name, place, grid)
            subject = name if first else f"{name} {place}"
            valid = grid >= lowest_hz(settings.gate_ms)
            curve = Curve(response.FREE_FIELD_LEVEL, subject, grid, value, "dB SPL", valid, design=value)
            curves.append(curve)
            if first:
                on_axis[name] = curve
                if response.covers(kit.channel(name).band, settings.sensitivity_hz):
                    readings.append(_sensitivity(kit, curve, place, settings))
    for a, b in kit.equal_channels():
        if a.name in on_axis and b.name in on_axis:
            one, other = on_axis[a.name], on_axis[b.name]
            subject, apart = f"{a.name}{AGAINST}{b.name}", one.value - other.value
            curves.append(Curve(response.MATCH, subject, grid, apart, "dB", one.valid))
            mean = align_level_db(one.value, other.value, grid, (settings.match_hz[0], settings.match_hz[1]))
            readings.append(Reading(response.MEAN_MATCH, subject, float(mean), "dB"))
    return CheckReadings(tuple(readings), tuple(curves))


def _levels_aside(kit: Kit, channels: Sequence[str], settings: off_axis.Settings) -> CheckReadings:
    """As `checks.off_axis` reads them, but for the sizes of drivers."""
    curves = []
    grid = judged_grid(kit.sweep("playing", kit.channels[0].name), settings.points_per_octave)
    valid = grid >= lowest_hz(settings.gate_ms)
    for request in off_axis.requests(kit, settings):
        if request.channel in channels and request.position != kit.positions[0].name:
            subject = f"{request.channel} {request.position}"
            aside = level_db(kit, request.channel, request.position, grid)
            apart = aside - level_db(kit, request.channel, kit.positions[0].name, grid)
            curves.append(Curve(off_axis.OFF_AXIS_LEVEL, subject, grid, aside, "dB SPL", valid, design=aside))
            curves.append(Curve(off_axis.DIRECTIVITY, subject, grid, apart, "dB", valid, design=apart))
    return CheckReadings((), tuple(curves))


def level_db(kit: Kit, channel: str, position: str, frequency_hz: Floats) -> Floats:
    """Sound pressure level of the design at a position of the microphone, at the level of the kit's sweeps."""
    place = kit.position(position)
    microphone = microphone_at(place.distance_m, place.angle_deg)
    pressure = pressure_pa(kit.model(channel, position), frequency_hz, kit.levels.playing_v, microphone)
    return db(np.abs(pressure) / REFERENCE_PRESSURE_PA)


def _sensitivity(kit: Kit, level: Curve, position: str, settings: response.Settings) -> Reading:
    band = (settings.sensitivity_hz[0], settings.sensitivity_hz[1])
    mean = float(align_level_db(level.value, np.zeros(level.value.size), level.frequency_hz, band))
    value = mean + float(db(2.83 / kit.levels.playing_v) + db(kit.position(position).distance_m))
    return Reading(SENSITIVITY, level.subject, value, "dB SPL", design=value)


def settings_of(kit: Kit, name: str, kind: type[S]) -> S | None:
    """Settings of the first check of this name that the kit lists; None where it lists none."""
    for listed in every_check(kit):
        if name == listed.check.NAME and isinstance(listed.settings, kind):
            return listed.settings
    return None


def every_check(kit: Kit) -> list[ListedCheck]:
    """The project's checks of all plans of a kit; a workspace's own are left out, for no model gives their readings."""
    own = [name for name, table in kit.checks.items() if table.get("check", name) not in {check.NAME for check in ALL}]
    lean = kit.model_copy(
        update={"checks": {name: t for name, t in kit.checks.items() if name not in own}, "plans": {}}
    )
    return listed_checks(lean, ALL)
