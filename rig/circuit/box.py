"""Closed and vented boxes, and a driver working into one."""

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.driver import Driver, blocked_impedance, mechanical_impedance, mechanics
from rig.circuit.impedances import laplace
from rig.circuit.parts import OPEN_OHM, SHORT_OHM
from rig.circuit.units import (
    AIR_DENSITY_KG_M3,
    SPEED_OF_SOUND_M_S,
    Complex,
    Floats,
    Value,
    require_positive,
)

BoxKind: TypeAlias = Literal["closed", "vented", "none"]


@dataclass(frozen=True)
class Box:
    """The air behind a driver.

    Each number may be a float or an array of shape (units, 1).

    Parameters
    ----------
    kind : 'closed', 'vented' or 'none'
        'none' is a driver in a large flat baffle, open at its back.
    volume_m3 : net volume
    tuning_hz : resonance of vent and volume; in a closed box only the frequency at which the losses are
    stated
    leakage_q, absorption_q, vent_q : losses at the tuning by leaks, damping material and the vent; inf for
    none

    A blocked vent is the same box with kind 'closed'; a leak is a low `leakage_q`.

    Raises
    ------
    ValueError
        If a number is not above zero.

    References
    ----------
    R. H. Small, "Vented-Box Loudspeaker Systems", JAES 21 (1973): QL, QA, QP.
    """

    kind: BoxKind = "none"
    volume_m3: Value = np.inf
    tuning_hz: Value = 50.0
    leakage_q: Value = np.inf
    absorption_q: Value = np.inf
    vent_q: Value = np.inf

    def __post_init__(self) -> None:
        require_positive(
            "box",
            volume_m3=self.volume_m3,
            tuning_hz=self.tuning_hz,
            leakage_q=self.leakage_q,
            absorption_q=self.absorption_q,
            vent_q=self.vent_q,
        )
        if self.kind != "none" and not np.all(np.isfinite(self.volume_m3)):
            raise ValueError(f"box: volume_m3 is {self.volume_m3}; a {self.kind} box needs a finite volume")


#: Damping material along the walls makes a box act as if it were this much larger (up to 1.4 where it fills the box and
#: sound in it becomes isothermal): common practice, no source.
DAMPED_VOLUME = 1.07


def without_damping(box: Box, losses_times: Value) -> Box:
    """The box with its damping material left out: fewer losses, less volume, and a vent tuned higher by that.

    Parameters
    ----------
    box : Box
        As designed, its damping counted among the losses of `leakage_q`.
    losses_times : float or array of shape (units, 1)
        What the losses' Q is multiplied by.
    """
    tuning_hz = box.tuning_hz * np.sqrt(DAMPED_VOLUME) if box.kind == "vented" else box.tuning_hz
    return replace(
        box,
        volume_m3=box.volume_m3 / DAMPED_VOLUME,
        tuning_hz=tuning_hz,
        leakage_q=box.leakage_q * losses_times,
    )


def box_admittance(box: Box, frequency_hz: ArrayLike) -> tuple[Complex, Complex]:
    """Acoustic admittance seen by the cone, and the part of it that compresses the box's air, in m3/(s Pa).

    What compresses the air is what leaves the box as a whole: cone less vent less leak.
    """
    s = laplace(frequency_hz)
    tuning = 2 * np.pi * box.tuning_hz
    compliance = box.volume_m3 / (AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2)
    air = np.asarray(s * compliance / (1 + s / (tuning * box.absorption_q)))
    total = air + tuning * compliance / box.leakage_q
    if box.kind == "vented":
        total = total + _vent_admittance(box, frequency_hz)
    return np.asarray(total), air


def port_velocity(box: Box, cone: Complex, frequency_hz: ArrayLike) -> Complex:
    """Volume velocity out of the port in m3/s for that of the cone, which draws air out of the box; 0 without one."""
    if box.kind != "vented":
        return np.zeros_like(cone)
    total, _ = box_admittance(box, frequency_hz)
    return np.asarray(-cone * _vent_admittance(box, frequency_hz) / total)


def _vent_admittance(box: Box, frequency_hz: ArrayLike) -> Complex:
    tuning = 2 * np.pi * box.tuning_hz
    compliance = box.volume_m3 / (AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2)
    return np.asarray(tuning**2 * compliance / (laplace(frequency_hz) + tuning / box.vent_q))


def _cone(driver: Driver, box: Box, frequency_hz: ArrayLike) -> tuple[Complex, Complex]:
    """Cone velocity over force, and system volume velocity over force.

    Written with the box's admittance, so that a lossless box at its tuning divides by nothing that vanishes.
    """
    free = mechanical_impedance(driver, frequency_hz)
    area: Value = driver.sd_m2
    if box.kind == "none":
        return np.asarray(1 / free), np.asarray(area / free)
    total, air = box_admittance(box, frequency_hz)
    denominator = free * total + area**2
    return np.asarray(total / denominator), np.asarray(area * air / denominator)


def driver_impedance(driver: Driver, box: Box, frequency_hz: ArrayLike) -> Complex:
    """Impedance in ohm at the driver's terminals, of shape (frequencies,) or (units, frequencies).

    Raises
    ------
    ValueError
        If a frequency is negative or not finite.
    """
    if driver.state != "ok":
        return np.full_like(laplace(frequency_hz), OPEN_OHM if driver.state == "open" else SHORT_OHM)
    mobility, _ = _cone(driver, box, frequency_hz)
    ohm = blocked_impedance(driver, frequency_hz) + mechanics(driver).bl_t_m ** 2 * mobility
    learnt = driver.impedance_factor
    return np.asarray(ohm if learnt is None else ohm * learnt.at(np.asarray(frequency_hz, np.float64)))


def volume_velocity(
    driver: Driver, box: Box, frequency_hz: ArrayLike, driver_v: ArrayLike = 1.0
) -> tuple[Complex, Complex]:
    """Volume velocity in m3/s of the cone and of the whole box, outwards positive for a positive voltage.

    Parameters
    ----------
    driver, box : Driver, Box
    frequency_hz : array of shape (frequencies,)
    driver_v : complex array broadcastable to (units, frequencies)
        Voltage at the driver's terminals.

    Returns
    -------
    cone, system : complex arrays of shape (frequencies,) or (units, frequencies)
        A driver that is open or short does not move.
    """
    voltage = np.asarray(driver_v, dtype=np.complex128)
    if driver.state != "ok":
        still = np.zeros_like(laplace(frequency_hz) * voltage)
        return still, still
    mobility, output = _cone(driver, box, frequency_hz)
    bl = mechanics(driver).bl_t_m
    force = bl * voltage / (blocked_impedance(driver, frequency_hz) + bl**2 * mobility)
    sign: Floats = np.asarray(float(driver.polarity))
    return np.asarray(sign * driver.sd_m2 * force * mobility), np.asarray(sign * force * output)
