"""Polarity: each driver in its own band, each channel absolutely, and channel against channel.

The largest peak of an impulse response shows the tweeter's sign only. Here the phase of the measured response is held
against the phase that the kit's model expects of each driver, over that driver's band, for every delay the bench may
have; one delay must serve all drivers of a box. Before a sign is told, the band's level is looked at: a dead driver
is not a reversed one. A driver that the kit reverses on purpose is right when it is reversed.
"""

from collections.abc import Sequence
from typing import Annotated

import numpy as np
from pydantic import Field

from rig.circuit.radiation import driver_pressure_pa, microphone_at
from rig.kit import DriverSpec, Kit
from rig.readings import Capture, CheckReadings, Floats, Reading, Untrusted
from rig.requests import Request
from rig.responses import Acoustic, acoustic_response, air_speed_m_s, band_response, design_response
from rig.signals.levels import db
from rig.signals.phase import Sign, mean_cosine, signs_of
from rig.signals.smoothing import log_frequency_grid
from rig.tables import Table

NAME = "polarity"
TITLE = "Polarity of every driver"
GATE = False

POINTS_PER_OCTAVE = 24
SAID = {1: "as designed", -1: "reversed", 0: "the drivers disagree"}


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
    #: The microphone may stand so far off: delays are sought from minus to plus this, by loopback and without it.
    delay_within_ms: float = 0.3
    delay_within_untimed_ms: float = 10.0
    crossings: list[Crossing] = []


def requests(kit: Kit, settings: Settings) -> list[Request]:
    """The same sweep that the response check asks for, at the first position."""
    return [kit.sweep("playing", c.name, c.name, kit.positions[0].name) for c in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """+1 where the polarity is the kit's, -1 where it is the opposite, for drivers, channels and pairs."""
    readings: list[Reading] = []
    by_channel = {capture.request.channel: capture for capture in captures}
    for name, capture in by_channel.items():
        readings += channel_readings(capture, kit.channel(name).drivers, settings, kit)
    for a, b in kit.alike():
        subject = f"{a.name} against {b.name}"
        one, other = by_channel[a.name], by_channel[b.name]
        readings.append(pair_reading(subject, one, other, a.band, settings, kit))
    for crossing in settings.crossings:
        subject = f"{crossing.low} against {crossing.high}"
        low, high = by_channel[crossing.low], by_channel[crossing.high]
        readings.append(pair_reading(subject, low, high, (crossing.band_hz[0], crossing.band_hz[1]), settings, kit))
    return CheckReadings(tuple(readings))


def channel_readings(capture: Capture, drivers: Sequence[DriverSpec], settings: Settings, kit: Kit) -> list[Reading]:
    """Level and sign of each driver in its band, and the sign of the channel as a whole."""
    channel = capture.request.channel
    unknown = (
        ""
        if capture.calibration.microphone_sign
        else (
            "the sign of the microphone chain is not known: measure a driver of known polarity, "
            "then set microphone_inverted in bench.toml"
        )
    )
    signs = driver_signs(capture, drivers, settings, kit)
    readings = []
    for driver, sign in zip(drivers, signs, strict=True):
        subject = f"{channel} {driver.name}"
        trouble = unknown or doubt(sign, settings)
        readings.append(Reading("band level", subject, sign.level_db, "dB"))
        readings.append(Reading("driver polarity", subject, sign.value, "", trouble=trouble, said=SAID[sign.value]))
        readings.append(Reading("confidence", subject, min(sign.confidence, sign.agreement), ""))
    told = {sign.value for sign in signs if not doubt(sign, settings)}
    trouble = unknown or ("" if told else "no driver of the channel gives a sign")
    # Drivers that disagree leave the channel without a sign of its own: 0, which no limit allows.
    value = told.pop() if len(told) == 1 else 0
    readings.append(Reading("channel polarity", channel, value, "", trouble=trouble, said=SAID[value]))
    return readings


def doubt(sign: Sign, settings: Settings) -> str:
    """Why a sign cannot be told; empty when it can."""
    if sign.level_db < settings.dead_below_db:
        return f"{-sign.level_db:.0f} dB too quiet in its band: silent rather than reversed"
    if sign.agreement < settings.agreement or sign.confidence < settings.confidence:
        return f"agreement {sign.agreement:.2f} and confidence {sign.confidence:.2f} are too low to tell a sign"
    return ""


def driver_signs(capture: Capture, drivers: Sequence[DriverSpec], settings: Settings, kit: Kit) -> list[Sign]:
    """Signs of all drivers of a channel: the one delay that lets the phases agree best, whatever the signs.

    C_d(t) is the mean cosine of measured phase minus expected phase plus 2 pi f t over the band of driver d; the
    delay t maximises the sum of |C_d(t)|, and the sign of C_d there is the sign of the driver (`rig.signals.phase`).
    """
    heard = acoustic_response(capture)
    if not np.isfinite(heard.arrival_s):
        raise Untrusted(f"nothing stands out of the noise at the microphone ({capture.request})")
    delays = delay_grid(heard, max(driver.band_hz[1] for driver in drivers), settings)
    cosines, levels = [], []
    position = kit.position(capture.request.position)
    microphone = microphone_at(position.distance_m, position.angle_deg)
    for n, driver in enumerate(drivers):
        grid = log_frequency_grid(driver.band_hz[0], driver.band_hz[1], POINTS_PER_OCTAVE)
        model = kit.model(capture.request.channel)
        expected = driver_pressure_pa(model, grid, 1.0, microphone, air_speed_m_s(capture))[n]
        measured = band_response(heard, grid, capture.request)
        cosines.append(mean_cosine(measured, expected, grid, delays))
        levels.append(float(db(np.linalg.norm(measured) / np.linalg.norm(expected))))
    if not capture.calibration.microphone_v_per_pa:
        levels = [level - max(levels) for level in levels]
    return signs_of(np.array(cosines), levels)


def delay_grid(heard: Acoustic, highest_hz: float, settings: Settings) -> Floats:
    """Delays to be tried, in seconds, fine enough for the highest frequency."""
    reach_s = (settings.delay_within_ms if heard.timed else settings.delay_within_untimed_ms) / 1e3
    count = int(np.ceil(reach_s * 12 * highest_hz))
    return np.linspace(-reach_s, reach_s, 2 * count + 1)


def pair_reading(
    subject: str, one: Capture, other: Capture, band_hz: tuple[float, float], settings: Settings, kit: Kit
) -> Reading:
    """+1 when two channels stand to each other as the kit's model says, over a band that both play."""
    grid = log_frequency_grid(band_hz[0], band_hz[1], POINTS_PER_OCTAVE)
    heard = [acoustic_response(capture) for capture in (one, other)]
    if not all(np.isfinite(h.arrival_s) for h in heard):
        return Reading("polarity between", subject, float("nan"), "", trouble="one of the two is silent")
    ratios = []
    for capture, response in zip((one, other), heard, strict=True):
        measured = band_response(response, grid, capture.request)
        ratios.append(measured / design_response(kit, capture.request, grid, air_speed_m_s(capture)))
    levels = [float(db(np.sqrt(np.mean(np.abs(ratio) ** 2)))) for ratio in ratios]
    delays = delay_grid(heard[0], band_hz[1], settings)
    sign = signs_of(mean_cosine(ratios[0], ratios[1], grid, delays)[np.newaxis], [min(levels) - max(levels)])[0]
    return Reading("polarity between", subject, sign.value, "", trouble=doubt(sign, settings), said=SAID[sign.value])
