"""Polarity: each driver in its own band, each channel absolutely, and channel against channel.

The largest peak of an impulse response shows the tweeter's sign only. Here the phase of the measured response is held
against the phase that the kit's model expects of each driver, over that driver's band, for every delay the bench may
have; one delay must serve all drivers of a box. Before a sign is told, the band's level is looked at: a dead driver
is not a reversed one. A driver that the kit reverses on purpose is right when it is reversed.

Uncertainty: a sign is no quantity that could be a little off. It is right or it is not told at all, so it is exact;
how far it is from being another is a reading of its own, `confidence`, and below the settings' it is void.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field

from rig.design.kit import Kit
from rig.design.speaker import DriverSpec
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import response_db, with_parts
from rig.files.tables import Table
from rig.signals.arrays import Complex
from rig.signals.phase import Sign, mean_cosine, signs_of
from rig.signals.smoothing import log_frequency_grid
from rig.signals.uncertainty import DB_PER_POWER_PART, combined, mean_power_noise_db
from rig.values.captures import Capture
from rig.values.names import AGAINST, CHANNEL_POLARITY, DRIVER_POLARITY, POLARITY_BETWEEN, SIGNS
from rig.values.readings import CheckReadings, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import (
    AcousticResponse,
    acoustic_response,
    air_speed_m_s,
    band_gate,
    band_response,
    design_response,
    driver_design_responses,
    mean_db,
)

NAME = "polarity"
TITLE = "Polarity of every driver"
GATE = False

BAND_LEVEL = "band level"
CONFIDENCE = "confidence"
#: Signs compare one driver with another, or with the model; no level matters.
RESTS_ON = RestsOn(
    (),
    {
        "playing": (),
        "output level": (*SIGNS, CONFIDENCE),
        "speaker lead": (*SIGNS, CONFIDENCE),
        "microphone gain": (*SIGNS, CONFIDENCE),
        "microphone place": (*SIGNS, CONFIDENCE),
        "microphone sign": (BAND_LEVEL, POLARITY_BETWEEN, CONFIDENCE),
    },
)
TERMS = {
    BAND_LEVEL: "Level of one driver in its own band against what the kit's model expects.",
    DRIVER_POLARITY: "Whether the cone moves the way the kit wants it to for the same signal.",
    CHANNEL_POLARITY: "Whether the drivers of a box all move the way the kit wants them to.",
    POLARITY_BETWEEN: "Whether two boxes move the same way for the same signal, or as the kit wants it.",
    CONFIDENCE: "How clearly the sign of the polarity shows: 1 beyond doubt, 0 not at all.",
}


#: Of the grid that signs are read over; numerical.
POINTS_PER_OCTAVE = 24
#: A sign, see above; by definition.
EXACT = 0.0
POLARITY_WORDS = {1: "as designed", -1: "reversed", 0: "the drivers disagree"}


class Crossing(Table):
    """Two channels that hand over to each other, and the band in which they do."""

    low: str
    high: str
    band_hz: Annotated[list[float], Field(min_length=2, max_length=2)]


class Settings(Table):
    """Settings of the check."""

    #: A driver further than this below the design's level in its band is dead, not reversed.
    dead_below_db: float = -10.0
    #: 1: no delay lets the other sign explain the phase at all; 0: both signs explain it alike.
    confidence: Annotated[float, Field(gt=0, lt=1)] = 0.2
    #: Mean cosine of the phase left between model and measurement at the best delay.
    agreement: Annotated[float, Field(gt=0, lt=1)] = 0.5
    #: A band that stands less than this above the noise tells nothing.
    over_noise_db: float = 10.0
    #: The microphone may stand so far off: delays are sought from minus to plus this. Without a loopback time zero
    #: is that of the sound itself, and through a low-passed bass box that comes 10 ms late.
    delay_within_ms: float = 0.3
    delay_within_untimed_ms: float = 25.0
    crossings: list[Crossing] = []


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The same sweep that the response check asks for, at the first position."""
    return [kit.sweep("playing", c.name, c.name, kit.positions[0].name) for c in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """+1 where the polarity is the kit's, -1 where it is the opposite, for drivers, channels and pairs."""
    readings: list[Reading] = []
    boxes = {capture.request.channel: measure_box(capture, settings, kit) for capture in captures}
    for box in boxes.values():
        readings += channel_readings(box, settings)
    pairs = [(a.name, b.name, [driver.band_hz for driver in a.drivers]) for a, b in kit.equal_channels()]
    pairs += [(crossing.low, crossing.high, [crossing.band_hz]) for crossing in settings.crossings]
    for first, second, bands in pairs:
        if first in boxes and second in boxes:
            subject = f"{first}{AGAINST}{second}"
            readings.append(pair_reading(subject, boxes[first], boxes[second], bands, settings, kit))
    return CheckReadings(tuple(readings))


@dataclass(frozen=True, eq=False)
class Box:
    """A channel as it was heard, in the band of each of its drivers."""

    capture: Capture
    drivers: Sequence[DriverSpec]
    acoustic: AcousticResponse
    #: A grid for each driver, and over it: measured, expected of this driver by itself, and what noise would give.
    grids: list[Floats]
    measured: list[Complex]
    expected: list[Complex]
    noise: list[Floats]
    #: Delays that were tried, and the mean cosine of each driver's phase at each of them, shape (drivers, delays).
    delays_s: Floats
    cosines: Floats

    @property
    def delay_s(self) -> float:
        """The delay at which the drivers agree best with the design, whatever their signs."""
        return float(self.delays_s[np.argmax(np.abs(self.cosines).sum(axis=0))])


def measure_box(capture: Capture, settings: Settings, kit: Kit) -> Box:
    """A channel against what the kit's model expects of each of its drivers, for every delay the bench may have."""
    acoustic, request = acoustic_response(capture), capture.request
    drivers = kit.channel(request.channel).drivers
    delays = delay_grid(acoustic.timed, max(driver.band_hz[1] for driver in drivers), settings)
    grids = [log_frequency_grid(driver.band_hz[0], driver.band_hz[1], POINTS_PER_OCTAVE) for driver in drivers]
    air_m_s = air_speed_m_s(capture)
    expected = [driver_design_responses(kit, request, grid, air_m_s)[n] for n, grid in enumerate(grids)]
    measured, noise = zip(*(band_response(acoustic, grid) for grid in grids), strict=True)
    cosines = [mean_cosine(*each, delays) for each in zip(measured, expected, grids, strict=True)]
    return Box(capture, drivers, acoustic, grids, list(measured), expected, list(noise), delays, np.array(cosines))


def channel_readings(box: Box, settings: Settings) -> list[Reading]:
    """Level and sign of each driver in its band, and the sign of the channel as a whole."""
    capture, drivers, channel = box.capture, box.drivers, box.capture.request.channel
    unknown = (
        ""
        if capture.calibration.microphone_sign
        else (
            "the sign of the microphone chain is not known: measure a driver of known polarity, "
            "then set microphone_inverted in bench.toml"
        )
    )
    readings, named = [], set()
    for driver, found in zip(drivers, driver_signs(box), strict=True):
        sign, subject, doubts = found.sign, f"{channel} {driver.name}", doubt(found.sign, settings)
        trouble = unknown or doubts
        unsure = level_trouble(capture, sign, settings, len(drivers))
        level = Reading(BAND_LEVEL, subject, sign.level_db, "dB", trouble=unsure)
        confidence = Reading(CONFIDENCE, subject, min(sign.confidence, sign.agreement), "")
        readings += [
            with_parts(level, found.level_parts),
            Reading(DRIVER_POLARITY, subject, sign.value, "", EXACT, trouble, POLARITY_WORDS[sign.value]),
            with_parts(confidence, {"noise": found.confidence_noise}),
        ]
        if not doubts:
            named.add(sign.value)
    trouble = unknown or ("" if named else "no driver of the channel gives a sign")
    # Drivers that disagree leave the channel without a sign of its own: 0, which no limit allows.
    value = named.pop() if len(named) == 1 else 0
    readings.append(Reading(CHANNEL_POLARITY, channel, value, "", EXACT, trouble, POLARITY_WORDS[value]))
    return readings


def doubt(sign: Sign, settings: Settings) -> str:
    """Why a sign cannot be determined; empty when it can."""
    if not sign.level_db >= settings.dead_below_db:
        return f"{-sign.level_db:.0f} dB too quiet in its band: silent rather than reversed"
    if not sign.over_noise_db >= settings.over_noise_db:
        return f"only {sign.over_noise_db:.0f} dB above the noise in its band"
    if sign.agreement < settings.agreement or sign.confidence < settings.confidence:
        return f"agreement {sign.agreement:.2f} and confidence {sign.confidence:.2f} are too low to tell a sign"
    return ""


def level_trouble(capture: Capture, sign: Sign, settings: Settings, drivers: int) -> str:
    """Why the level of a band is not known; empty when it is. What noise could hide is at most as loud as it."""
    if drivers == 1 and not capture.calibration.microphone_v_per_pa:
        return "the microphone is not calibrated, and there is no other driver to compare this one with"
    if sign.over_noise_db < settings.over_noise_db and sign.level_db >= settings.dead_below_db:
        return f"only {sign.over_noise_db:.0f} dB above the noise in its band"
    return ""


@dataclass(frozen=True)
class DriverSign:
    """Sign and level of a driver, and what they are uncertain by."""

    sign: Sign
    level_parts: dict[str, float]
    confidence_noise: float


def driver_signs(box: Box) -> list[DriverSign]:
    """Signs of all drivers of a channel: the one delay that lets the phases agree best, whatever the signs.

    C_d(t) is the mean cosine of measured phase minus expected phase plus 2 pi f t over the band of driver d; the
    delay t maximises the sum of |C_d(t)|, and the sign of C_d there is the sign of the driver (`rig.signals.phase`).
    """
    calibration, acoustic = box.capture.calibration, box.acoustic
    responses = list(zip(box.grids, box.measured, box.noise, strict=True))
    levels = [
        mean_db(measured) - mean_db(expected) for measured, expected in zip(box.measured, box.expected, strict=True)
    ]
    over_noise = [mean_db(measured) - mean_db(noise) for _, measured, noise in responses]
    noises = [band_noise(acoustic, grid, np.abs(measured) ** 2, noise**2) for grid, measured, noise in responses]
    parts = [{"calibration": response_db(calibration, acoustic.timed), "noise": noise[0]} for noise in noises]
    if not calibration.microphone_v_per_pa:
        # Against the loudest driver the calibration cancels.
        loudest = int(np.argmax(levels))
        levels = [level - levels[loudest] for level in levels]
        parts = [{"noise": float(combined(noise[0], noises[loudest][0]))} for noise in noises]
    signs = signs_of(box.cosines, levels, over_noise)
    confidences = [noise[1] / max(sign.agreement, 1e-3) for sign, noise in zip(signs, noises, strict=True)]
    return [DriverSign(*each) for each in zip(signs, parts, confidences, strict=True)]


def band_noise(acoustic: AcousticResponse, grid: Floats, power: Floats, noise: Floats) -> tuple[float, float]:
    """What noise does to the mean level of a band, in dB, and to a difference of two mean cosines of its phases.

    Noise moves the phase at a frequency by sqrt(N / 2 P) rad, and a cosine by no more; two means of them, at the best
    delay for each sign, by the root of two times that of one (GUM 5.1.2).
    """
    gate_s = float(np.sum(band_gate(acoustic, grid).window ** 2)) / acoustic.sample_rate_hz
    relative_db = mean_power_noise_db(np.ones(grid.size), noise / power, grid, gate_s)
    return mean_power_noise_db(power, noise, grid, gate_s), relative_db / DB_PER_POWER_PART / np.sqrt(2)


def delay_grid(timed: bool, highest_hz: float, settings: Settings) -> Floats:
    """Delays to be tried, in seconds, fine enough for the highest frequency."""
    reach_s = (settings.delay_within_ms if timed else settings.delay_within_untimed_ms) / 1e3
    count = int(np.ceil(reach_s * 12 * highest_hz))
    return np.linspace(-reach_s, reach_s, 2 * count + 1)


def pair_reading(
    subject: str, one: Box, other: Box, bands_hz: Sequence[Sequence[float]], settings: Settings, kit: Kit
) -> Reading:
    """+1 when two channels stand to each other as the kit's model says, in every band that both play.

    Each capture is divided by what the model expects of it; what is left of the two must have the same sign. Without a
    time zero that both captures share, half a period of a narrow band looks like the other sign. The delay between them
    is then not sought in these bands alone: the box whose drivers reach higher is moved to where these agree with the
    design, and the same delay must serve the other box's drivers as well, whatever their signs.
    """
    moved, fixed = sorted((one, other), key=lambda box: max(driver.band_hz[1] for driver in box.drivers))
    timed = one.acoustic.timed and other.acoustic.timed
    zeros_s = (0.0, 0.0 if timed else fixed.delay_s)
    own = [] if timed else list(zip(moved.measured, moved.expected, moved.grids, strict=True))
    delays = delay_grid(timed, max([high for _, high in bands_hz] + [grid[-1] for _, _, grid in own]), settings)
    cosines, levels, over_noise = [], [], []
    for low, high in bands_hz:
        grid = log_frequency_grid(low, high, POINTS_PER_OCTAVE)
        ratios, above = [], []
        for box, zero_s in zip((moved, fixed), zeros_s, strict=True):
            request = box.capture.request
            measured, noise = band_response(box.acoustic, grid)
            design = design_response(kit, request, grid, air_speed_m_s(box.capture))
            ratios.append(measured / design * np.exp(2j * np.pi * grid * zero_s))
            above.append(mean_db(measured) - mean_db(noise))
        cosines.append(mean_cosine(ratios[0], ratios[1], grid, delays))
        levels.append(-abs(mean_db(ratios[0]) - mean_db(ratios[1])))
        over_noise.append(min(above))
    cosines += [mean_cosine(*each, delays) for each in own]
    # Levels of the moved box's own drivers are judged elsewhere: here they only tell the delay.
    not_judged = [0.0] * len(own)
    signs = signs_of(np.array(cosines), levels + not_judged, over_noise + not_judged)[: len(bands_hz)]
    doubts = [words for sign in signs if (words := doubt(sign, settings))]
    value = signs[0].value if len({sign.value for sign in signs}) == 1 else 0
    return Reading(POLARITY_BETWEEN, subject, value, "", EXACT, "; ".join(doubts), POLARITY_WORDS[value])
