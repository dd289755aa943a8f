"""Near field: cone and port from close by, joined to the far field, so that the bass is judged without a reference.

Below the end of the gate no free-field level can be read indoors. Close before a cone the room is 40 dB down, and as
long as the cone is small against the wavelength (ka < 1) its pressure there tells its volume velocity (D. B. Keele,
JAES 22 (1974)). Cone and port are heard one after the other; what each microphone hears of the other surface is taken
out, the volume velocities add up by their phase, and the baffle leads from half space over to whole space as in the
kit's model. Where the gate takes over the two are joined.

Uncertainty: noise; calibration; as `method` what the microphone's place leaves (the more the smaller the surface),
half of what it hears of the other surfaces, what the baffle's edges send back, how roughly the rule for the baffle's
step holds, and the gate. Where cone and port cancel
each other, below the tuning, all of these count for more. Where both fields hold they must agree; where they do not the
microphone was not where it should have been, and the joined level is void.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from checks import response
from rig.circuit.near_field import small_to_hz
from rig.design.kit import Kit
from rig.design.speaker import PORT, ChannelSpec
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.errors import TableError
from rig.files.tables import Table
from rig.signals.arrays import Bools, Complex
from rig.signals.levels import REFERENCE_PRESSURE_PA, db
from rig.signals.noise import snr_db
from rig.signals.uncertainty import DB_PER_PART
from rig.values.captures import Capture
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.close_by import NearField, design_velocities, far_pressures, near_field, sum_parts_db

NAME = "near_field"
TITLE = "Bass, from close by"
GATE = False

NEAR_FIELD_LEVEL = "near-field level"
JOINED_LEVEL = "joined level"
STEP = "near field against far field"
RESTS_ON = RestsOn(
    ("microphone", "output", "input", "loopback"),
    {
        "playing": (),
        "output level": (STEP,),
        "speaker lead": (),
        "microphone gain": (STEP,),
        "microphone place": (),
    },
)
TERMS = {
    NEAR_FIELD_LEVEL: "What a cone or a port alone would give at the usual place in free air, told from close by.",
    JOINED_LEVEL: "Sound level of the box alone, without the room, down to the bass: from close by at low frequencies, "
    "and from the usual place, behind the gate, above.",
    STEP: "Level told from close by minus that from the usual place, on average where both hold: near 0 dB where the "
    "microphone stood where it should.",
}
#: A level of which the method leaves more than this open is only known to be at most so much; our choice.
HIDDEN_DB = 6.0
#: Both fields must hold over so much of an octave, or they are not joined; our choice.
LEAST_OVERLAP = 1 / 3


class Settings(Table):
    """Settings of the check."""

    #: As those of `response`, for the far field.
    smoothing: Annotated[float, Field(ge=1, le=48)] = 12.0
    points_per_octave: Annotated[int, Field(ge=6, le=96)] = 24
    gate_ms: Annotated[float, Field(ge=1, le=100)] = 5.0
    over_noise_db: float = 15.0
    #: The microphone may stand so far off its distance to a cone or port (a spacer; common practice, no source).
    placed_within_mm: Annotated[float, Field(ge=0, le=50)] = 2.0
    #: Near field less far field where both hold: what a build that you vouch for reads, and how far it may be off. By
    #: the edges of their baffles units of foreign physics lie up to 3.4 dB below (tests/strangers); a microphone 30 mm
    #: from a cone instead of 5 takes 3 to 6 dB.
    join_db: Annotated[float, Field(ge=-20, le=20)] = 0.0
    join_within_db: Annotated[float, Field(gt=0, le=20)] = 4.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweep at the first place, and one at each place close by, of every channel that has one."""
    found = []
    for channel in kit.channels:
        places = [place.name for place, _ in kit.near_places(channel.name)]
        if places:
            refuse_incomplete(kit, channel, 2e3 / settings.gate_ms)
            found += [kit.sweep("playing", channel.name, position=p) for p in (kit.positions[0].name, *places)]
    if not found:
        raise TableError(f"{kit.folder / 'kit.toml'}: checks.{NAME}: found no place with near; allowed: one at least")
    return found


def refuse_incomplete(kit: Kit, channel: ChannelSpec, below_hz: float) -> None:
    """TableError if a place is missing at something of a box that sounds below a frequency."""
    there = {surface.name for _, surface in kit.near_places(channel.name)}
    wanted = [driver.name for driver in channel.drivers if driver.band_hz[0] < below_hz]
    wanted += [PORT] if channel.box.kind == "vented" else []
    for name in wanted:
        if name not in there:
            path = f"{kit.folder / 'kit.toml'}: positions"
            why = " and box.port_cm2" if name == PORT and channel.box.port_cm2 is None else ""
            raise TableError(
                f"{path}: found none close to the {name} of the {channel.name} box, which sounds below "
                f"{below_hz:.0f} Hz; allowed: one with near = {name!r}{why}"
            )


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Of each channel: the level of each surface, all of them joined to the far field, and how well they meet."""
    readings: list[Reading] = []
    curves: list[Curve] = []
    for channel in dict.fromkeys(capture.request.channel for capture in captures):
        far, *near = [capture for capture in captures if capture.request.channel == channel]
        free = response.free_field_level(far, channel, settings, kit)
        field = near_field(near, kit, free.frequency_hz, settings.placed_within_mm * 1e-3)
        pressure = far_pressures(
            field.surfaces, field.velocity, kit, channel, field.frequency_hz, air_m_s=field.air_m_s
        )
        alone = [surface_level(field, pressure, n, far, settings, kit=kit) for n in range(len(field.surfaces))]
        summed = level(field, pressure, channel, far, settings, kit=kit)
        summed = replace(summed, valid=summed.valid & (free.frequency_hz <= near_to_hz(field, kit)))
        # Outside its band a box is so much quieter than inside that what the gate cuts off it spreads there.
        played = free.frequency_hz <= kit.channel(channel).band[1]
        joined, step = join(summed, free, played, settings)
        curves += [*(replace(curve, trouble=joined.trouble) for curve in alone), joined]
        readings += [step] if step else []
    return CheckReadings(tuple(readings), tuple(curves))


def near_to_hz(field: NearField, kit: Kit) -> float:
    """Up to where the surfaces that were heard close by are small, and all that sounds."""
    drivers = [
        driver for driver in kit.channel(field.channel).drivers if driver.name in {s.name for s in field.surfaces}
    ]
    highest = max(drivers, key=lambda driver: driver.band_hz[1])
    small_hz = small_to_hz(kit.channel(field.channel).surfaces()[highest.name], field.air_m_s)
    is_all = len(drivers) == len(kit.channel(field.channel).drivers)
    return small_hz if is_all else min(highest.band_hz[1], small_hz)


def level(field: NearField, pressure: Complex, subject: str, far: Capture, settings: Settings, *, kit: Kit) -> Curve:
    """Level at the first place, at the level of the far field's sweep, of the sum of some surfaces.

    Where noise, or the sound of other surfaces, hides what there is of it, it is at most so much.
    """
    spl = bool(far.calibration.microphone_v_per_pa)
    scale = far.request.level_v / (REFERENCE_PRESSURE_PA if spl else 1.0)
    parts, noise = sum_parts_db(field, pressure, kit)
    total = np.abs(np.sum(pressure, axis=0))
    is_known = parts["method"] < HIDDEN_DB
    is_clear = is_known & (snr_db(total, noise**2) > settings.over_noise_db)
    small = field.frequency_hz <= max(small_to_hz(surface, field.air_m_s) for surface in field.surfaces)
    at_most = total * (1 + np.where(is_known, 0.0, 2 * parts["method"] / DB_PER_PART))
    curve = Curve(
        JOINED_LEVEL,
        subject,
        field.frequency_hz,
        db(at_most * scale),
        "dB SPL" if spl else "dB",
        valid=is_clear & small,
        at_most=~is_clear & small,
        absolute=spl,
    )
    return with_parts(curve, parts | {"method": np.where(is_known, parts["method"], 0.0)})


def surface_level(field: NearField, pressure: Complex, n: int, far: Capture, settings: Settings, *, kit: Kit) -> Curve:
    """Level that one surface alone gives at the first place."""
    alone = replace(
        field,
        surfaces=field.surfaces[n : n + 1],
        velocity=field.velocity[n : n + 1],
        noise=field.noise[n : n + 1],
        bound=field.bound[n : n + 1],
        edges=field.edges[n : n + 1],
    )
    subject = f"{field.channel} {field.surfaces[n].name}"
    curve = replace(level(alone, pressure[n : n + 1], subject, far, settings, kit=kit), quantity=NEAR_FIELD_LEVEL)
    place = kit.near_places(field.channel)[n][0]
    method = f"{place.distance_m * 1e3:g} mm from the {field.surfaces[n].name}, at the level of the usual place"
    design = None
    if curve.absolute and not kit.undescribed(field.channel):
        designed = design_velocities(alone.surfaces, kit, field.channel, field.frequency_hz)
        expected = far_pressures(
            alone.surfaces, designed, kit, field.channel, field.frequency_hz, air_m_s=field.air_m_s
        )
        design = db(np.abs(expected[0]) * far.request.level_v / REFERENCE_PRESSURE_PA)
    return cut(replace(curve, method=method, design=design), small_to_hz(field.surfaces[n], field.air_m_s))


def cut(curve: Curve, upto_hz: float) -> Curve:
    """The curve up to a frequency."""
    kept = int(np.searchsorted(curve.frequency_hz, upto_hz, side="right"))
    arrays: dict[str, Any] = {
        name: value[:kept] for name, value in vars(curve).items() if isinstance(value, np.ndarray)
    }
    return replace(curve, **arrays, parts={name: part[:kept] for name, part in curve.parts.items()})


def join(near: Curve, free: Curve, played: Bools, settings: Settings) -> tuple[Curve, Reading | None]:
    """Near field below, far field above, and over the octaves in which both hold from the one to the other.

    Without such a band only the near field is there.
    """
    at_hz = free.frequency_hz
    both = near.valid & free.valid & played
    low_hz, high_hz = (float(at_hz[both][0]), float(at_hz[both][-1])) if both.any() else (1.0, 1.0)
    design = {side: getattr(free, side) for side in ("design", "design_low", "design_high")}
    if np.log2(high_hz / low_hz) < LEAST_OVERLAP:
        return replace(near, method="from close by alone: no gate reaches down to it", **design), None
    high_hz = min(high_hz, 2 * low_hz)
    weight = np.clip(np.log(at_hz / low_hz) / np.log(high_hz / low_hz), 0.0, 1.0)
    inside = (at_hz >= low_hz) & (at_hz <= high_hz)
    step_db = float(np.mean((near.value - free.value)[inside]))
    parts = {name: mixed(weight, near.parts[name], free.parts[name]) for name in near.parts}
    trouble = ""
    if abs(step_db - settings.join_db) > settings.join_within_db:
        trouble = (
            f"from close by the level is {step_db:+.1f} dB off that of the usual place, from {low_hz:.0f} Hz to "
            f"{high_hz:.0f} Hz where both hold: the microphone was too far from the cone or beside it, or its gain "
            "was turned in between"
        )
    joined = replace(
        near,
        value=mixed(weight, near.value, free.value),
        valid=np.where(weight >= 1, free.valid, near.valid & ((weight <= 0) | free.valid)),
        at_most=None if near.at_most is None else near.at_most & (weight <= 0),
        method=f"{free.method}; from close by below {low_hz:.0f} Hz, joined up to {high_hz:.0f} Hz",
        trouble=trouble,
        **design,
    )
    noise, method = (float(np.mean(near.parts[name][inside])) for name in ("noise", "method"))
    step = with_parts(Reading(STEP, near.subject, step_db, "dB"), {"noise": noise, "method": method})
    return with_parts(joined, parts), step


def mixed(weight: Floats, near: Floats, far: Floats) -> Floats:
    """From one to the other by a weight of 0 to 1."""
    return np.asarray(np.where(weight <= 0, near, np.where(weight >= 1, far, (1 - weight) * near + weight * far)))
