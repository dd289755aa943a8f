"""Parts: is there a unit with every part inside its tolerance that measures like this one at the bare leads?

Limits about an impedance curve must leave room for all that tolerances do together, and a single wrong part hides in
that room. But tolerances bend the curve in their own ways only. So the design's parts, drivers and box are moved inside
their tolerances, all at once, to where its impedance comes nearest to the measured one, and what is left over is read:
next to nothing for a good unit, more for a part of another value, even where the curve itself lies inside its mask.

What noise adds to it is taken off, for its power is known from the silence before the sweep. The bench is wrong inside
its tolerances too, and its errors are moved along with the parts: only what remains of them after the fit makes the
reading uncertain.

Once `kitproof learn` has taken from good builds how far units lie apart, each part is asked besides how far outside of
that its value lies, all else being where it may be: one wrong part stands out there, whose change of the curve all
others together could make up for.

What the lumped model leaves out of a real driver is left over in good units too, until `kitproof learn` has taken it
from good builds: a limit `around = "design"` is as wide as what these leave over asks, and void before there are any.
"""

from collections.abc import Sequence
from typing import Annotated

import numpy as np
from pydantic import Field

from checks import impedance
from rig.circuit.channel import Channel
from rig.circuit.nearest import Nearest, largest_pull, nearest_good_unit, pulls_of_parts, remaining, taken_up
from rig.design.kit import Kit
from rig.design.speaker import Band
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.tables import Table
from rig.signals.arrays import Complex
from rig.signals.uncertainty import (
    DB_PER_POWER_PART,
    SIXTH,
    combined,
    mean_square_without_noise,
    noise_level_db,
    root_uncertainty,
)
from rig.values.captures import Capture, UnfitBench, once_per_capture
from rig.values.names import PARTS_MISFIT, WRONG_PART
from rig.values.readings import CheckReadings, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import judged_grid, sweep_layout

NAME = "parts"
TITLE = "Parts inside their tolerances"
GATE = False

RESTS_ON = RestsOn(("sense",), {"leads": ()})
TERMS = {
    PARTS_MISFIT: "What is left of the impedance curve when every part, driver and box may lie anywhere inside its "
    "tolerance: more than a little means that one lies outside.",
    WRONG_PART: "How far the part that fits worst lies from where good builds have it, everything else being where it "
    "may be; in standard deviations.",
}
UNDESCRIBED = "what {} is made of is not known: this waits for a first good build (kitproof learn)"


class Settings(Table):
    """Settings of the check."""

    #: Where the lumped model holds, in Hz.
    band_hz: Band = [20.0, 20000.0]
    points_per_octave: Annotated[int, Field(ge=6, le=48)] = 12
    #: A point whose standard uncertainty from noise is above this may hide a wrong part: nothing is reported then.
    uncertainty_percent: float = 1.0


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweep of `impedance` on each channel's leads."""
    return [kit.sweep("leads", channel.name) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """What no good unit explains of each channel's impedance: its root mean square over frequency, in percent.

    Where builds have taught the design, how far the part that fits worst lies outside as well.
    """
    return CheckReadings(tuple(reading for capture in captures for reading in of_channel(capture, settings, kit)))


def of_channel(capture: Capture, settings: Settings, kit: Kit) -> tuple[Reading, ...]:
    """Of one channel."""
    channel = capture.request.channel
    if unknown := kit.undescribed(channel):
        trouble = UNDESCRIBED.format(" and ".join(unknown))
        return (Reading(PARTS_MISFIT, channel, float("nan"), "%", trouble=trouble),)
    low_hz, high_hz = settings.band_hz
    grid = judged_grid(capture.request, settings.points_per_octave)
    grid = grid[(grid >= low_hz) & (grid <= high_hz)]
    if not grid.size:
        raise UnfitBench(f"the sweep at the leads plays nothing between {low_hz:g} and {high_hz:g} Hz: see band_hz")
    return held_against(capture, kit.model(channel), tuple(grid), settings.uncertainty_percent)


@once_per_capture
def held_against(
    capture: Capture, model: Channel, at_hz: tuple[float, ...], uncertainty_percent: float
) -> tuple[Reading, ...]:
    """Of the channel that a capture is of, against its model; found once."""
    channel, grid = capture.request.channel, np.array(at_hz)
    load = impedance.load_impedance(capture, grid)
    if not impedance.trusted(load, uncertainty_percent).all():
        return (Reading(PARTS_MISFIT, channel, float("nan"), "%", trouble=impedance.NOISY),)
    errors = np.array(impedance.calibration_errors(capture.calibration, load.ohm)).reshape(-1, grid.size)
    nearest = nearest_good_unit(model, grid, load.ohm, errors)
    silence_s = sweep_layout(capture).mark_before / capture.sample_rate_hz
    value, noise_part, at_most = without_noise(nearest, load, grid, silence_s)
    said = f"{'at most ' if at_most else ''}{value:.2f} %, most at {grid[np.argmax(np.abs(nearest.left_over))]:.0f} Hz"
    parts = {"noise": noise_part}
    if errors.size:
        parts["calibration"] = calibration_part(nearest, errors)
    learnt = model.population
    of_good = float("nan") if learnt is None else learnt.misfit_percent
    reading = Reading(PARTS_MISFIT, channel, value, "%", said=said, at_most=at_most, good_at_most=of_good)
    misfit = with_parts(reading, parts)
    return (misfit,) if learnt is None else (misfit, *wrong_part(nearest, model, load, grid))


def wrong_part(nearest: Nearest, model: Channel, load: impedance.Load, frequency_hz: Floats) -> list[Reading]:
    """How far the part that fits worst lies outside; nothing of a channel of whose parts the curve tells nothing."""
    pulls = pulls_of_parts(nearest, model, frequency_hz, load.uncertainty_ohm / np.abs(load.ohm))
    if not pulls or model.population is None:
        return []
    worst = max(pulls, key=lambda name: abs(pulls[name]))
    said = f"{abs(pulls[worst]):.1f}, {worst}"
    most = largest_pull(len(pulls), model.population.units)
    return [Reading(WRONG_PART, model.name, abs(pulls[worst]), "", said=said, good_at_most=most)]


def without_noise(
    nearest: Nearest, load: impedance.Load, frequency_hz: Floats, silence_s: float
) -> tuple[float, float, bool]:
    """Root mean square of what is left over, less what noise adds to it, in percent.

    Returns
    -------
    value, uncertainty, at_most
        Where what is left over may be nothing but noise the value is what the truth is at most, at k = 2.
    """
    relative = load.uncertainty_ohm / np.abs(load.ohm)
    noise = 100 * relative * np.sqrt((1 - taken_up(nearest, relative)) / 2)
    known = noise_level_db(SIXTH * frequency_hz, silence_s) / DB_PER_POWER_PART
    both = 100 * np.concatenate([nearest.left_over.real, nearest.left_over.imag])
    square, u_square = mean_square_without_noise(both, np.tile(noise, 2), np.tile(known, 2))
    # A mean over real and imaginary parts is half of that over frequencies.
    square, u_square = 2 * square, 2 * u_square
    if square < 2 * u_square:
        return float(np.sqrt(max(square, 0.0) + 2 * u_square)), 0.0, True
    return float(np.sqrt(square)), root_uncertainty(square, u_square), False


def calibration_part(nearest: Nearest, errors: Complex) -> float:
    """What the calibration's errors can change of the reading, in percent.

    A change of the curve changes its root mean square by at most its own (the triangle inequality).
    """
    either = np.array([rms(np.abs(one)) for one in remaining(nearest, np.vstack([-errors, errors]))])
    return 100 * float(combined(*np.max(either.reshape(2, -1), axis=0)))


def rms(values: Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(values**2)))
