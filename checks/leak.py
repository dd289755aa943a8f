"""Leak: does the box hold its air?

A leak shows twice. The impedance shows it as losses and a shifted resonance: the parameters of the box out of the fit
that the impedance check makes. And it is heard: at low frequencies the cone blows air through the gap, a noise that
swells and falls with the cone's velocity. Both are read from sweeps that other checks ask for anyway.
"""

from collections.abc import Sequence

from checks import impedance, rub_and_buzz
from rig.kit import Kit
from rig.readings import Capture, CheckReadings, Reading, Untrusted
from rig.requests import Request
from rig.signals.impulse_kinds import impulses_of
from rig.tables import Table

NAME = "leak"
TITLE = "The box holds its air"
GATE = False

OF_THE_BOX = ("box tuning", "box losses QL", "box resonance", "Qtc")


class Settings(Table):
    """Settings of the check; those of the fit and of the search for air are the other checks' own."""

    impedance: impedance.Settings = impedance.Settings()
    rub_and_buzz: rub_and_buzz.Settings = rub_and_buzz.Settings()


def requests(kit: Kit, settings: Settings) -> list[Request]:
    """The sweeps of `impedance` and of `rub_and_buzz` on each channel that has a box."""
    boxed = {channel.name for channel in kit.channels if channel.box.kind != "none"}
    asked = [*impedance.requests(kit, settings.impedance), *rub_and_buzz.requests(kit, settings.rub_and_buzz)]
    return [request for request in asked if request.channel in boxed]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Tuning, losses and resonance of each box, and the evidence of blowing air."""
    readings: list[Reading] = []
    for capture in captures:
        if capture.request.stage == "leads":
            fitted = impedance.fitted(capture, kit, settings.impedance)
            readings += [reading for reading in fitted if reading.quantity in OF_THE_BOX]
        else:
            readings.append(air_reading(capture, settings))
    return CheckReadings(tuple(readings))


def air_reading(capture: Capture, settings: Settings) -> Reading:
    """Evidence of air that blows in step with the cone: -lg of the probability that noise alone gives as much."""
    residual, silence, ends_s = rub_and_buzz.residual_of(capture)
    begins_s = residual.chirp.passes_start_s - rub_and_buzz.EARLY_S
    try:
        found = impulses_of(residual, silence, begins_s, ends_s)
    except ValueError as error:
        raise Untrusted(str(error)) from None
    blowing = found.kind == "blowing air"
    trouble = "a noise disturbed the sweep: repeat it in quiet" if found.kind == "disturbed" else ""
    said = rub_and_buzz.kind_words(found) if blowing else ""
    value = found.evidence if blowing else 0.0
    return Reading("evidence of blowing air", capture.request.channel, value, "", trouble=trouble, said=said)
