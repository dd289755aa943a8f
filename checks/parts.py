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
from rig.readings import Capture, CheckReadings, Floats, Reading, Untrusted
from rig.requests import Sweep
from rig.responses import judged_grid
from rig.speaker import Band
from rig.tables import Table
from rig.uncertainty import with_parts

NAME = "parts"
TITLE = "Parts inside their tolerances"
GATE = False


class Settings(Table):
    """Settings of the check."""

    #: Where the lumped model holds, in Hz.
    band_hz: Band = [20.0, 20000.0]
    points_per_octave: Annotated[int, Field(ge=6, le=48)] = 12
    #: A point whose standard uncertainty from noise is above this may hide a wrong part: nothing is told then.
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
    low_hz, high_hz = settings.band_hz
    grid = judged_grid(capture.request, settings.points_per_octave)
    grid = grid[(grid >= low_hz) & (grid <= high_hz)]
    if not grid.size:
        raise Untrusted(f"the sweep at the leads plays nothing between {low_hz:g} and {high_hz:g} Hz: see band_hz")
    load = impedance.load_impedance(capture, grid)
    if not impedance.trusted(load, settings.uncertainty_percent).all():
        return Reading("parts misfit", channel, float("nan"), "%", trouble=impedance.NOISY)
    left_over = 100 * np.abs(nearest_good_unit(kit.model(channel), grid, load.ohm))
    value = rms(left_over)
    said = f"{value:.2f} %, most at {grid[np.argmax(left_over)]:.0f} Hz"
    # Noise and a calibration that is off are left over as well.
    parts = {name: rms(100 * part / np.abs(load.ohm)) for name, part in load.parts().items()}
    return with_parts(Reading("parts misfit", channel, value, "%", said=said), parts)


def rms(values: Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(values**2)))
