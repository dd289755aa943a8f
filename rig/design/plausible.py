"""Values of a kit that are legal and yet hardly meant, by what is physically possible with the rest of the file.

Each is said in words, with what it would mean: whoever wrote it knows whether it is a slip of the pen.
"""

import math
from collections.abc import Iterator

import numpy as np

from rig.circuit.channel import Channel
from rig.circuit.driver import Driver, mechanics
from rig.circuit.impedances import element_impedance
from rig.circuit.notation import format_element, hertz, quantity
from rig.circuit.parts import Element
from rig.circuit.units import AIR_DENSITY_KG_M3
from rig.design.driver_priors import DISTANCE_M, VOLTS
from rig.design.kit import Kit
from rig.design.speaker import DriverSpec
from rig.signals.levels import REFERENCE_PRESSURE_PA

#: What is heard; our choice.
AUDIBLE_HZ = (20.0, 20000.0)
#: A part so many times the driver's rated impedance carries nothing, and one so small a part of it drops nothing; our
#: choice.
MANY_TIMES, SMALL_PART = 20.0, 1 / 40
#: Of any driver (common practice, no source): level in dB at 2.83 V and 1 m, moving mass in kg over the area of its
#: cone in m2, force factor in T m, coil's resistance over what it is rated at, total Q.
LEVELS_DB, MASS_KG_M2, FORCE_T_M = (72.0, 108.0), (0.15, 12.0), (0.5, 40.0)
RE_SHARE, QTS = (0.5, 1.1), (0.1, 3.0)
#: Tuning of a vent over the resonance of its driver; our choice.
TUNING_SHARE = (0.4, 2.5)


def implausible(kit: Kit) -> list[str]:
    """What a kit says that is hardly meant, a sentence each: where, what it comes to, what is usual."""
    found: list[str] = []
    for n, spec in enumerate(kit.channels, 1):
        model = spec.model()
        for m, driver in enumerate(spec.drivers, 1):
            where, sheet = f"channels.[{n}].drivers.[{m}]", model.drivers[m - 1]
            found += [f"{where} ({spec.name} {driver.name}): {words}" for words in _of_driver(driver, sheet)]
            for k, element in enumerate(model.branches[m - 1].elements, 1):
                words = without_effect(element, driver.nominal_ohm)
                found += [f"{where}.network.[{k}] ({spec.name} {driver.name}): {words}"] if words else []
        found += [f"channels.[{n}].box ({spec.name}): {words}" for words in _of_box(model)]
    return found


def without_effect(element: Element, nominal_ohm: float) -> str:
    """Why a network's element does nothing for its driver, or lets nothing through; empty: it does something."""
    at_hz = np.geomspace(*AUDIBLE_HZ, 61)
    ohm = np.abs(element_impedance(element, at_hz))
    least, most = int(np.argmin(ohm)), int(np.argmax(ohm))
    shown, driver = repr(format_element(element)), f"a driver of {nominal_ohm:g} ohm"
    if ohm[least] > MANY_TIMES * nominal_ohm:
        least_words = f"{quantity('R', float(ohm[least]))} or more at all frequencies"
        does = "lets next to nothing through to" if element.place == "series" else "does nothing across"
        return f"{shown} has {least_words} ({hertz(at_hz[least])}): it {does} {driver}; is its unit right?"
    if ohm[most] < SMALL_PART * nominal_ohm:
        most_words = f"{quantity('R', float(ohm[most]))} or less at all frequencies"
        does = "does nothing before" if element.place == "series" else "shorts"
        return f"{shown} has {most_words}: it {does} {driver}; is its unit right?"
    return ""


def _of_driver(spec: DriverSpec, driver: Driver) -> Iterator[str]:
    """What the numbers of a driver come to together, as far as they are said and not guessed."""
    if spec.re_ohm is not None and not RE_SHARE[0] <= spec.re_ohm / spec.nominal_ohm <= RE_SHARE[1]:
        usual = f"{RE_SHARE[0] * spec.nominal_ohm:.2g} to {RE_SHARE[1] * spec.nominal_ohm:.2g} ohm"
        yield f"re_ohm = {spec.re_ohm:g} of a driver rated at {spec.nominal_ohm:g} ohm; usual are {usual}"
    total = float(1 / (1 / driver.qms + 1 / driver.qes))
    if not QTS[0] <= total <= QTS[1]:
        stated = ", ".join(
            f"{name} = {v:g}" for name in ("qms", "qes", "qts") if (v := getattr(spec, name)) is not None
        )
        yield f"{stated or 'its Q'}: a total Q of {total:.3g}; usual are {QTS[0]:g} to {QTS[1]:g}"
    if not spec.is_described:
        return
    moving = mechanics(driver)
    level = _level_db(driver)
    if not LEVELS_DB[0] <= level <= LEVELS_DB[1]:
        yield (
            f"fs, Q, Vas and Re together make {level:.0f} dB at 2.83 V and 1 m; usual are {LEVELS_DB[0]:g} to "
            f"{LEVELS_DB[1]:g} dB"
        )
    density = float(moving.mms_kg / driver.sd_m2)
    if not MASS_KG_M2[0] <= density <= MASS_KG_M2[1]:
        low, high = (1000 * limit * float(driver.sd_m2) for limit in MASS_KG_M2)
        yield (
            f"fs, Vas (or sensitivity) and Sd make a moving mass of {1000 * float(moving.mms_kg):.2g} g; usual "
            f"for its size are {low:.2g} to {high:.2g} g"
        )
    if not FORCE_T_M[0] <= float(moving.bl_t_m) <= FORCE_T_M[1]:
        yield (
            f"its numbers together make a force factor of {float(moving.bl_t_m):.2g} T m; usual are "
            f"{FORCE_T_M[0]:g} to {FORCE_T_M[1]:g} T m"
        )


def _level_db(driver: Driver) -> float:
    """Level on a large flat baffle at 2.83 V and 1 m.

    References
    ----------
    R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20 (1972): far above resonance a piston of mass Mms
    that is driven by Bl / Re gives rho Sd Bl U / (2 pi r Mms Re).
    """
    moving = mechanics(driver)
    pressure = AIR_DENSITY_KG_M3 * driver.sd_m2 * moving.bl_t_m * VOLTS
    pressure = pressure / (2 * math.pi * DISTANCE_M * moving.mms_kg * driver.re_ohm)
    return 20 * math.log10(float(pressure) / REFERENCE_PRESSURE_PA)


def _of_box(channel: Channel) -> Iterator[str]:
    inside = [driver for driver in channel.drivers if driver.in_box]
    if channel.box.kind != "vented" or not inside:
        return
    lowest = min(inside, key=lambda driver: driver.band_hz[0])
    share = float(channel.box.tuning_hz / lowest.fs_hz)
    if not TUNING_SHARE[0] <= share <= TUNING_SHARE[1]:
        usual = f"{TUNING_SHARE[0] * float(lowest.fs_hz):.3g} to {TUNING_SHARE[1] * float(lowest.fs_hz):.3g} Hz"
        of_driver = f"a driver with fs = {float(lowest.fs_hz):.3g} Hz"
        yield f"tuning_hz = {channel.box.tuning_hz:g} for {of_driver}; usual are {usual}"
