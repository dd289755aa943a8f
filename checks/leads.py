"""Leads: is there a short, an open lead, or an impedance that would hurt the amplifier? Asked quietly, before all else.

A short sweep of a few hundredths of a volt goes through the sense resistor into the bare leads. The lowest magnitude
of the impedance decides whether anything louder is played.
"""

from collections.abc import Sequence

import numpy as np

from checks.impedance import load_impedance
from rig.kit import Kit
from rig.readings import Capture, CheckReadings, Reading, Untrusted
from rig.requests import Request
from rig.signals.smoothing import log_frequency_grid
from rig.tables import Table

NAME = "leads"
TITLE = "No short, no open lead"
GATE = True


class Settings(Table):
    """Nothing to set: the limits of the lowest impedance say it all."""


def requests(kit: Kit, settings: Settings) -> list[Request]:
    """One short quiet sweep on each channel's leads."""
    return [kit.sweep("leads", channel.name, quiet=True) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """The lowest magnitude of the impedance of each channel, and where it lies."""
    readings = []
    for capture in captures:
        low, high = capture.request.start_hz, capture.request.stop_hz
        grid = log_frequency_grid(2 * low, high, 12)
        try:
            magnitude = np.abs(load_impedance(capture, grid).ohm)
            value, trouble = float(np.min(magnitude)), ""
        except Untrusted as error:
            value, trouble = float("nan"), str(error)
        readings.append(Reading("lowest impedance", capture.request.channel, value, "ohm", trouble=trouble))
    return CheckReadings(tuple(readings))
