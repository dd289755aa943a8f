"""What is known of a driver before one was measured: its data sheet as far as there is one, the trade's habits beyond.

A sheet's numbers are those of some other batch; what no sheet states follows from the rated impedance, the size and the
band that the driver plays. Every number comes with how far the batch at hand may be off it. All numbers here are common
practice, no source.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from rig.circuit.builds_model import OF_SHEET
from rig.circuit.units import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S
from rig.signals.levels import REFERENCE_PRESSURE_PA

#: Standard deviation of the logarithm of what a batch of drivers has over what its sheet says; the sensitivity in dB,
#: an exponent by its log odds.
SHEET_SIGMA = {**OF_SHEET, "qts": 0.15, "sd_m2": 0.05, "sensitivity_db": 1.0}
#: The same over what drivers of this rating, size and use have.
TRADE_SIGMA = {
    "re_ohm": 0.10,
    "le_h": 0.60,
    "le_exponent": 0.7,
    "fs_hz": 0.30,
    "qms": 0.40,
    "qts": 0.30,
    "sd_m2": 0.10,
    "sensitivity_db": 2.5,
    "rolloff_hz": 0.3,
}
#: Where a cone no longer moves as a piston: its circumference over the wavelength; how deep behind the baffle its
#: acoustic centre lies: that depth over the radius; common practice, no source.
ROLLOFF_KA, DEPTH_SHARE = 6.0, 0.3
#: Resistance of the coil over the rated impedance; how its inductance rises over a solid pole; common practice, no
#: source.
RE_SHARE, LE_EXPONENT = 0.76, 0.65
#: A sensitivity is stated at this distance and voltage, on a large flat baffle; common practice, no source.
DISTANCE_M, VOLTS = 1.0, 2.83


@dataclass(frozen=True)
class Family:
    """What drivers have in common that are used for one part of the band."""

    #: They are the ones to be heard from here on.
    from_hz: float
    #: Resonance times diameter in Hz m; and the resonance over `from_hz`, where that is higher.
    fs_hz_m: float
    fs_share: float
    qms: float
    qts: float
    sensitivity_db: float
    #: Inductance at 1 kHz over the rated impedance.
    le_s: float
    #: Diameter of the piston over the one that the driver is sold by: that of a cone's frame, of a tweeter's dome.
    piston: float


#: Of the trade (common practice, no source).
WOOFER = Family(0.0, 6.5, 0.0, 4.0, 0.40, 86.0, 75e-6, 0.81)
MIDRANGE = Family(200.0, 6.5, 0.4, 3.5, 0.55, 87.0, 40e-6, 0.81)
TWEETER = Family(1200.0, 20.0, 0.0, 2.5, 0.75, 90.0, 6e-6, 1.13)


@dataclass(frozen=True)
class Prior:
    """A number of a driver before it is measured, and the standard deviation of its logarithm."""

    value: float
    sigma: float


def driver_priors(nominal_ohm: float, from_hz: float, size_m: float, stated: Mapping[str, float]) -> dict[str, Prior]:
    """What is known of a driver.

    Parameters
    ----------
    nominal_ohm : float
        Rated impedance.
    from_hz : float
        Where the band begins in which it is the one to be heard.
    size_m : float
        The diameter by which it is sold; of no account where `sd_m2` is stated.
    stated : mapping
        What a sheet says, by the names of `SHEET_SIGMA`; of the three Q at most two, and not "vas_m3" with
        "sensitivity_db", which follow from each other.

    Returns
    -------
    dict
        By the names of the fields of `rig.circuit.driver.Driver`.
    """
    family = max((f for f in (WOOFER, MIDRANGE, TWEETER) if f.from_hz <= from_hz), key=lambda f: f.from_hz)
    sd_m2 = stated.get("sd_m2") or math.pi / 4 * (family.piston * size_m) ** 2
    diameter_m = math.sqrt(4 / math.pi * sd_m2) / family.piston
    trade = {
        "re_ohm": RE_SHARE * nominal_ohm,
        "le_h": family.le_s * nominal_ohm,
        "le_exponent": LE_EXPONENT,
        "fs_hz": max(family.fs_hz_m / diameter_m, family.fs_share * from_hz),
        "qms": family.qms,
        "qts": family.qts,
        "sd_m2": sd_m2,
        "sensitivity_db": family.sensitivity_db,
        "rolloff_hz": ROLLOFF_KA * SPEED_OF_SOUND_M_S / (2 * math.pi * math.sqrt(sd_m2 / math.pi)),
    }
    known = {
        name: Prior(stated[name], SHEET_SIGMA[name]) if name in stated else Prior(value, TRADE_SIGMA[name])
        for name, value in trade.items()
    }
    qts, sensitivity = known.pop("qts"), known.pop("sensitivity_db")
    if "qes" in stated:
        known["qes"] = Prior(stated["qes"], SHEET_SIGMA["qes"])
        if "qts" in stated:
            known["qms"] = _other_quality(qts, known["qes"])
    else:
        known["qes"] = _other_quality(qts, known["qms"])
    known["vas_m3"] = Prior(stated["vas_m3"], SHEET_SIGMA["vas_m3"]) if "vas_m3" in stated else _vas(known, sensitivity)
    return known


def usual_depth_m(sd_m2: float) -> float:
    """How far behind the baffle the acoustic centre of a cone usually lies."""
    return DEPTH_SHARE * math.sqrt(sd_m2 / math.pi)


def _other_quality(qts: Prior, one: Prior) -> Prior:
    """Of Qms and Qes the other one: their reciprocals add up to that of Qts."""
    other = 1 / (1 / qts.value - 1 / one.value)
    return Prior(other, math.hypot(other / qts.value * qts.sigma, other / one.value * one.sigma))


def _vas(known: Mapping[str, Prior], sensitivity: Prior) -> Prior:
    """Vas in m3 as the sensitivity has it.

    References
    ----------
    R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20 (1972): the reference efficiency
    4 pi^2 / c^3 fs^3 Vas / Qes, radiated into a half space.
    """
    pressure_pa = REFERENCE_PRESSURE_PA * 10 ** (sensitivity.value / 20)
    loudness = 2 * math.pi * AIR_DENSITY_KG_M3 * (VOLTS / DISTANCE_M / SPEED_OF_SOUND_M_S / pressure_pa) ** 2
    fs, qes, re = known["fs_hz"], known["qes"], known["re_ohm"]
    sigma_db = sensitivity.sigma / (10 / math.log(10))
    sigma = math.hypot(sigma_db, 3 * fs.sigma, qes.sigma, re.sigma)
    return Prior(qes.value * re.value / (loudness * fs.value**3), sigma)
