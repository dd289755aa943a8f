"""Handover: level, polarity and delay of a bass box against the box that takes over from it, and their sum.

No gate reaches down to where a bass box hands over, so the sum is calculated from near fields: each box's volume
velocities, told close before its cones and ports, give what it sends to a listener who is as far from the one as from
the other. All captures share the electrical time zero of the loopback; without one nothing can be said. What is left
of the two boxes when each is divided by what the kit's model has of it is their error against each other: a level, a
sign, and a delay, which is sought over the band together with the sign, as `polarity` does.

Uncertainty: noise; as `method` of a level what near fields leave (`near_field`), of a delay what its fit leaves. The
bench's calibration cancels: the same microphone hears both. A sign is right or it is not told at all.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from pydantic import Field

from checks.near_field import refuse_incomplete
from rig.design.kit import Kit
from rig.design.speaker import Band
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.errors import TableError
from rig.files.tables import Table
from rig.signals.arrays import Complex
from rig.signals.levels import db
from rig.signals.noise import snr_db
from rig.signals.phase import mean_cosine, signs_of
from rig.signals.smoothing import log_frequency_grid
from rig.signals.uncertainty import INDEPENDENT_PER_OCTAVE, combined
from rig.values.captures import Capture, UnfitBench
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.close_by import design_velocities, far_pressures, near_field, sum_parts_db

NAME = "handover"
TITLE = "Handover to the bass box"
GATE = False

LEVEL = "handover level"
POLARITY = "handover polarity"
DELAY = "handover delay"
SUM = "handover sum"
RESTS_ON = RestsOn(
    (),
    {"playing": (), "speaker lead": (POLARITY, DELAY), "microphone place": (POLARITY, DELAY)},
)
TERMS = {
    LEVEL: "Level of the bass box against the box that takes over from it, less what the design has.",
    POLARITY: "Whether the two boxes add up as designed where the one hands over to the other.",
    DELAY: "How much later the bass box comes than the design has it, against the box that takes over from it.",
    SUM: "Level of both boxes together for somebody equally far from both, against the louder one by the design.",
}
#: Of the grid that all is read over; numerical.
POINTS_PER_OCTAVE = 24
#: A sign is no quantity that could be a little off; by definition.
EXACT = 0.0
POLARITY_WORDS = {1: "as designed", -1: "reversed"}


class Crossing(Table):
    """Two channels that hand over to each other, and the band in which both are heard."""

    low: str
    high: str
    band_hz: Band


class Settings(Table):
    """Settings of the check."""

    crossings: Annotated[list[Crossing], Field(min_length=1)]
    #: Delays are sought from minus to plus this.
    delay_within_ms: Annotated[float, Field(gt=0, le=50)] = 12.0
    #: As of `polarity`: what keeps a sign from being told.
    confidence: Annotated[float, Field(gt=0, lt=1)] = 0.2
    agreement: Annotated[float, Field(gt=0, lt=1)] = 0.7
    over_noise_db: float = 15.0
    #: As of `near_field`.
    placed_within_mm: Annotated[float, Field(ge=0, le=50)] = 2.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweeps close by of every channel of a crossing, which `near_field` asks for too."""
    path, names = f"{kit.folder / 'kit.toml'}: checks.{NAME}.crossings", [channel.name for channel in kit.channels]
    found: dict[Sweep, None] = {}
    for crossing in settings.crossings:
        for name in (crossing.low, crossing.high):
            if name not in names:
                raise TableError(f"{path}: found channel {name!r}; allowed: {', '.join(names)}")
            refuse_incomplete(kit, kit.channel(name), crossing.band_hz[1])
            found |= dict.fromkeys(kit.sweep("playing", name, position=p.name) for p, _ in kit.near_places(name))
    return list(found)


@dataclass(frozen=True, eq=False)
class BoxPressure:
    """What a box sends to a listener, over the band of a crossing: measured and designed, and parts of its level."""

    measured: Complex
    design: Complex
    noise: Floats
    parts: Mapping[str, Floats]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Level, sign and delay of each pair, and their sum."""
    readings: list[Reading] = []
    curves: list[Curve] = []
    for crossing in settings.crossings:
        grid = log_frequency_grid(crossing.band_hz[0], crossing.band_hz[1], POINTS_PER_OCTAVE)
        low, high = (
            box_pressure([c for c in captures if c.request.channel == name], settings, kit, grid)
            for name in (crossing.low, crossing.high)
        )
        subject = f"{crossing.low} to {crossing.high}"
        readings += handed_over(subject, low, high, grid, settings)
        curves.append(summed(subject, low, high, grid, settings))
    return CheckReadings(tuple(readings), tuple(curves))


def box_pressure(captures: Sequence[Capture], settings: Settings, kit: Kit, grid: Floats) -> BoxPressure:
    """What a box sends to its own first place, told from close by.

    Raises
    ------
    UnfitBench
        If there is no time zero that captures share, or the model only guesses at a driver.
    """
    channel = captures[0].request.channel
    if unknown := kit.undescribed(channel):
        raise UnfitBench(
            f"the kit's model only guesses at the {' and '.join(unknown)} of {channel}: learn a good build"
        )
    if not all(capture.has("loopback") and "microphone" not in capture.other_clock for capture in captures):
        raise UnfitBench(
            "two boxes can be added up by a common time zero alone, which a loopback on the microphone's own card tells"
        )
    field = near_field(captures, kit, grid, settings.placed_within_mm * 1e-3)
    designed = design_velocities(field.surfaces, kit, channel, grid)
    measured, design = (
        far_pressures(field.surfaces, velocity, kit, channel, grid, air_m_s=field.air_m_s)
        for velocity in (field.velocity, designed)
    )
    parts, noise = sum_parts_db(field, measured, kit)
    return BoxPressure(
        measured.sum(axis=0), design.sum(axis=0), noise, {name: parts[name] for name in ("noise", "method")}
    )


def handed_over(subject: str, low: BoxPressure, high: BoxPressure, grid: Floats, settings: Settings) -> list[Reading]:
    """Level, sign and delay of the bass box against the other one."""
    errors = [box.measured / box.design for box in (low, high)]
    over_noise_db = min(float(np.min(snr_db(np.abs(box.measured), box.noise**2))) for box in (low, high))
    hidden = "" if over_noise_db >= settings.over_noise_db else f"only {over_noise_db:.0f} dB above the noise"
    level_db = float(np.mean(db(np.abs(errors[0])) - db(np.abs(errors[1]))))
    reach_s = settings.delay_within_ms / 1e3
    delays_s = np.linspace(-reach_s, reach_s, 2 * int(np.ceil(reach_s * 240 * grid[-1])) + 1)
    cosines = mean_cosine(errors[0], errors[1], grid, delays_s)
    [sign] = signs_of(cosines[np.newaxis], [level_db])
    best_s = float(delays_s[np.argmax(sign.value * cosines)])
    doubt = hidden
    if not doubt and (sign.agreement < settings.agreement or sign.confidence < settings.confidence):
        doubt = f"agreement {sign.agreement:.2f} and confidence {sign.confidence:.2f} are too low to tell a sign"
    parts = {name: float(np.mean(combined(low.parts[name], high.parts[name]))) for name in ("noise", "method")}
    left = np.angle(sign.value * errors[0] / errors[1] * np.exp(2j * np.pi * grid * best_s))
    independent = max(2.0, INDEPENDENT_PER_OCTAVE * float(np.log2(grid[-1] / grid[0])))
    fit_s = float(np.std(left) / (2 * np.pi * np.std(grid)) / np.sqrt(independent))
    return [
        with_parts(Reading(LEVEL, subject, level_db, "dB", trouble=hidden), parts),
        Reading(POLARITY, subject, sign.value, "", EXACT, doubt, POLARITY_WORDS[sign.value]),
        with_parts(Reading(DELAY, subject, 1e3 * best_s, "ms", trouble=doubt), {"fit": 1e3 * fit_s}),
    ]


def summed(subject: str, low: BoxPressure, high: BoxPressure, grid: Floats, settings: Settings) -> Curve:
    """Both boxes together against the louder one of the design, at each frequency."""
    louder = np.maximum(np.abs(low.design), np.abs(high.design))
    total = low.measured + high.measured
    noise = combined(low.noise, high.noise)
    clear = [snr_db(np.abs(box.measured), box.noise**2) > settings.over_noise_db for box in (low, high)]
    curve = Curve(
        SUM,
        subject,
        grid,
        db(np.abs(total) / louder),
        "dB",
        valid=clear[0] | clear[1],
        design=db(np.abs(low.design + high.design) / louder),
        method="calculated from near fields at a common time zero, for a place equally far from both boxes",
    )
    shares = [np.abs(box.measured) / np.maximum(np.abs(total), 1e-300) for box in (low, high)]
    parts = {
        name: combined(*(share * box.parts[name] for share, box in zip(shares, (low, high), strict=True)))
        for name in ("noise", "method")
    }
    return replace(with_parts(curve, parts), valid=curve.valid & (np.abs(total) > noise))
