"""Distortion: harmonics 2 to 10 over the frequency of the fundamental, from the sweep of `response`.

The capture divided by the sweep holds each harmonic's response at a place of its own before the linear one (Farina,
2000). Each is held against the fundamental at the microphone, at the frequency that excites it. Noise looks like
distortion: what the silence before the sweep would give in each harmonic's window is drawn as a curve of its own, and
where a door or a voice is heard between the harmonics, so is that. A harmonic that does not stand clear of it is not
known, but it is known to be no louder than the two together may be:
there the curve is this upper bound (`Curve.at_most`). A bound below a limit proves that the limit is kept; a bound
above it proves nothing, and never fails a unit.

Uncertainty: noise, of the harmonic and of the fundamental; where the curve is a bound, noise is in the bound already.
The microphone is the same for both, so its sensitivity cancels. What the sound card adds of its own, where a
calibration told it, meets the unit's harmonic at any phase; where none did it is no part.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from rig.design.kit import Kit
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import with_parts
from rig.files.tables import Table
from rig.signals.arrays import Bools
from rig.signals.levels import db, power_db
from rig.signals.uncertainty import (
    SIXTH,
    combined,
    level_noise_db,
    noise_level_db,
    of_few_values,
    sum_level_noise_db,
    sum_of_powers_db,
)
from rig.values.captures import Capture, OwnHarmonics, once_per_capture
from rig.values.readings import CheckReadings, Curve, Floats, Reading
from rig.values.requests import Sweep
from rig.verdict.responses import harmonics, judged_grid, silence_s

NAME = "distortion"
TITLE = "Harmonic distortion"
GATE = False

HARMONIC = "harmonic"
TOTAL_DISTORTION = "total distortion"
WORST_DISTORTION = "worst distortion"
NOISE_FLOOR = "distortion noise floor"
#: Harmonics must be told from the sound card's own.
RESTS_ON = RestsOn(
    ("loopback", "output"), {"playing": (), "output level": (), "speaker lead": (), "microphone place": ()}
)
TERMS = {
    HARMONIC: "A tone at 2, 3 ... times the frequency played that the box adds by itself, against the tone played.",
    TOTAL_DISTORTION: "All harmonics together against the tone itself, in dB: −40 dB is 1 %.",
    WORST_DISTORTION: "Greatest total distortion in the band that the box plays.",
    NOISE_FLOOR: "What the noise alone gives where the harmonics are sought: nothing below it is seen.",
}


#: Harmonics that are read (common practice, no source).
ORDERS = tuple(range(2, 11))
#: Below so many times the sweep's first frequency the ringing of the sweep's own edge passes for harmonics; our
#: choice.
LOWEST_OF_START = 2.0
#: Kept of the linear response after its arrival; our choice.
ROOM_S = 0.25
#: The fundamental must stand so far above the noise, or there is nothing to relate harmonics to; our choice.
FUNDAMENTAL_OVER_NOISE_DB = 10.0
#: Power of the noise in a harmonic's window is exponentially distributed about its mean: one point in a thousand
#: exceeds seven times the mean (8.4 dB); our choice.
NOISE_PEAK_DB = 8.4
#: Order -> what its curve is called.
HARMONICS = {order: f"{HARMONIC} {order}" for order in ORDERS}
QUANTITIES = (*HARMONICS.values(), TOTAL_DISTORTION, WORST_DISTORTION, NOISE_FLOOR)
HIDDEN = "where noise hides the harmonic, the level that it cannot exceed"


class Settings(Table):
    """Settings of the check."""

    position: str = "on axis"
    points_per_octave: Annotated[int, Field(ge=6, le=48)] = 12
    #: A harmonic less than this above the noise floor is not told from it: its upper bound is given.
    over_noise_db: Annotated[float, Field(ge=3, le=30)] = 10.0
    #: Of older kits; not used any more: every bound is held against the limit itself.
    hidden_above_db: float | None = None


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
    #: What of it the sound card's own harmonics may be; None: not known.
    card: Floats | None
    #: How long the noise was heard.
    silence_s: float


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
        *harmonics_curves, total, floor = distortion_curves(found, channel, settings)
        curves += [*harmonics_curves, total, floor]
        readings.append(worst_total(total, kit.channel(channel).band))
    return CheckReadings(tuple(readings), tuple(curves))


@once_per_capture
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
    card = card_power(grid, power[0], capture.calibration.own_harmonics)
    return Harmonics(grid, power[0], noise[0], power[1:], noise[1:], card, silence_s(capture))


def card_power(frequency_hz: Floats, fundamental: Floats, own: OwnHarmonics | None) -> Floats | None:
    """Squared magnitudes of the sound card's own harmonics at the microphone, shape (orders, frequencies).

    The unit plays them as it plays their frequency. Zero for those that a calibration could not tell.
    """
    if own is None:
        return None
    power = np.zeros((len(ORDERS), frequency_hz.size))
    log, at = np.log(frequency_hz), np.log(own.frequency_hz)
    for row, (order, own_db) in enumerate(zip(ORDERS, own.decibel, strict=False)):
        played = np.interp(log + np.log(order), log, fundamental)
        power[row] = played * np.nan_to_num(10 ** (np.interp(log, at, own_db) / 10))
    return power


def distortion_curves(found: Harmonics, channel: str, settings: Settings) -> list[Curve]:
    """Harmonics relative to the fundamental, then their total, then the noise floor of the total."""
    usable = 10 * np.log10(found.fundamental / found.fundamental_noise) > FUNDAMENTAL_OVER_NOISE_DB
    method = f"at the microphone, relative to the fundamental; {HIDDEN}"
    each = relative_to_fundamental(found, found.power[np.newaxis], found.noise[np.newaxis], np.array(ORDERS), settings)
    total = relative_to_fundamental(found, found.power, found.noise, ORDERS[0], settings)
    # The highest fundamentals have no harmonic inside the sweep, and no distortion that it could tell.
    inside = np.isfinite(found.power[0])
    curves = [
        level.curve(HARMONICS[order], channel, found.frequency_hz, np.isfinite(power), usable, method)
        for order, level, power in zip(ORDERS, each.rows(), found.power, strict=True)
    ]
    method = f"harmonics 2 to 10 {method}"
    curves.append(total.curve(TOTAL_DISTORTION, channel, found.frequency_hz, inside, usable, method))
    noise = np.nansum(found.noise, axis=0)
    floor = power_db(noise[inside] / found.fundamental[inside])
    method = "what the silence before the sweep, and noises that come while it plays, give in the harmonics' windows"
    at_hz = found.frequency_hz[inside]
    curve = Curve(NOISE_FLOOR, channel, at_hz, floor, "dB", usable[inside], method=method)
    # A few windowed segments use about half of the silence.
    of_each = noise_level_db(SIXTH * np.multiply.outer(ORDERS, at_hz), found.silence_s / 2)
    curves.append(with_parts(curve, {"noise": sum_of_powers_db(found.noise[:, inside], of_each)}))
    return curves


@dataclass(frozen=True)
class Relative:
    """Sums of some harmonics over the fundamental, shape (..., frequencies): level, where it is clear, its parts."""

    value: Floats
    clear: Bools
    parts: dict[str, Floats]

    def rows(self) -> Iterator["Relative"]:
        """Each along the first axis."""
        for n in range(self.value.shape[0]):
            yield Relative(self.value[n], self.clear[n], {name: part[n] for name, part in self.parts.items()})

    def curve(
        self,
        quantity: str,
        channel: str,
        at_hz: Floats,
        inside: Bools,
        usable: Bools,
        method: str,
    ) -> Curve:
        """As a curve where it lies inside the sweep; nothing is known of it but where it is usable."""
        clear, usable = self.clear[inside], usable[inside]
        shared = (quantity, channel, at_hz[inside], self.value[inside], "dB", clear & usable)
        curve = Curve(*shared, at_most=~clear & usable, method=method)
        return with_parts(curve, {name: part[inside] for name, part in self.parts.items()})


def relative_to_fundamental(
    found: Harmonics, powers: Floats, noises: Floats, lowest: int | NDArray[np.int64], settings: Settings
) -> Relative:
    """The sums of some harmonics along the first axis over the fundamental, with what they are uncertain by.

    `lowest` is the lowest order in each sum.
    """
    value, clear = level_or_bound(np.nansum(powers, axis=0), np.nansum(noises, axis=0), found.fundamental, settings)
    width_hz = SIXTH * np.multiply.outer(lowest, found.frequency_hz)
    of_harmonics = sum_level_noise_db(powers, noises) * of_few_values(width_hz, found.silence_s)
    of_fundamental = level_noise_db(found.fundamental, found.fundamental_noise)
    # A bound has the noise at its strongest in it already.
    parts = {"noise": np.where(clear, combined(of_harmonics, of_fundamental), 0.0)}
    if found.card is not None:
        parts["calibration"] = sum_level_noise_db(powers, found.card.reshape(powers.shape))
    return Relative(value, clear, parts)


def level_or_bound(power: Floats, noise: Floats, fundamental: Floats, settings: Settings) -> tuple[Floats, Bools]:
    """Level relative to the fundamental, its upper bound where noise hides it; and where it is clear of the noise."""
    level = power_db(power / fundamental)
    # Outside the sweep there is neither.
    with np.errstate(divide="ignore", invalid="ignore"):
        clear = 10 * np.log10(power / noise) >= settings.over_noise_db
    # Hidden: amplitudes of the harmonic and of the noise at its strongest may have added up or cancelled.
    bound = db((np.sqrt(power) + np.sqrt(noise) * 10 ** (NOISE_PEAK_DB / 20)) / np.sqrt(fundamental))
    return np.where(clear, level, bound), clear


def worst_total(total: Curve, band_hz: tuple[float, float]) -> Reading:
    """Greatest total distortion where a channel plays."""
    inside = (total.frequency_hz >= band_hz[0]) & (total.frequency_hz <= band_hz[1])
    assert total.at_most is not None
    judged = inside & (total.valid | total.at_most)
    if not judged.any():
        trouble = "noise hides the distortion all over the channel's band"
        return Reading(WORST_DISTORTION, total.subject, float("nan"), "dB", trouble=trouble)
    at = int(np.argmax(np.where(judged, total.value, -np.inf)))
    bound = bool(total.at_most[at])
    said = f"{'at most ' if bound else ''}{total.value[at]:.1f} dB at {total.frequency_hz[at]:.0f} Hz"
    unknown = total.frequency_hz[inside & ~judged]
    trouble = f"noise hides the distortion between {unknown[0]:.0f} and {unknown[-1]:.0f} Hz" if unknown.size else ""
    worst = Reading(WORST_DISTORTION, total.subject, float(total.value[at]), "dB", trouble=trouble, said=said)
    worst = replace(worst, at_most=bound)
    return with_parts(worst, {name: float(part[at]) for name, part in total.parts.items()})
