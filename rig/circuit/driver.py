"""A moving-coil driver described by its small-signal parameters."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.factor import Factor
from rig.circuit.impedances import laplace
from rig.circuit.parts import State
from rig.circuit.units import (
    AIR_DENSITY_KG_M3,
    SPEED_OF_SOUND_M_S,
    Complex,
    Value,
    lowest,
    require_positive,
)

#: Where data sheets state an inductance (common practice, no source).
INDUCTANCE_STATED_AT_HZ = 1000.0


@dataclass(frozen=True)
class Driver:
    """Small-signal parameters of a driver and how it is mounted and wired.

    Each number may be a float or an array of shape (units, 1).

    Parameters
    ----------
    name : str
    re_ohm : direct-current resistance of the voice coil
    fs_hz, qms, qes : free-air resonance, mechanical and electrical quality factor
    vas_m3 : volume of air as stiff as the suspension, for 1.2 kg/m3 and 343 m/s
    sd_m2 : effective piston area
    le_h : voice-coil inductance at 1 kHz
    le_exponent : n of the semi-inductance, 1 for a coil in air, about 0.5 to 0.8 over a solid pole
    polarity : +1 as marked, -1 wired backwards
    in_box : whether the cone works into the channel's box; False for a driver closed at its back
    position_m : (x right, y up) of the centre on the baffle, seen from the microphone's side
    offset_m : how far the acoustic centre lies behind the baffle
    state : 'open' or 'short' for a dead driver
    nominal_ohm : rated impedance
    band_hz : (low, high) range the design uses it in
    rolloff_hz : where the cone stops moving as a piston: a second-order Butterworth low-pass on the sound
    impedance_factor, pressure_factor : what good builds taught of the driver in its box beyond this model

    Raises
    ------
    ValueError
        If a physical parameter is not above zero, the exponent not in (0, 1], or polarity or state not
        allowed.
    """

    name: str
    re_ohm: Value
    fs_hz: Value
    qms: Value
    qes: Value
    vas_m3: Value
    sd_m2: Value
    le_h: Value = 0.0
    le_exponent: Value = 1.0
    polarity: int = 1
    in_box: bool = True
    position_m: tuple[float, float] = (0.0, 0.0)
    offset_m: Value = 0.0
    state: State = "ok"
    nominal_ohm: float = 8.0
    band_hz: tuple[float, float] = (20.0, 20000.0)
    rolloff_hz: Value = np.inf
    impedance_factor: Factor | None = None
    pressure_factor: Factor | None = None

    def __post_init__(self) -> None:
        owner = f"driver {self.name}"
        require_positive(
            owner,
            re_ohm=self.re_ohm,
            fs_hz=self.fs_hz,
            qms=self.qms,
            qes=self.qes,
            vas_m3=self.vas_m3,
            sd_m2=self.sd_m2,
            nominal_ohm=self.nominal_ohm,
            rolloff_hz=self.rolloff_hz,
        )
        if not lowest(self.le_h) >= 0:
            raise ValueError(f"{owner}: le_h is {self.le_h}; allowed is a number from 0")
        exponent = np.asarray(self.le_exponent)
        if not np.all((exponent > 0) & (exponent <= 1)):
            raise ValueError(f"{owner}: le_exponent is {self.le_exponent}; allowed is above 0 to 1")
        if self.polarity not in (1, -1):
            raise ValueError(f"{owner}: polarity is {self.polarity}; allowed are 1 and -1")


@dataclass(frozen=True)
class Mechanics:
    """Moving mass with air load, suspension compliance, mechanical resistance and force factor."""

    mms_kg: Value
    cms_m_n: Value
    rms_n_s_m: Value
    bl_t_m: Value


def mechanics(driver: Driver) -> Mechanics:
    """Mechanical quantities behind the small-signal parameters.

    References
    ----------
    R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20 (1972).
    """
    omega = 2 * np.pi * driver.fs_hz
    cms = driver.vas_m3 / (AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2 * driver.sd_m2**2)
    mms = 1 / (omega**2 * cms)
    bl = np.sqrt(omega * mms * driver.re_ohm / driver.qes)
    return Mechanics(mms, cms, omega * mms / driver.qms, bl)


def qts(driver: Driver) -> Value:
    """Total quality factor at the free-air resonance with a source of no impedance."""
    return driver.qms * driver.qes / (driver.qms + driver.qes)


def blocked_impedance(driver: Driver, frequency_hz: ArrayLike) -> Complex:
    """Impedance in ohm with the cone held still: resistance and semi-inductance.

    Z = Re + w0 Le (j w / w0)^n with w0 = 2 pi 1000 rad/s. The cited model is K (j w)^n; stated this way the
    constant is an inductance for every exponent, the one that an inductance meter shows at 1 kHz.

    References
    ----------
    W. M. Leach, "Loudspeaker Voice-Coil Inductance Losses", JAES 50 (2002).
    """
    omega = 2 * np.pi * INDUCTANCE_STATED_AT_HZ
    return np.asarray(driver.re_ohm + omega * driver.le_h * (laplace(frequency_hz) / omega) ** driver.le_exponent)


def mechanical_impedance(driver: Driver, frequency_hz: ArrayLike) -> Complex:
    """Force over velocity in N s/m of the cone in free air."""
    s = laplace(frequency_hz)
    moving = mechanics(driver)
    return np.asarray(s * moving.mms_kg + moving.rms_n_s_m + 1 / (s * moving.cms_m_n))
