"""What the checks of the near field share: volume velocities of a box's cones and port, from captures close by."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from rig.circuit.near_field import (
    Surface,
    close_transfer,
    far_transfer,
    surface_velocities,
    volume_velocities,
)
from rig.circuit.radiation import BAFFLE_STEP_M_HZ
from rig.design.kit import Kit
from rig.design.speaker import PORT
from rig.design.uncertainty_budget import response_db
from rig.signals.arrays import Complex
from rig.signals.deconvolution import gated_frequency_response
from rig.signals.gating import gate
from rig.signals.levels import db
from rig.signals.uncertainty import DB_PER_PART, combined, from_bounds
from rig.values.captures import Capture, Untrusted
from rig.values.readings import Floats
from rig.verdict.responses import AcousticResponse, acoustic_response, air_speed_m_s, noise_power

#: Kept of a response close by, before its time zero and behind it: all of a bass box's decay. The room is 40 dB down;
#: our choice.
BEFORE_S, AFTER_S = 0.01, 0.3
#: So close together are two places of a box that what one hears of the other's surface depends on the baffle: half of
#: it is uncertain, which is half space against whole space; our choice.
OF_CROSSTALK = 0.5
#: Places in each other's place lie so near to the design, and so much nearer than as they are named; our choice.
EXCHANGED_DB, EXCHANGED_PART = 4.0, 0.5
#: How far off the rule of thumb for the baffle's step a level may lie: far below it, for each multiple of its
#: frequency, and at most; our choice.
STEP_OFF_DB = (0.6, 4.0, 3.6)
#: The band that places are told apart in, about the port's tuning; of a box without a port, in Hz; our choice.
ABOUT_TUNING, ABOUT_HZ = (0.6, 4.0), (40.0, 300.0)


@dataclass(frozen=True, eq=False)
class NearField:
    """Volume velocities of the surfaces of a box over the volts at its leads. Arrays: (surfaces, frequencies)."""

    channel: str
    surfaces: tuple[Surface, ...]
    frequency_hz: Floats
    #: In m3/s over a volt; its phase is that of the electrical time zero where it is `timed`.
    velocity: Complex
    #: Standard uncertainty from noise, and bounds of what place and method leave, of its magnitude.
    noise: Floats
    bound: Floats
    #: Bound of what the baffle's edges send back to the microphone, of its magnitude.
    edges: Floats
    timed: bool
    air_m_s: float
    #: Of a level, from what the bench's calibrations say.
    calibration_db: float


def near_field(captures: Sequence[Capture], kit: Kit, frequency_hz: Floats, placed_within_m: float) -> NearField:
    """Volume velocities from captures close to each surface of one box.

    Raises
    ------
    Untrusted
        If a capture cannot be read; if nothing but the sound's own arrival tells when it began, and there is more than
        one surface; or if the places look exchanged.
    """
    channel, air_m_s = captures[0].request.channel, air_speed_m_s(captures[0])
    places = [kit.position(capture.request.position) for capture in captures]
    known = kit.channel(channel).surfaces()
    surfaces = tuple(known[place.near] for place in places if place.near is not None)
    heard = [acoustic_response(capture) for capture in captures]
    timed = all(one.timed for one in heard)
    if len(captures) > 1 and not timed:
        names = " and ".join(surface.name for surface in surfaces)
        raise Untrusted(f"{channel}: the sound of {names} adds up by its timing, which only a loopback tells")
    pressure, noise = zip(*(_close_response(one, frequency_hz) for one in heard), strict=True)
    distances = [place.distance_m for place in places]
    transfer = close_transfer(surfaces, distances, frequency_hz, air_m_s)
    if trouble := _exchanged(np.abs(pressure), surfaces, transfer, frequency_hz, kit=kit, channel=channel):
        raise Untrusted(trouble)
    velocity = volume_velocities(pressure, transfer)
    own = np.abs(np.diagonal(transfer, axis1=1, axis2=2).T)
    return NearField(
        channel,
        surfaces,
        frequency_hz,
        velocity,
        np.array(noise) / own,
        _bounds(velocity, transfer, surfaces, distances, placed_within_m),
        _edges(velocity, surfaces, distances, kit.channel(channel).baffle_width_m),
        timed,
        air_m_s,
        response_db(captures[0].calibration, timed),
    )


def _close_response(acoustic: AcousticResponse, frequency_hz: Floats) -> tuple[Complex, Floats]:
    """Pascal per volt at the leads, its phase from the electrical time zero on, and what noise alone would give."""
    start_s = acoustic.zero_s if acoustic.timed else acoustic.arrival_s
    if not np.isfinite(start_s):
        raise Untrusted(f"nothing stands out of the noise at the microphone ({acoustic.request})")
    left_s = (acoustic.impulse.size - 2) / acoustic.sample_rate_hz - start_s
    gated = gate(acoustic.impulse, acoustic.sample_rate_hz, start_s, BEFORE_S, min(AFTER_S, left_s))
    response = gated_frequency_response(gated, acoustic.sent, frequency_hz)
    return response, np.sqrt(noise_power(acoustic, gated, frequency_hz))


def _bounds(
    velocity: Complex,
    transfer: Complex,
    surfaces: Sequence[Surface],
    distances_m: Sequence[float],
    placed_within_m: float,
) -> Floats:
    """What may be wrong with each volume velocity, shape (surfaces, frequencies).

    A microphone that is placed a little off, which counts the more the smaller the surface is; and sound of the other
    surfaces, which the baffle leads on.
    """
    bounds = []
    for i, (surface, distance_m) in enumerate(zip(surfaces, distances_m, strict=True)):
        placed = np.abs(velocity[i]) * placed_within_m / float(np.hypot(surface.radius_m, distance_m))
        others = sum(np.abs(transfer[:, i, j] * velocity[j]) for j in range(len(surfaces)) if j != i)
        bounds.append(combined(placed, OF_CROSSTALK * others / np.abs(transfer[:, i, i])))
    return np.array(bounds)


def _edges(
    velocity: Complex, surfaces: Sequence[Surface], distances_m: Sequence[float], baffle_width_m: float
) -> Floats:
    """What a baffle's edges may send back, shape (surfaces, frequencies): a / 2 w of what a cone gives close by.

    Up to half of what reaches an edge (J. Vanderkooy, "A simple theory of cabinet edge diffraction", JAES 39 (1991)).
    """
    near_m = [np.hypot(one.radius_m, far_m) + far_m for one, far_m in zip(surfaces, distances_m, strict=True)]
    return np.asarray(np.abs(velocity) * np.array(near_m)[:, np.newaxis] / 2 / baffle_width_m)


def _exchanged(
    pressure: Floats,
    surfaces: Sequence[Surface],
    transfer: Complex,
    frequency_hz: Floats,
    *,
    kit: Kit,
    channel: str,
) -> str:
    """Why the microphone was not where it should have been, if each place heard what the design has at another."""
    if len(surfaces) < 2 or kit.undescribed(channel):
        return ""
    tuning_hz = kit.channel(channel).box.tuning_hz
    low_hz, high_hz = (tuning_hz * ABOUT_TUNING[0], tuning_hz * ABOUT_TUNING[1]) if tuning_hz else ABOUT_HZ
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    if inside.sum() < 3:
        return ""
    expected = db(np.einsum("fij,jf->if", transfer, design_velocities(surfaces, kit, channel, frequency_hz)))[:, inside]
    measured = db(pressure)[:, inside]
    off = {
        order: float(np.sqrt(np.mean((measured[list(order)] - expected) ** 2)))
        for order in permutations(range(len(surfaces)))
    }
    named = tuple(range(len(surfaces)))
    best = min(off, key=lambda order: off[order])
    if best == named or off[best] > EXCHANGED_DB or off[best] > EXCHANGED_PART * off[named]:
        return ""
    swapped = [surfaces[n].name for n in named if best[n] != n]
    return f"{channel}: the places at {' and '.join(swapped)} look exchanged: each heard what the design has at another"


def design_velocities(surfaces: Sequence[Surface], kit: Kit, channel: str, frequency_hz: Floats) -> Complex:
    """Volume velocities as the kit's model has them, shape (surfaces, frequencies)."""
    found = surface_velocities(kit.model(channel), PORT, frequency_hz)
    return np.array([np.broadcast_to(found[surface.name], frequency_hz.shape) for surface in surfaces])


def far_pressures(
    surfaces: Sequence[Surface], velocity: Complex, kit: Kit, channel: str, frequency_hz: Floats, *, air_m_s: float
) -> Complex:
    """What each surface alone gives at the kit's first place in free air, in Pa/V, shape (surfaces, frequencies)."""
    microphone_m = kit.microphone_m(channel, channel, kit.positions[0])
    width_m = kit.channel(channel).baffle_width_m
    return np.asarray(velocity * far_transfer(surfaces, microphone_m, width_m, frequency_hz, air_m_s))


def baffle_bound_db(frequency_hz: Floats, width_m: float) -> Floats:
    """How far a baffle may lead sound from half space to whole space otherwise than by the rule of thumb.

    Units with edges of their own lie so far off it half a metre away (tests/strangers/test_stranger_near_field.py).
    """
    least, slope, most = STEP_OFF_DB
    return np.asarray(np.minimum(least + slope * frequency_hz * width_m / BAFFLE_STEP_M_HZ, most))


def sum_parts_db(field: NearField, pressure: Complex, kit: Kit) -> tuple[dict[str, Floats], Floats]:
    """Parts of the uncertainty of the level of a sum of surfaces, by name, and the noise in it; (frequencies,) each.

    Parameters
    ----------
    pressure
        From `far_pressures` of the field's velocities.
    """
    total = np.abs(np.sum(pressure, axis=0))
    share = np.abs(pressure) / np.maximum(np.abs(field.velocity), 1e-300)
    noise = combined(*(share * field.noise))
    method = combined(*from_bounds(share * field.bound))
    floor = np.maximum(total, 1e-300)
    # Edges make both, so they add up.
    edges_db = DB_PER_PART * np.sum(share * field.edges, axis=0) / floor
    width_m = kit.channel(field.channel).baffle_width_m
    baffle_db = from_bounds(edges_db + baffle_bound_db(field.frequency_hz, width_m))
    parts = {
        "calibration": np.full(total.size, field.calibration_db),
        "noise": np.asarray(DB_PER_PART * noise / floor),
        "method": combined(DB_PER_PART * method / floor, baffle_db),
    }
    return parts, noise
