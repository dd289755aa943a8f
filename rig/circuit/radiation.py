"""Sound pressure of a channel at a microphone."""

from typing import TypeAlias

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.circuit.box import volume_velocity
from rig.circuit.channel import Channel, box_of, driver_voltage, electronic_response, stack
from rig.circuit.driver import Driver
from rig.circuit.impedances import laplace
from rig.circuit.units import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S, Complex, Floats, Value

Position: TypeAlias = tuple[float, float, float]
#: Width of a baffle times the frequency of its step of 3 dB (common practice, no source).
BAFFLE_STEP_M_HZ = 115.0


def microphone_at(distance_m: float, angle_deg: float = 0.0, height_m: float = 0.0) -> Position:
    """Position (x right, y up, z forward) in metres from the baffle's reference point.

    Parameters
    ----------
    distance_m : float
        In the horizontal plane, above 0.
    angle_deg : float
        Horizontal angle off the axis, -90 to 90, positive to the right as seen from the microphone.
    height_m : float
        Above the reference point.

    Raises
    ------
    ValueError
        If the distance is not above 0, or the angle lies behind the baffle.
    """
    if not distance_m > 0:
        raise ValueError(f"microphone: distance_m is {distance_m}; allowed is above 0")
    if not -90 <= angle_deg <= 90:
        raise ValueError(f"microphone: angle_deg is {angle_deg}; allowed is -90 to 90, in front of the baffle")
    angle = np.deg2rad(angle_deg)
    return float(distance_m * np.sin(angle)), float(height_m), float(distance_m * np.cos(angle))


def pressure_pa(
    channel: Channel,
    frequency_hz: ArrayLike,
    lead_v: ArrayLike,
    microphone_m: Position,
    speed_of_sound: float = SPEED_OF_SOUND_M_S,
) -> Complex:
    """Complex sound pressure at a microphone, the sum of `driver_pressure_pa` over the drivers.

    Returns
    -------
    complex array of shape (frequencies,) or (units, frequencies), in pascal (rms if `lead_v` is)
    """
    return np.asarray(driver_pressure_pa(channel, frequency_hz, lead_v, microphone_m, speed_of_sound).sum(axis=0))


def driver_pressure_pa(
    channel: Channel,
    frequency_hz: ArrayLike,
    lead_v: ArrayLike,
    microphone_m: Position,
    speed_of_sound: float = SPEED_OF_SOUND_M_S,
) -> Complex:
    """Complex sound pressure of each driver at a microphone in free air in front of the baffle.

    A piston in a half space, times the baffle step, the piston's directivity and the delay along its own
    path. The vent radiates from its driver's place. Reflections, edge ripple and break-up are not modelled.

    Parameters
    ----------
    channel : Channel
    frequency_hz : array of shape (frequencies,)
    lead_v : complex array broadcastable to (frequencies,)
        Voltage at the leads in the pass band of the electronic filter, which is applied here.
    microphone_m : (x, y, z)
        From the baffle's reference point, see `microphone_at`.
    speed_of_sound : float
        In m/s.

    Returns
    -------
    complex array of shape (drivers, frequencies) or (drivers, units, frequencies), in pascal

    Raises
    ------
    ValueError
        If the microphone is behind the baffle, the speed not above 0, or a frequency negative or not finite.
    """
    if not microphone_m[2] >= 0:
        raise ValueError(f"microphone: z is {microphone_m[2]} m; allowed is from 0, in front of the baffle")
    if not speed_of_sound > 0:
        raise ValueError(f"speed_of_sound is {speed_of_sound} m/s; allowed is above 0")
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    fed = np.asarray(lead_v) * electronic_response(channel, frequency)
    step = baffle_step(channel.baffle_width_m, frequency)
    return stack(
        [
            step
            * volume_velocity(driver, box_of(channel, driver), frequency, volts)[1]
            * _radiation(driver, frequency, microphone_m, speed_of_sound)
            for driver, volts in zip(channel.drivers, driver_voltage(channel, frequency, fed), strict=True)
        ]
    )


def baffle_step(width_m: Value | None, frequency_hz: ArrayLike) -> Complex:
    """First-order shelf from -6 dB (whole space) to 0 dB (half space), -3 dB at 115 m Hz / width; 1 for None.

    References
    ----------
    Rule of thumb f3 = 115 / width, near c / (3 width); H. F. Olson, "Direct Radiator Loudspeaker Enclosures",
    JAES 17 (1969), for the step itself.
    """
    s = laplace(frequency_hz)
    if width_m is None:
        return np.ones_like(s)
    centre = 2 * np.pi * BAFFLE_STEP_M_HZ / width_m
    return np.asarray((s + centre / np.sqrt(2)) / (s + centre * np.sqrt(2)))


def piston_directivity(ka_sine: ArrayLike) -> Floats:
    """Far-field pressure of a rigid piston in a baffle relative to its axis, 2 J1(x) / x, x = k a sin(angle).

    References
    ----------
    P. M. Morse and K. U. Ingard, "Theoretical Acoustics" (1968), section 7.4.
    """
    x = np.asarray(ka_sine, dtype=np.float64)
    small = np.abs(x) < 1e-6
    safe = np.where(small, 1.0, x)
    return np.where(small, 1.0, 2 * scipy.special.j1(safe) / safe)


def _radiation(driver: Driver, frequency: Floats, microphone: Position, speed: float) -> Complex:
    """Pressure over volume velocity along the path from a driver to the microphone."""
    s = laplace(frequency)
    aside = np.hypot(microphone[0] - driver.position_m[0], microphone[1] - driver.position_m[1])
    path = np.hypot(aside, microphone[2] + driver.offset_m)
    radius = np.sqrt(driver.sd_m2 / np.pi)
    sine = aside / np.maximum(path, np.finfo(float).tiny)
    # 1 / path far away and 2 / radius at the cone: exact on the axis of a piston at low frequencies (Keele
    # 1974).
    spreading = 2 / (np.hypot(path, radius) + path)
    directivity = piston_directivity(2 * np.pi * frequency / speed * radius * sine)
    x = frequency / driver.rolloff_hz
    rolloff = 1 / (1 - x**2 + np.sqrt(2) * 1j * x)
    density_s = AIR_DENSITY_KG_M3 * s
    arriving = density_s / (2 * np.pi) * spreading * directivity * rolloff * np.exp(-s * path / speed)
    return np.asarray(arriving if driver.pressure_factor is None else arriving * driver.pressure_factor.at(frequency))
