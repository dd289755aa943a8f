"""Leak: does the box hold its air?

A leak shows twice. The impedance shows it as losses and a shifted resonance: the parameters of the box out of the fit
that the impedance check makes. And it is heard: at low frequencies the cone blows air through the gap, a noise that
swells and falls with the cone's velocity. Both are read from sweeps that other checks ask for anyway, and are as
uncertain as they are there.
"""

from collections.abc import Sequence

from checks import impedance, rub_and_buzz
from rig.design.kit import Kit
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.tables import Table
from rig.signals.uncertainty import evidence_scatter
from rig.values.captures import Capture
from rig.values.readings import CheckReadings, Reading
from rig.values.requests import Sweep

NAME = "leak"
TITLE = "The box holds its air"
GATE = False

BLOWING_AIR = "evidence of blowing air"
OF_THE_BOX = (impedance.BOX_TUNING, impedance.BOX_LOSSES, impedance.BOX_RESONANCE, impedance.QTC)
RESTS_ON = RestsOn(
    ("sense",),
    {
        "leads": (BLOWING_AIR,),
        "playing": (impedance.BOX_TUNING, impedance.BOX_LOSSES),
        "speaker lead": (impedance.BOX_TUNING, impedance.BOX_LOSSES),
    },
)
TERMS = {
    BLOWING_AIR: "How sure it is that air blows through a gap in step with the cone, in powers of ten as for impulses.",
    **{name: impedance.TERMS[name] for name in OF_THE_BOX},
}


class Settings(Table):
    """Settings of the check; those of the fit and of the search for air are the other checks' own."""

    of_the_fit: impedance.Settings = impedance.Settings()
    of_the_search: rub_and_buzz.Settings = rub_and_buzz.Settings()


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweeps of `impedance` and of `rub_and_buzz` on each channel that has a box."""
    boxed = {channel.name for channel in kit.channels if channel.box.kind != "none"}
    asked = [*impedance.requests(kit, settings.of_the_fit), *rub_and_buzz.requests(kit, settings.of_the_search)]
    return [request for request in asked if request.channel in boxed]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Tuning, losses and resonance of each box, and the evidence of blowing air."""
    readings: list[Reading] = []
    for capture in captures:
        if capture.request.stage == "leads":
            fitted = impedance.fitted(capture, kit, settings.of_the_fit)
            readings += [reading for reading in fitted if reading.quantity in OF_THE_BOX]
        else:
            readings.append(air_reading(capture, kit, settings))
    return CheckReadings(tuple(readings))


def air_reading(capture: Capture, kit: Kit, settings: Settings) -> Reading:
    """Evidence of air that blows in step with the cone: -lg of the probability that noise alone gives as much.

    Whatever else the search finds may drown the air, and then nothing is known of it.
    """
    found = rub_and_buzz.channel_readings(capture, settings.of_the_search, kit).readings[0]
    blowing = found.said.startswith("blowing air")
    trouble = found.trouble
    if not trouble and not blowing and found.said != rub_and_buzz.NOTHING:
        trouble = f"something else is heard ({found.said}): see rub and buzz"
    value = found.value if blowing else 0.0
    air = Reading(BLOWING_AIR, capture.request.channel, value, "", trouble=trouble, said=found.said)
    return with_parts(air, {"scatter": evidence_scatter(value, blowing)})
