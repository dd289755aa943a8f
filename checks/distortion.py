"""Distortion: harmonics 2 to 10 over the frequency of the fundamental, from the sweep of `response`.

The capture divided by the sweep holds each harmonic's response at a place of its own before the linear one (Farina,
2000). Each is held against the fundamental at the microphone, at the frequency that excites it. Noise looks like
distortion: what the silence before the sweep would give in each harmonic's window is drawn as a curve of its own, and
where a door or a voice is heard between the harmonics, so is that. A harmonic that does not stand clear of it is not
known, but it is known to be no louder than the two together may be:
there the curve is this upper bound. A bound below a limit proves that the limit is kept; a bound above it proves
nothing, and must not fail a unit. So bounds are judged only up to `hidden_above_db`, which may not lie above the
lowest limit of the mask; louder ones are not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from rig.kit import Kit
from rig.readings import Capture, CheckReadings, Curve, Floats, Reading
from rig.requests import Sweep
from rig.responses import harmonics, judged_grid
from rig.signals.levels import db, power_db
from rig.tables import Table

NAME = "distortion"
TITLE = "Harmonic distortion"
GATE = False

ORDERS = tuple(range(2, 11))
#: Below so many times the sweep's first frequency the ringing of the sweep's own edge passes for harmonics.
LOWEST_OF_START = 2.0
#: Kept of the linear response after its arrival.
ROOM_S = 0.25
#: The fundamental must stand so far above the noise, or there is nothing to relate harmonics to.
FUNDAMENTAL_OVER_NOISE_DB = 10.0
#: Power of the noise in a harmonic's window is exponentially distributed about its mean: one point in a thousand
#: exceeds seven times the mean (8.4 dB).
NOISE_PEAK_DB = 8.4
HIDDEN = "where noise hides the harmonic, the level that it cannot exceed"


class Settings(Table):
    """Settings of the check."""

    position: str = "on axis"
    points_per_octave: Annotated[int, Field(ge=6, le=48)] = 12
    #: A harmonic less than this above the noise floor is not told from it: its upper bound is given.
    over_noise_db: Annotated[float, Field(ge=3, le=30)] = 10.0
    #: Points whose harmonic is hidden and whose upper bound is above this are not judged; not above any limit.
    hidden_above_db: float = -40.0


@dataclass(frozen=True)
class Harmonics:
    """Squared magnitudes over the frequency of the fundamental; NaN where a harmonic lies outside the sweep."""

    frequency_hz: Floats
    #: Shape (frequencies,).
    fundamental: Floats
    fundamental_noise: Floats
    #: Shape (orders, frequencies): as measured, and what noise alone would give.
    power: Floats
    noise: Floats


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweep of `response` on each channel."""
    return [kit.sweep("playing", channel.name, channel.name, settings.position) for channel in kit.channels]


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Each harmonic, their total and the noise floor over frequency; the worst total in each channel's band."""
    curves: list[Curve] = []
    readings: list[Reading] = []
    for capture in captures:
        channel = capture.request.channel
        found = harmonics_of(capture, settings.points_per_octave)
        made = distortion_curves(found, channel, settings)
        curves += made
        readings.append(worst_total(made[-2], kit.channel(channel).band))
    return CheckReadings(tuple(readings), tuple(curves))


def harmonics_of(capture: Capture, points_per_octave: int) -> Harmonics:
    """Harmonics of one capture, and the noise in them.

    Raises
    ------
    Untrusted
        If the capture is not whole, or the microphone gave nothing.
    """
    grid = judged_grid(capture.request, points_per_octave)
    grid = grid[grid >= LOWEST_OF_START * capture.request.start_hz]
    power, noise = harmonics(capture, ORDERS[-1], grid, ROOM_S)
    return Harmonics(grid, power[0], noise[0], power[1:], noise[1:])


def distortion_curves(found: Harmonics, channel: str, settings: Settings) -> list[Curve]:
    """Harmonics relative to the fundamental, then their total, then the noise floor of the total."""
    usable = 10 * np.log10(found.fundamental / found.fundamental_noise) > FUNDAMENTAL_OVER_NOISE_DB
    curves = []
    method = f"at the microphone, relative to the fundamental; {HIDDEN}"
    for order, power, noise in zip(ORDERS, found.power, found.noise, strict=True):
        inside = np.isfinite(power)
        value, valid = told(power[inside], noise[inside], found.fundamental[inside], settings)
        own = (found.frequency_hz[inside], value, "dB", valid & usable[inside])
        curves.append(Curve(f"harmonic {order}", channel, *own, method=method))
    power, noise = np.nansum(found.power, axis=0), np.nansum(found.noise, axis=0)
    # The highest fundamentals have no harmonic inside the sweep, and no distortion that it could tell.
    inside = np.isfinite(found.power[0])
    value, valid = told(power[inside], noise[inside], found.fundamental[inside], settings)
    total = (found.frequency_hz[inside], value, "dB", valid & usable[inside])
    curves.append(Curve("total distortion", channel, *total, method=f"harmonics 2 to 10 {method}"))
    floor = power_db(noise[inside] / found.fundamental[inside])
    method = "what the silence before the sweep, and noises that come while it plays, give in the harmonics' windows"
    curves.append(Curve("distortion noise floor", channel, total[0], floor, "dB", usable[inside], method=method))
    return curves


def told(power: Floats, noise: Floats, fundamental: Floats, settings: Settings) -> tuple[Floats, NDArray[np.bool_]]:
    """Level relative to the fundamental, its upper bound where noise hides it, and where it may be judged."""
    level = power_db(power / fundamental)
    with np.errstate(divide="ignore"):
        clear = 10 * np.log10(power / noise) >= settings.over_noise_db
    # Hidden: amplitudes of the harmonic and of the noise at its strongest may have added up or cancelled.
    bound = db((np.sqrt(power) + np.sqrt(noise) * 10 ** (NOISE_PEAK_DB / 20)) / np.sqrt(fundamental))
    return np.where(clear, level, bound), clear | (bound <= settings.hidden_above_db)


def worst_total(total: Curve, band_hz: tuple[float, float]) -> Reading:
    """Greatest total distortion where a channel plays."""
    inside = (total.frequency_hz >= band_hz[0]) & (total.frequency_hz <= band_hz[1])
    judged = inside & total.valid
    if not judged.any():
        trouble = "noise hides the distortion all over the channel's band"
        return Reading("worst distortion", total.subject, float("nan"), "dB", trouble=trouble)
    at = int(np.argmax(np.where(judged, total.value, -np.inf)))
    said = f"{total.value[at]:.1f} dB at {total.frequency_hz[at]:.0f} Hz"
    hidden = total.frequency_hz[inside & ~total.valid]
    trouble = f"noise hides the distortion between {hidden[0]:.0f} and {hidden[-1]:.0f} Hz" if hidden.size else ""
    return Reading("worst distortion", total.subject, float(total.value[at]), "dB", trouble=trouble, said=said)
