"""Leads: is there a short, an open lead, or an impedance that would hurt the amplifier? Asked quietly, before all else.

A short sweep of a few hundredths of a volt goes through the sense resistor into the bare leads. The lowest magnitude
of the impedance decides whether anything louder is played.
"""

from collections.abc import Sequence

import numpy as np

from checks import impedance
from checks.impedance import LOWEST_IMPEDANCE, load_impedance
from rig.design.kit import Kit
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.tables import Table
from rig.signals.smoothing import log_frequency_grid
from rig.values.captures import Capture, Untrusted
from rig.values.readings import CheckReadings, Reading
from rig.values.requests import Sweep

NAME = "leads"
TITLE = "No short, no open lead"
GATE = True

RESTS_ON = RestsOn(("sense",), {"leads": ()})
TERMS = {LOWEST_IMPEDANCE: impedance.TERMS[LOWEST_IMPEDANCE]}


#: A lowest impedance that is known no better than this is not told ... (our choice)
NOISE_PERCENT = 10.0
#: ... unless it lies below this for certain: then the leads are shorted, however well the impedance is known; our
#: choice.
SHORT_OHM = 2.0
#: Above this nothing hangs at the clips, and clips that are off cannot be told from a lead that is open inside; our
#: choice.
OPEN_OHM = 200.0
OPEN = (
    "no current flows: put the clips on and check both inputs' cables; if they are on, the lead is open inside the box"
)


class Settings(Table):
    """Nothing to set: the limits of the lowest impedance say it all."""


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """One short quiet sweep on each channel's leads."""
    return [kit.sweep("leads", channel.name, quiet=True) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """The lowest magnitude of the impedance of each channel, and where it lies."""
    readings = []
    for capture in captures:
        channel, low, high = capture.request.channel, capture.request.start_hz, capture.request.stop_hz
        grid = log_frequency_grid(2 * low, high, 12)
        try:
            load = load_impedance(capture, grid)
        except Untrusted as error:
            readings.append(Reading(LOWEST_IMPEDANCE, channel, float("nan"), "ohm", trouble=str(error)))
            continue
        magnitude, noise = np.abs(load.ohm), load.uncertainty_ohm
        lowest = int(np.argmin(magnitude))
        # Where nothing flows noise is all there is: no more is known than that the impedance is at least so high.
        least = float(np.min(magnitude / (1 + 3 * noise / magnitude)))
        is_known = noise[lowest] < NOISE_PERCENT / 100 * magnitude[lowest]
        short = bool(np.any(magnitude + 3 * noise < SHORT_OHM))
        trouble = "" if is_known or short else "the inputs are too noisy to tell an impedance"
        if least > OPEN_OHM:
            trouble = OPEN
        reading = Reading(LOWEST_IMPEDANCE, channel, float(magnitude[lowest]), "ohm", trouble=trouble)
        readings.append(with_parts(reading, {name: part[lowest] for name, part in load.parts().items()}))
    return CheckReadings(tuple(readings))
