"""Ping: does each channel arrive where it should, quietly, before anything loud?

With the microphone in front of one box, that box and every box built like it plays a short quiet sweep. The level
must be near the one that the kit's model expects, and the box in front must be the loudest: otherwise two channels
are swapped, a channel is silent, or the level is so wrong that full level would be dangerous.
"""

from collections.abc import Sequence

import numpy as np

from rig.design.kit import Kit
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import response_db, with_parts
from rig.files.tables import Table
from rig.signals.smoothing import log_frequency_grid
from rig.signals.uncertainty import combined, mean_power_noise_db, noise_level_db, sum_of_powers_db
from rig.values.captures import Capture, Untrusted
from rig.values.readings import CheckReadings, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import (
    acoustic_response,
    air_speed_m_s,
    band_gate,
    band_response,
    design_response,
    mean_db,
    silence_s,
)

NAME = "ping"
TITLE = "The intended box plays, at a plausible level"
GATE = True

PING_LEVEL = "ping level"
LOUDER = "louder than the other boxes"
OVER_NOISE = "ping over noise"
RESTS_ON = RestsOn(
    ("microphone", "output", "input"),
    {
        "playing": (),
        "output level": (LOUDER,),
        "speaker lead": (),
        "microphone gain": (LOUDER, OVER_NOISE),
        "microphone place": (),
    },
)
TERMS = {
    PING_LEVEL: "Level of a short, quiet test sound against what the kit's model expects.",
    LOUDER: "How much the box in front of the microphone is heard above its neighbours: it shows swapped channels.",
    OVER_NOISE: "How far the test sound stands above the noise.",
}


#: Of the grid that levels are averaged over; numerical.
POINTS_PER_OCTAVE = 12


class Settings(Table):
    """Settings of the check."""

    #: A ping that does not stand so far above the room is no proof of anything.
    over_noise_db: float = 10.0
    #: What drowns in a noise that lies so far below the design is silent; in a louder noise nothing is known of it.
    silent_below_db: float = -15.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """At each box: its own ping, and one of each box built alike."""
    first = kit.positions[0].name
    alike = {(a.name, b.name) for a, b in kit.equal_channels()}
    pairs = [(c.name, c.name) for c in kit.channels] + [*alike, *((b, a) for a, b in alike)]
    return [kit.sweep("playing", channel, at, first, quiet=True) for at, channel in sorted(pairs)]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """For each box its level against the design, and how much louder it is than the boxes built alike."""
    levels = {(c.request.at, c.request.channel): band_levels_db(c, kit) for c in captures}
    silent = [over_noise < settings.over_noise_db for _, over_noise in levels.values()]
    if all(silent):
        raise Untrusted(
            "no ping stands out of the room: the microphone is dead or not plugged in, the amplifier is off, "
            "or the room is too loud"
        )
    readings = []
    for capture in captures:
        at, channel = capture.request.at, capture.request.channel
        if at != channel:
            continue
        off_db, over_noise_db = levels[at, channel]
        hidden = over_noise_db < settings.over_noise_db
        noisy = "the ping drowns in the noise of the room" if hidden else ""
        trouble = noisy if off_db > settings.silent_below_db else ""
        # With a microphone that is not calibrated the level means nothing; that it stands out of the room still does.
        own_db, silence_db = noise_uncertainty_db(capture)
        if capture.calibration.microphone_v_per_pa:
            level = Reading(PING_LEVEL, at, off_db, "dB", trouble=trouble)
            of_bench_db = response_db(capture.calibration, capture.has("loopback"))
            readings.append(with_parts(level, {"calibration": of_bench_db, "noise": own_db}))
        over_noise = Reading(OVER_NOISE, at, over_noise_db, "dB")
        readings.append(with_parts(over_noise, {"noise": combined(own_db, silence_db)}))
        others = [other for other in captures if other.request.at == at and other.request.channel != channel]
        if others:
            loudest = max(others, key=lambda other: levels[at, other.request.channel])
            apart_db = off_db - levels[at, loudest.request.channel][0]
            # Microphone and volts are the same for both.
            noise_db = combined(own_db, noise_uncertainty_db(loudest)[0])
            louder = Reading(LOUDER, at, apart_db, "dB", trouble=noisy)
            readings.append(with_parts(louder, {"noise": noise_db}))
    return CheckReadings(tuple(readings))


def noise_uncertainty_db(capture: Capture) -> tuple[float, float]:
    """What noise makes the level over a ping's band uncertain by; and how well the level of the noise itself is known.

    The latter is told from the silence before the ping, in sixths of an octave.
    """
    acoustic, request = acoustic_response(capture), capture.request
    grid = log_frequency_grid(request.start_hz, request.stop_hz, POINTS_PER_OCTAVE)
    measured, noise = band_response(acoustic, grid)
    gate_s = float(np.sum(band_gate(acoustic, grid).window ** 2)) / acoustic.sample_rate_hz
    # A few windowed segments use about half of the silence; neighbours on the grid share half of their sixth.
    each_db = np.sqrt(2) * noise_level_db(grid * np.log(2) / 6, silence_s(capture) / 2)
    of_level_db = mean_power_noise_db(np.abs(measured) ** 2, noise**2, grid, gate_s)
    return of_level_db, float(sum_of_powers_db(noise**2, each_db))


def band_levels_db(capture: Capture, kit: Kit) -> tuple[float, float]:
    """Mean level over the band against what the box in front should give, and against the noise, both in dB."""
    request = capture.request
    acoustic = acoustic_response(capture)
    grid = log_frequency_grid(request.start_hz, request.stop_hz, POINTS_PER_OCTAVE)
    measured, noise = band_response(acoustic, grid)
    design = design_response(kit, request, grid, air_speed_m_s(capture))
    return mean_db(measured) - mean_db(design), mean_db(measured) - mean_db(noise)
