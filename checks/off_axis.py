"""Off axis: the level aside of a box's axis, what it differs by from that on the axis, and how wide its drivers beam.

People move about in front of a small system. Up to where a driver is small against the wavelength it sounds alike all
round; above, it beams, from a frequency that its size alone gives: a piston of radius a in a baffle is 3 dB down at an
angle where k a sin(angle) is 1.616. So the difference between two places tells a driver of another size from the
designed one, whatever its level, its network and the microphone are. The same boxes stand at both places, so most of
what is uncertain about a level cancels.

A microphone at a wrong angle looks like a driver of another size, but not like the same one at two angles: where the
places disagree about it, all that was read aside of the axis is void.

Uncertainty: noise; the calibration for the level itself; and how well the microphone is put at its angle
(`angle_within_deg`). Edges of the baffle are no piston: what they do to the difference shows in the fit's residual.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Annotated

import numpy as np
from pydantic import Field

from checks import response
from rig.circuit.near_field import Surface
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.design.kit import Kit, PositionSpec
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.errors import TableError
from rig.files.tables import Table
from rig.signals.beaming import Piston, fit_piston
from rig.signals.levels import amplitude_ratio, db
from rig.signals.uncertainty import combined, from_bounds
from rig.values.captures import Capture
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import air_speed_m_s

NAME = "off_axis"
TITLE = "Level off the axis"
GATE = False

OFF_AXIS_LEVEL = "off-axis level"
DIRECTIVITY = "off axis against axis"
PISTON = "piston diameter"
RESTS_ON = RestsOn(
    ("microphone", "output", "input", "loopback"),
    {
        "playing": (),
        "output level": (DIRECTIVITY, PISTON),
        "speaker lead": (DIRECTIVITY, PISTON),
        "microphone gain": (DIRECTIVITY, PISTON),
        "microphone place": (),
    },
)
TERMS = {
    OFF_AXIS_LEVEL: "Sound level of the box alone, without the room, at a place aside of its axis.",
    DIRECTIVITY: "Level at a place aside of the axis minus that on the axis, over frequency: how a box sounds to "
    "somebody who does not sit in front of it.",
    PISTON: "Diameter of the flat piston that beams as this driver does. Another size is another driver.",
}
#: A driver of a smaller k a sin(angle) than this in its band does not beam enough to tell its size (1.1 dB there); our
#: choice.
LEAST_LAG = 1.0


class Settings(Table):
    """Settings of the check."""

    #: Microphone positions of the kit; none: all that lie aside of the axis.
    positions: list[str] = []
    #: As those of `response`.
    smoothing: Annotated[float, Field(ge=1, le=48)] = 12.0
    points_per_octave: Annotated[int, Field(ge=6, le=96)] = 24
    gate_ms: Annotated[float, Field(ge=1, le=100)] = 5.0
    over_noise_db: float = 15.0
    #: The microphone may stand so far off its angle (a jig with marks; common practice, no source).
    angle_within_deg: Annotated[float, Field(ge=0, le=20)] = 1.0
    #: Sizes of one driver that two places may give, in percent, before the places are in doubt.
    agree_within_percent: Annotated[float, Field(gt=0, le=100)] = 10.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweep on the axis, and one at each place aside of it, of every channel that plays above the gate's end."""
    places = [place.name for place in kit.off_axis() if not settings.positions or place.name in settings.positions]
    if not places:
        found = ", ".join(settings.positions) or "no place with an angle_deg"
        raise TableError(f"{kit.folder / 'kit.toml'}: checks.{NAME}: found {found}; allowed: a place off the axis")
    lowest_hz = 2e3 / settings.gate_ms
    channels = [channel.name for channel in kit.channels if channel.band[1] > 2 * lowest_hz]
    return [kit.sweep("playing", c, c, place) for c in channels for place in (kit.positions[0].name, *places)]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Level and directivity at each place of each channel, and the sizes of the drivers that beam."""
    readings: list[Reading] = []
    curves: list[Curve] = []
    for channel in dict.fromkeys(capture.request.channel for capture in captures):
        axis, *aside = [capture for capture in captures if capture.request.channel == channel]
        on_axis = free_field_level(axis, channel, settings, kit)
        captured = {kit.position(c.request.position): c for c in aside}
        levels = {
            place: free_field_level(capture, f"{channel} {place.name}", settings, kit)
            for place, capture in captured.items()
        }
        differences = {place: directivity(on_axis, levels[place], captured[place], settings, kit) for place in levels}
        sizes, trouble = piston_sizes(channel, differences, air_speed_m_s(axis), settings, kit)
        readings += sizes
        ahead = np.where(on_axis.valid, on_axis.value, np.nan)
        curves += [replace(level, on_axis=ahead, trouble=trouble) for level in levels.values()]
        curves += [replace(difference, trouble=trouble) for difference in differences.values()]
    return CheckReadings(tuple(readings), tuple(curves))


def free_field_level(capture: Capture, subject: str, settings: Settings, kit: Kit) -> Curve:
    """Level behind the gate, as `response` reads it."""
    return replace(response.free_field_level(capture, subject, settings, kit), quantity=OFF_AXIS_LEVEL)


def directivity(on_axis: Curve, aside: Curve, capture: Capture, settings: Settings, kit: Kit) -> Curve:
    """Level at a place minus that on the axis."""
    place = kit.position(capture.request.position)
    curve = Curve(
        DIRECTIVITY,
        aside.subject,
        aside.frequency_hz,
        aside.value - on_axis.value,
        "dB",
        valid=aside.valid & on_axis.valid,
        design=None if aside.design is None or on_axis.design is None else aside.design - on_axis.design,
        method=f"{aside.method}; minus the level on the axis",
    )
    noise = combined(on_axis.parts["noise"], aside.parts["noise"])
    return with_parts(curve, {"noise": noise, "method": angle_part_db(curve, place, capture, settings, kit)})


def angle_part_db(curve: Curve, place: PositionSpec, capture: Capture, settings: Settings, kit: Kit) -> Floats:
    """What the microphone's angle leaves uncertain, by the kit's model."""
    model = kit.model(capture.request.channel, place.name)
    ends = [max(-90.0, min(90.0, place.angle_deg + sign * settings.angle_within_deg)) for sign in (-1, 1)]
    at_ends = [
        db(pressure_pa(model, curve.frequency_hz, 1.0, microphone_at(place.distance_m, end), air_speed_m_s(capture)))
        for end in ends
    ]
    return np.asarray(from_bounds(np.abs(at_ends[1] - at_ends[0]) / 2))


def piston_sizes(
    channel: str, differences: Mapping[PositionSpec, Curve], air_m_s: float, settings: Settings, kit: Kit
) -> tuple[list[Reading], str]:
    """Size of each driver that beams enough to tell it, and what speaks against the angles of the places."""
    readings, trouble = [], ""
    for driver in kit.channel(channel).drivers:
        surface = kit.channel(channel).surfaces()[driver.name]
        found: dict[PositionSpec, tuple[Piston, float]] = {}
        for place, curve in differences.items():
            piston = fitted(curve, place, surface, driver.band_hz, air_m_s, kit=kit)
            if piston:
                found[place] = piston, angle_part_m(piston, place, settings)
        if not found:
            continue
        trouble = trouble or disagreement(driver.name, found, settings)
        radii = np.array([piston.radius_m for piston, _ in found.values()])
        parts = np.array([[piston.uncertainty_m, method] for piston, method in found.values()])
        weights = 1 / np.sum(parts**2, axis=1)
        fit, method = np.sqrt((weights**2 @ parts**2) / weights.sum() ** 2)
        size = Reading(PISTON, f"{channel} {driver.name}", float(2e3 * radii @ weights / weights.sum()), "mm")
        readings.append(with_parts(size, {"fit": 2e3 * fit, "method": 2e3 * method}))
    return [replace(reading, trouble=trouble) for reading in readings], trouble


def fitted(
    curve: Curve, place: PositionSpec, surface: Surface, band_hz: Sequence[float], air_m_s: float, *, kit: Kit
) -> Piston | None:
    """The piston that beams as a driver does in its band; None where it hardly beams, or too little is known."""
    inside = curve.valid & (curve.frequency_hz >= band_hz[0]) & (curve.frequency_hz <= band_hz[1])
    at_hz = curve.frequency_hz[inside]
    if at_hz.size < 3 or at_hz[-1] < 2 * at_hz[0]:
        return None
    sines = []
    for one in (place, kit.positions[0]):
        right, up, front = microphone_at(one.distance_m, one.angle_deg)
        aside = np.hypot(right - surface.right_m, up - surface.up_m)
        sines.append(float(aside / np.hypot(aside, front)))
    lag, lag_on_axis = (2 * np.pi * at_hz / air_m_s * surface.radius_m * sine for sine in sines)
    if lag[-1] < LEAST_LAG or lag_on_axis[-1] > 0.5 * lag[-1]:
        return None
    return fit_piston(amplitude_ratio(curve.value[inside]), lag, lag_on_axis, surface.radius_m, at_hz)


def angle_part_m(piston: Piston, place: PositionSpec, settings: Settings) -> float:
    """What the angle leaves uncertain of a radius: the pattern knows their product a sin(angle) alone."""
    angle, within = np.deg2rad(abs(place.angle_deg)), np.deg2rad(settings.angle_within_deg)
    return float(from_bounds(piston.radius_m * within / np.tan(min(angle, np.pi / 2 - within))))


def disagreement(driver: str, found: Mapping[PositionSpec, tuple[Piston, float]], settings: Settings) -> str:
    """Why the angles of two places cannot both be right; empty where they may be."""
    for (one, (a, u_a)), (other, (b, u_b)) in combinations(found.items(), 2):
        allowed = max(
            np.log1p(settings.agree_within_percent / 100),
            2 * float(combined(u_a / a.radius_m, a.uncertainty_m / a.radius_m, u_b / b.radius_m)),
        )
        apart = float(np.log(a.radius_m / b.radius_m))
        if abs(apart) <= allowed:
            continue
        sines = np.log(np.sin(np.deg2rad(abs(one.angle_deg))) / np.sin(np.deg2rad(abs(other.angle_deg))))
        words = (
            f"the places do not fit together: the {driver} would be {2e3 * a.radius_m:.0f} mm wide at {one.name} and "
            f"{2e3 * b.radius_m:.0f} mm at {other.name}"
        )
        # In each other's place the angles of the two are exchanged in both products.
        if abs(apart + 2 * sines) <= allowed:
            return f"{words}; they look exchanged"
        return f"{words}; is the microphone at the angles that the kit says?"
    return ""
