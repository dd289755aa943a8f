"""Close to what sounds: pressure at cones and ports for their volume velocities, back again, and on to the far field.

Where a surface is small against the wavelength (ka < 1) the pressure close before its middle tells its volume velocity,
and that the sound far away: of one piston of radius a in a half space p_far / p_near = a / (2 r), which is independent
of frequency. Of several the volume velocities add up, so that near pressures count by the root of the area: the port's
``sqrt(S_port / S_cone)`` times the cone's. The baffle leads from half space over to whole space.

References
----------
D. B. Keele, Jr., "Low-Frequency Loudspeaker Assessment by Nearfield Sound-Pressure Measurement", JAES 22 (1974).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.box import port_velocity, volume_velocity
from rig.circuit.channel import Channel, box_of, driver_voltage, electronic_response
from rig.circuit.impedances import laplace
from rig.circuit.radiation import Position, baffle_step
from rig.circuit.units import AIR_DENSITY_KG_M3, Complex, Floats, Value


@dataclass(frozen=True)
class Surface:
    """What sounds at the outside of a box, a cone or the mouth of a port: its area, and where its middle is.

    To the right of and above the microphone's axis, and how far behind the front of the box.
    """

    name: str
    area_m2: float
    right_m: float
    up_m: float
    behind_m: float = 0.0

    @property
    def radius_m(self) -> float:
        """Of a round one of this area."""
        return math.sqrt(self.area_m2 / math.pi)


def surface_velocities(channel: Channel, port: str, frequency_hz: ArrayLike) -> dict[str, Complex]:
    """Volume velocity of each cone, and of the port by the name `port`, in m3/s over a volt at the leads.

    In the pass band of the electronic filter, which is applied here; out of the box for a positive voltage.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    fed = electronic_response(channel, frequency)
    found: dict[str, Complex] = {}
    vented: Complex = np.zeros(frequency.size, np.complex128)
    for driver, volts in zip(channel.drivers, driver_voltage(channel, frequency, fed), strict=True):
        box = box_of(channel, driver)
        found[driver.name] = volume_velocity(driver, box, frequency, volts)[0]
        vented = vented + port_velocity(box, found[driver.name], frequency)
    return {**found, port: vented}


def small_to_hz(surface: Surface, speed_of_sound: float) -> float:
    """Up to where a surface is small against the wavelength: ka = 1 (Keele 1974)."""
    return speed_of_sound / (2 * math.pi * surface.radius_m)


def close_transfer(
    surfaces: Sequence[Surface], distances_m: Sequence[float], frequency_hz: ArrayLike, speed_of_sound: float
) -> Complex:
    """Pressure at a microphone before each surface over the volume velocity of each, in Pa s/m3.

    Before its own middle a surface is a piston in a baffle, exactly; the others are small sources some way off.

    Returns
    -------
    complex array of shape (frequencies, microphones, surfaces)
    """
    s = laplace(frequency_hz)
    k = s / speed_of_sound
    found = np.empty((s.size, len(surfaces), len(surfaces)), np.complex128)
    for i, (here, distance_m) in enumerate(zip(surfaces, distances_m, strict=True)):
        for j, source in enumerate(surfaces):
            if i == j:
                edge_m = math.hypot(distance_m, here.radius_m)
                middle = (edge_m - distance_m) / 2
                # The difference of two waves, from the middle and from the edge, as one product.
                wave = np.exp(-k * (distance_m + middle)) * np.sinc(k.imag * middle / np.pi)
                found[:, i, j] = 2 / (edge_m + distance_m) * wave
            else:
                way_m = way_between_m(here, source) + distance_m
                found[:, i, j] = np.exp(-k * way_m) / way_m
    return AIR_DENSITY_KG_M3 / (2 * np.pi) * s[:, np.newaxis, np.newaxis] * found


def way_between_m(one: Surface, other: Surface) -> float:
    """Way over the outside of a box from the middle of one surface to that of another."""
    aside = math.hypot(one.right_m - other.right_m, one.up_m - other.up_m)
    return aside + abs(one.behind_m - other.behind_m)


def volume_velocities(pressure_pa: ArrayLike, transfer: Complex) -> Complex:
    """Volume velocities of surfaces whose sound, all of it, was heard close before each, in m3/s.

    Parameters
    ----------
    pressure_pa : array of shape (microphones, frequencies)
    transfer : array of shape (frequencies, microphones, surfaces)
        From `close_transfer`.

    Returns
    -------
    complex array of shape (surfaces, frequencies)
    """
    heard = np.asarray(pressure_pa, np.complex128).T[:, :, np.newaxis]
    return np.asarray(np.linalg.solve(transfer, heard)[:, :, 0].T)


def far_transfer(
    surfaces: Sequence[Surface],
    microphone_m: Position,
    baffle_width_m: Value | None,
    frequency_hz: ArrayLike,
    speed_of_sound: float,
) -> Complex:
    """Pressure far away over the volume velocity of each surface, in Pa s/m3: small sources on a baffle of a width.

    Returns
    -------
    complex array of shape (surfaces, frequencies)
    """
    s = laplace(frequency_hz)
    step = baffle_step(baffle_width_m, frequency_hz)
    rows: list[Floats | Complex] = []
    for surface in surfaces:
        aside = math.hypot(microphone_m[0] - surface.right_m, microphone_m[1] - surface.up_m)
        way_m = math.hypot(aside, microphone_m[2]) + surface.behind_m
        rows.append(AIR_DENSITY_KG_M3 / (2 * np.pi) * s * step * np.exp(-s * way_m / speed_of_sound) / way_m)
    return np.asarray(rows, np.complex128)
