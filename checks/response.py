"""Response: sound pressure level over frequency at the stated distance, on and off axis, and the match of channels.

The capture divided by the loopback gives the impulse response between the leads and the microphone. Two curves are
read: `level`, with the room in it, for the difference to a reference build at the same jig; and `free-field level`,
behind a gate that ends before the first reflection, for comparison with a design or a mask.

Uncertainty: a level's is of calibration and noise, and of the gate for a free-field level. In the match of channels the
calibration cancels, and so does the gate, boxes being alike. The microphone's place is repeatability, for the kit to
state; the room is no part of it, since `level` is read with the room in it.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from rig.circuit.channel import Channel
from rig.circuit.radiation import microphone_at
from rig.design.kit import Kit
from rig.design.sheet_range import with_design
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import response_db, with_parts
from rig.files.tables import Table
from rig.signals import timing
from rig.signals.arrays import Bools, Complex
from rig.signals.deconvolution import band_limit, gated_power
from rig.signals.gating import Gated, gate
from rig.signals.kept import kept_by_value
from rig.signals.levels import REFERENCE_PRESSURE_PA, align_level_db, db
from rig.signals.noise import snr_db
from rig.signals.smoothing import smooth_power
from rig.signals.sweep import ExponentialSweep
from rig.signals.uncertainty import (
    SIXTH,
    SQUARED_GATE,
    combined,
    left_by_smoothing,
    level_noise_db,
    mean_level_noise_db,
    of_few_values,
    smoothing_width_hz,
)
from rig.values.captures import Capture
from rig.values.names import AGAINST, SENSITIVITY
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import (
    AcousticResponse,
    air_speed_m_s,
    arrived_response,
    design_response,
    judged_grid,
    model_pressure_pa,
    noise_power,
    silence_s,
)

NAME = "response"
TITLE = "Frequency response"
GATE = False

LEVEL = "level"
FREE_FIELD_LEVEL = "free-field level"
MATCH = "match"
MEAN_MATCH = "mean match"
#: A level in pascal for a volt needs the microphone, and the volts at the leads: the loopback's input measures them
#: where there is one, the output's calibration tells them where there is none. A match compares boxes on one bench.
RESTS_ON = RestsOn(
    ("microphone", "output", "input", "loopback"),
    {
        "playing": (),
        "output level": (MATCH, MEAN_MATCH),
        "speaker lead": (),
        "microphone gain": (MATCH, MEAN_MATCH),
        "microphone place": (),
    },
)
TERMS = {
    LEVEL: "Sound level at the microphone over frequency, the room's reflections included.",
    FREE_FIELD_LEVEL: "Sound level of the box alone: all that arrives after the first few milliseconds, when the "
    "room's reflections come in, is cut off (the gate). Low frequencies need more time than that, so below a certain "
    "frequency the gate leaves nothing to trust.",
    SENSITIVITY: "Mean sound level over a band for 2.83 V at the leads, at 1 m.",
    MATCH: "Level of one box minus that of the other, over frequency.",
    MEAN_MATCH: "Level of one box minus that of the other, on average over a band.",
}


Band = Annotated[list[float], Field(min_length=2, max_length=2)]
#: Kept before the arrival, and the whole of the room; our choice.
BEFORE_S = 0.002
ROOM_S = 0.25
#: What a gate makes of the design is averaged over such a part of an octave: a unit's decay is a little another's; our
#: choice.
GATE_FRACTION = 6
#: The design's decay is over by then; numerical.
DESIGN_S = 0.35
#: Where in that time a design's response is put, and how much of the time behind it is the whole of its decay, so that
#: both sides of it find room; numerical.
DESIGN_AT, DESIGN_DECAY = 0.1, 0.8
#: Of the greatest squared magnitude: what is less is none; numerical.
SILENT = 1e-12


class Settings(Table):
    """Settings of the check."""

    #: Microphone positions of the kit; the first one is the one that sensitivity and match are read at.
    positions: list[str] = ["on axis"]
    #: Smoothing in parts of an octave: 12 is 1/12 octave.
    smoothing: Annotated[float, Field(ge=1, le=48)] = 12.0
    points_per_octave: Annotated[int, Field(ge=6, le=96)] = 24
    #: Length of the gate after the arrival; shorter than the first reflection's delay.
    gate_ms: Annotated[float, Field(ge=1, le=100)] = 5.0
    #: The band over which sensitivity is the mean, and the one in which channels are matched.
    sensitivity_hz: Band = [500.0, 4000.0]
    match_hz: Band = [500.0, 8000.0]
    #: Points that stand less than this above the noise are not judged.
    over_noise_db: float = 15.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """One sweep on each channel at each position."""
    return [kit.sweep("playing", c.name, c.name, place) for place in settings.positions for c in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Levels of all channels and positions; sensitivity and match at the first position."""
    curves: list[Curve] = []
    readings: list[Reading] = []
    on_axis: dict[str, Curve] = {}
    for capture in captures:
        channel, position = capture.request.channel, capture.request.position
        first = position == settings.positions[0]
        subject = channel if first else f"{channel} {position}"
        level, free = level_curves(capture, subject, settings, kit)
        curves += [level, free]
        if first:
            on_axis[channel] = free
            if covers(kit.channel(channel).band, settings.sensitivity_hz):
                readings.append(sensitivity(capture, free, channel, settings, kit))
    for a, b in kit.equal_channels():
        if a.name not in on_axis or b.name not in on_axis:
            continue
        difference, mean = matched(on_axis[a.name], on_axis[b.name], settings)
        curves.append(difference)
        readings.append(mean)
    return CheckReadings(tuple(readings), tuple(curves))


def covers(band: tuple[float, float], wanted: Sequence[float]) -> bool:
    """Whether a channel plays all of a band."""
    return band[0] <= wanted[0] and wanted[1] <= band[1]


def level_of(kit: Kit, capture: Capture, frequency_hz: Floats) -> Callable[[Channel], Floats]:
    """Sound pressure level that a model has for a capture."""
    request, place = capture.request, kit.position(capture.request.position)
    microphone = microphone_at(place.distance_m, place.angle_deg)

    def level(model: Channel) -> Floats:
        pressure = model_pressure_pa(model, frequency_hz, microphone, air_speed_m_s(capture)).sum(axis=0)
        return db(request.level_v * np.abs(pressure) / REFERENCE_PRESSURE_PA)

    return level


def level_curves(capture: Capture, subject: str, settings: Settings, kit: Kit) -> tuple[Curve, Curve]:
    """Level with the room, smoothed, and the gated free-field level, of one capture.

    Raises
    ------
    Untrusted
        If nothing arrives at the microphone.
    """
    request, acoustic = capture.request, arrived_response(capture)
    grid = judged_grid(request, settings.points_per_octave)
    spl = bool(capture.calibration.microphone_v_per_pa)
    # Relative to 1 V at the microphone's input when its sensitivity is not known.
    scale = request.level_v / (REFERENCE_PRESSURE_PA if spl else 1.0)
    kinds = {
        LEVEL: ((BEFORE_S, ROOM_S), ""),
        FREE_FIELD_LEVEL: ((BEFORE_S / 2, settings.gate_ms / 1e3), f", gate {settings.gate_ms:g} ms"),
    }
    made, known = [], level_of(kit, capture, grid)
    for quantity, (sides_s, words) in kinds.items():
        gated = gate(acoustic.impulse, acoustic.sample_rate_hz, acoustic.arrival_s, *sides_s)
        power, noise = smoothed_powers(acoustic, gated, grid, settings.smoothing)
        lowest = max(gated.lowest_valid_hz, request.start_hz)
        place = kit.position(request.position)
        curve = Curve(
            quantity,
            subject,
            grid,
            db(np.sqrt(power) * scale),
            "dB SPL" if spl else "dB",
            valid=(grid >= lowest) & (snr_db(np.sqrt(power), noise) > settings.over_noise_db),
            absolute=spl,
            method=f"{request.level_v:g} V at {place.distance_m:g} m, {place.angle_deg:g} degrees, "
            f"1/{settings.smoothing:g} octave{words}, valid from {lowest:.0f} Hz",
        )
        parts = {
            "calibration": np.full(grid.size, response_db(capture.calibration, acoustic.timed)),
            "noise": smoothed_noise_db(power, noise, capture, sides_s, grid, settings.smoothing),
        }
        if quantity == FREE_FIELD_LEVEL:
            designed = design_response(kit, request, lines_hz(acoustic.sample_rate_hz), air_speed_m_s(capture))
            parts["method"] = gate_effect_db(designed, grid, acoustic.sent, sides_s, settings.smoothing)
        curve = with_design(curve, kit, request.channel, known, request.position)
        made.append(with_parts(curve, parts))
    return made[0], made[1]


def free_field_level(capture: Capture, subject: str, settings: Table, kit: Kit) -> Curve:
    """Free-field level as this check reads it, under the settings of another check that has them too."""
    alike = settings.model_dump(include={"smoothing", "points_per_octave", "gate_ms", "over_noise_db"})
    return level_curves(capture, subject, Settings(**alike), kit)[1]


def lines_hz(sample_rate_hz: float) -> Floats:
    """Lines that a design's decay is told from; the first one stands for 0 Hz, where no driver has a response."""
    return np.maximum(np.linspace(0.0, 0.5, round(DESIGN_S * sample_rate_hz / 2) + 1) * sample_rate_hz, 1.0)


@kept_by_value(16)
def gate_effect_db(
    designed: Complex,
    grid: Floats,
    sent: ExponentialSweep,
    sides_s: tuple[float, float],
    smoothing: float,
) -> Floats:
    """Size of what a gate does to a design's level, for it cuts the end of the decay off.

    A known effect that is not taken off, since it is the design's and not the unit's, so it is added as if it were
    uncertain (JCGM 100:2008, F.2.4.5). Root mean square within a sixth of an octave.

    Parameters
    ----------
    designed
        Response of the design from 0 Hz to half the sample rate, evenly spaced.
    grid
        Frequencies of the level.
    sent
        The sweep whose band limit every response has.
    sides_s
        Sides of the gate.
    smoothing
        Of the level, in parts of an octave.
    """
    rate_hz, frames = sent.sample_rate_hz, 2 * (designed.size - 1)
    line_hz = np.linspace(0.0, 0.5 * rate_hz, designed.size)
    impulse = np.roll(np.fft.irfft(designed * band_limit(line_hz, sent), frames), round(DESIGN_AT * frames))
    arrival_s = float(timing.arrival_s(impulse, rate_hz))
    powers = []
    for before_s, after_s in (sides_s, (BEFORE_S, DESIGN_DECAY * DESIGN_S)):
        at_hz, power = gated_power(gate(impulse, rate_hz, arrival_s, before_s, after_s), sent)
        powers.append(smooth_power(power, at_hz, grid, smoothing))
    # Far above a bass box's band there is nothing to be cut off.
    least = SILENT * np.max(powers[1])
    effect_db = 10 * np.log10(np.maximum(powers[0], least) / np.maximum(powers[1], least))
    return np.asarray(np.sqrt(smooth_power(effect_db**2, grid, grid, GATE_FRACTION)))


def smoothed_noise_db(
    power: Floats, noise: Floats, capture: Capture, sides_s: tuple[float, float], grid: Floats, smoothing: float
) -> Floats:
    """Uncertainty of a smoothed level from noise behind a gate of these two sides."""
    width_hz = smoothing_width_hz(grid, capture.request.start_hz, capture.request.stop_hz, smoothing)
    left = left_by_smoothing(width_hz, *(SQUARED_GATE * side for side in sides_s))
    few = of_few_values(SIXTH * grid, silence_s(capture))
    return np.asarray(level_noise_db(power, noise) * left * few)


def smoothed_powers(acoustic: AcousticResponse, gated: Gated, grid: Floats, smoothing: float) -> tuple[Floats, Floats]:
    """Squared magnitude of the response, smoothed, and the power that noise adds to it, both on the grid."""
    at_hz, power = gated_power(gated, acoustic.sent)
    power = smooth_power(power, at_hz, grid, smoothing)
    return power, noise_power(acoustic, gated, grid)


def sensitivity(capture: Capture, free: Curve, channel: str, settings: Settings, kit: Kit) -> Reading:
    """Mean free-field level over a band, referred to 2.83 V and 1 m."""
    low, high = settings.sensitivity_hz
    inside = (free.frequency_hz >= low) & (free.frequency_hz <= high)
    trouble = "" if free.absolute else "the microphone is not calibrated"
    if not inside.any() or not free.valid[inside].all():
        trouble = f"the level cannot be trusted all the way from {low:g} to {high:g} Hz"
        return Reading(SENSITIVITY, channel, float("nan"), "dB SPL", trouble=trouble)
    mean = mean_level_db(free.value, free.frequency_hz, (low, high))
    distance_m = kit.position(capture.request.position).distance_m
    value = mean + float(db(2.83 / capture.request.level_v) + db(distance_m / 1.0))
    # What the bench or the gate is off by it is off by all over the band.
    parts = {name: float(np.mean(part[inside])) for name, part in free.parts.items()}
    parts["noise"] = mean_noise_db(free, inside, settings)
    reading = Reading(SENSITIVITY, channel, value, "dB SPL", trouble=trouble)
    sides = {side: getattr(free, side) for side in ("design", "design_low", "design_high")}
    known = {side: level for side, level in sides.items() if level is not None}
    of_design: dict[str, Any] = {
        side: mean_level_db(level, free.frequency_hz, (low, high)) + value - mean for side, level in known.items()
    }
    return with_parts(replace(reading, **of_design), parts)


def mean_level_db(level: Floats, frequency_hz: Floats, band_hz: tuple[float, float]) -> float:
    """Mean of a level over a band."""
    return float(align_level_db(level, np.zeros_like(level), frequency_hz, band_hz))


def mean_noise_db(free: Curve, inside: Bools, settings: Settings) -> float:
    """Noise part of the mean of a free-field level, or of a difference of two, over a band."""
    gate_s = SQUARED_GATE * (BEFORE_S / 2 + settings.gate_ms / 1e3)
    return mean_level_noise_db(free.parts["noise"][inside], free.frequency_hz[inside], gate_s, settings.smoothing)


def matched(a: Curve, b: Curve, settings: Settings) -> tuple[Curve, Reading]:
    """Free-field level of one channel minus that of another, each at its own place, and the mean difference."""
    low, high = settings.match_hz
    subject = f"{a.subject}{AGAINST}{b.subject}"
    valid = a.valid & b.valid
    difference = a.value - b.value
    curve = Curve(MATCH, subject, a.frequency_hz, difference, "dB", valid, method=a.method)
    curve = with_parts(curve, {"noise": combined(a.parts["noise"], b.parts["noise"])})
    inside = (a.frequency_hz >= low) & (a.frequency_hz <= high)
    trouble = "" if valid[inside].all() else f"not both levels can be trusted from {low:g} to {high:g} Hz"
    mean = float(align_level_db(a.value, b.value, a.frequency_hz, (low, high))) if not trouble else float("nan")
    parts = {"noise": mean_noise_db(curve, inside, settings)}
    return curve, with_parts(Reading(MEAN_MATCH, subject, mean, "dB", trouble=trouble), parts)
