"""Parts: is there a unit with every part inside its tolerance that measures like this one at the bare leads?

Limits about an impedance curve must leave room for all that tolerances do together, and a single wrong part hides in
that room. But tolerances bend the curve in their own ways only. So the design's parts, drivers and box are moved inside
their tolerances, all at once, to where its impedance comes nearest to the measured one, and what is left over is read:
next to nothing for a good unit, more for a part of another value, even where the curve itself lies inside its mask.

What the lumped model leaves out of a real driver is left over in good units too. Read a few of them before a limit is
set: `kitproof show` lists the reading of any run.
"""

from collections.abc import Sequence
from typing import Annotated

import numpy as np
from pydantic import Field

from checks import impedance
from rig.circuit.nearest import nearest_good_unit
from rig.kit import Kit
from rig.readings import Capture, CheckReadings, Reading
from rig.requests import Sweep
from rig.responses import judged_grid
from rig.tables import Table
from rig.uncertainty import with_parts

NAME = "parts"
TITLE = "Parts inside their tolerances"
GATE = False


class Settings(Table):
    """Settings of the check."""

    #: Where the lumped model holds, in Hz.
    from_hz: Annotated[float, Field(gt=0)] = 20.0
    to_hz: Annotated[float, Field(gt=0)] = 20000.0
    points_per_octave: Annotated[int, Field(ge=6, le=48)] = 12
    #: Points whose standard uncertainty from noise is above this are left out; no more than half of them may be.
    uncertainty_percent: float = 1.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweep of `impedance` on each channel's leads."""
    return [kit.sweep("leads", channel.name) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """What no good unit explains of each channel's impedance: its root mean square over frequency, in percent."""
    return CheckReadings(tuple(misfit(capture, settings, kit) for capture in captures))


def misfit(capture: Capture, settings: Settings, kit: Kit) -> Reading:
    """Of one channel."""
    channel = capture.request.channel
    grid = judged_grid(capture.request, settings.points_per_octave)
    grid = grid[(grid >= settings.from_hz) & (grid <= settings.to_hz)]
    load = impedance.load_impedance(capture, grid)
    magnitude = np.abs(load.ohm)
    used = load.uncertainty_ohm < settings.uncertainty_percent / 100 * magnitude
    if 2 * np.count_nonzero(used) < max(grid.size, 2):
        return Reading("parts misfit", channel, float("nan"), "%", trouble=impedance.NOISY)
    left_over = 100 * np.abs(nearest_good_unit(kit.model(channel), grid[used], load.ohm[used]))
    value = float(np.sqrt(np.mean(left_over**2)))
    said = f"{value:.2f} %, most at {grid[used][np.argmax(left_over)]:.0f} Hz"
    reading = Reading("parts misfit", channel, value, "%", said=said)
    # Noise and a calibration that is off are left over as well.
    return with_parts(reading, {name: rms_percent(part[used], magnitude[used]) for name, part in load.parts().items()})


def rms_percent(part: np.ndarray, magnitude: np.ndarray) -> float:
    """Root mean square of a part of the impedance's uncertainty, relative to it."""
    return float(100 * np.sqrt(np.mean((part / magnitude) ** 2)))
