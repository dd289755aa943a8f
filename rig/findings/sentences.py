"""A cause in the words of a builder: what is wrong, where to look, what to measure to be sure."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.circuit.channel import Channel, find_driver, find_part
from rig.circuit.notation import quantity
from rig.design.fault_kinds import FINDING_WORDS
from rig.design.fault_names import in_words
from rig.findings.dictionary import LOUD_NEIGHBOUR, Cause

#: A value that is known no better than this (standard uncertainty of its logarithm) is reported as a range (our
#: choice; tests/benchmarks/naming_faults.py).
ROUGH = 0.2
#: A value this near to a decade off is one, within its tolerance and that of the fit (our choice;
#: tests/benchmarks/naming_faults.py).
DECADE_WITHIN = 0.3


@dataclass(frozen=True)
class Description:
    """A cause in words."""

    words: str
    #: The kit's own name of what is wrong.
    part: str
    value: float
    value_uncertainty: float
    should_be: float
    unit: str
    where_to_look: str
    what_to_measure: str


def describe(cause: Cause, model: Channel, amount: float, u_relative: float) -> Description:
    """A cause in words, with where to look and what to measure.

    Parameters
    ----------
    cause : Cause
    model : Channel
        The design.
    amount : float
        As the dictionary has it: a factor on a value, ohms of a wire, Q of the losses, a gain.
    u_relative : float
        Its relative standard uncertainty.
    """
    words, part, value, u_value, should_be, unit = _WITH_NUMBER.get(cause.kind, _plain)(
        cause, model, amount, u_relative
    )
    look, measure = PLACES[cause.kind]
    names = {"channel": cause.channel, "a": (*cause.what, "")[0], "b": (*cause.what, "", "")[1]}
    # Of a channel as a whole there is no part to be named behind it.
    places = (place.format(**names).replace(" ,", ",") for place in (look, measure))
    return Description(words, part, value, u_value, should_be, unit, *places)


_Described = tuple[str, str, float, float, float, str]
NAN = float("nan")


def _plain(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    part = f"{cause.channel} {' and '.join(cause.what)}".strip()
    return in_words(FINDING_WORDS[cause.kind], cause.channel, cause.what), part, NAN, NAN, NAN, ""


def _value(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    part = find_part(model, cause.what[0])
    should_be, it = float(part.value), f"{cause.channel} {part.name}"
    found, wanted = quantity(part.kind, should_be * amount), quantity(part.kind, should_be)
    words = f"{it} measures {found}, should be {wanted}"
    if u_relative > ROUGH:
        # The logarithm is what is normal, and what may be far off.
        low, high = (quantity(part.kind, should_be * amount * float(np.exp(k * u_relative))) for k in (-2, 2))
        words = f"{it} measures somewhere from {low} to {high}, should be {wanted}"
    elif abs(np.log(amount * 10)) < DECADE_WITHIN:
        words += ": a tenth, the wrong decade"
    elif abs(np.log(amount / 10)) < DECADE_WITHIN:
        words += ": ten times as much, the wrong decade"
    unit = {"R": "ohm", "L": "H", "C": "F"}[part.kind]
    return words, it, should_be * amount, should_be * amount * u_relative, should_be, unit


def _thin_wire(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    part = find_part(model, cause.what[0])
    own = float(part.series_ohm)
    it = f"{cause.channel} {part.name}"
    words = f"{it} has {own + amount:.2g} ohm of resistance, should be {own:.2g} ohm: too thin a wire, or a bad joint"
    return words, it, own + amount, amount * u_relative, own, "ohm"


def _driver_number(text: str, field: str, unit: str) -> Callable[[Cause, Channel, float, float], _Described]:
    def describe_number(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
        driver = find_driver(model, cause.what[0])
        it, should_be = f"{cause.channel} {driver.name}", float(getattr(driver, field))
        value = should_be * amount
        words = text.format(it=it, value=f"{value:.3g}", should_be=f"{should_be:.3g}")
        return words, it, value, value * u_relative, should_be, unit

    return describe_number


def _leak(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    words = f"the box of {cause.channel} leaks: its losses have a Q of {amount:.2g}"
    return words, f"{cause.channel} box", amount, amount * u_relative, float(np.max(model.box.leakage_q)), ""


def _damping(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    should_be = float(np.max(model.box.leakage_q))
    value = should_be * amount
    losses = f"its box has losses of a Q of {value:.2g}, should be {should_be:.2g}"
    words = f"the damping of {cause.channel} is missing: {losses}"
    return words, f"{cause.channel} box", value, value * u_relative, should_be, ""


def _tuning(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    should_be = float(np.max(model.box.tuning_hz))
    side = "too short or too wide" if amount > 1 else "too long or too narrow"
    words = f"the port of {cause.channel} tunes to {should_be * amount:.3g} Hz, should be {should_be:.3g} Hz: {side}"
    return words, f"{cause.channel} port", should_be * amount, should_be * amount * u_relative, should_be, "Hz"


def _gain(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    level_db = 20 * np.log10(amount)
    side = "too quiet" if level_db < 0 else "too loud"
    words = f"{cause.channel} is {abs(level_db):.1f} dB {side} at all frequencies"
    return words, f"{cause.channel} amplifier output", level_db, 20 / np.log(10) * u_relative, 0.0, "dB"


def _corner(cause: Cause, model: Channel, amount: float, u_relative: float) -> _Described:
    should_be = model.filter.hz if model.filter else NAN
    value = should_be * amount
    words = f"the electronic filter of {cause.channel} stands at {value:.3g} Hz, should be {should_be:.3g} Hz"
    return words, f"{cause.channel} filter", value, value * u_relative, should_be, "Hz"


#: Findings with a number in their words; the others' stand in the table of faults.
_WITH_NUMBER: dict[str, Callable[[Cause, Channel, float, float], _Described]] = {
    "value": _value,
    "thin wire": _thin_wire,
    "impedance": _driver_number(
        "{it} is a version of another impedance: its coil has {value} ohm, should be {should_be} ohm", "re_ohm", "ohm"
    ),
    "shorted turns": _driver_number(
        "turns of the coil of {it} are short: it has {value} ohm, should be {should_be} ohm", "re_ohm", "ohm"
    ),
    "weak": _driver_number("the magnet of {it} is weak or damaged: Qes is {value}, should be {should_be}", "qes", ""),
    "resonance": _driver_number(
        "{it} has its resonance at {value} Hz in free air, should be {should_be} Hz", "fs_hz", "Hz"
    ),
    "leak": _leak,
    "tuning": _tuning,
    "damping": _damping,
    "gain": _gain,
    "corner": _corner,
}

#: Kind -> where to look, and the next cheap test.
PLACES: dict[str, tuple[str, str]] = {
    "reversed": (
        "red and black leads of {channel} {a}, at its lugs, on the network's board and at the amplifier",
        "a 1.5 V cell on the driver's own lugs, plus to plus: the cone must move outwards",
    ),
    "value": ("the print on {a} of {channel} against the parts list", "lift one leg of {a} and measure its value"),
    "open": ("both joints of {a} on the board of {channel}", "ohms or capacitance across {a} with one leg lifted"),
    "short": ("solder bridges and touching leads at {a} of {channel}", "ohms across {a} with one leg lifted"),
    "exchanged": ("the prints on {a} and {b} of {channel}", "lift one leg of each and measure their values"),
    "pad": ("which end of {a} and {b} of {channel} the lead to the driver leaves from", "follow the traces with ohms"),
    "thin wire": ("the wire of {a} of {channel} against the parts list, and its joints", "four-wire ohms across {a}"),
    "dead": ("the lugs and tinsel leads of {channel} {a}", "ohms across the lugs of {a} with its leads off"),
    "driver short": ("the lugs of {channel} {a} and its leads", "ohms across the lugs of {a} with its leads off"),
    "driver leads": ("which leads of {channel} go to {a} and which to {b}", "ohms from the board to each driver"),
    "impedance": ("the label on the magnet of {channel} {a}", "ohms across the lugs of {a} with its leads off"),
    "shorted turns": ("smell and look of the coil of {channel} {a}", "ohms across the lugs of {a} with its leads off"),
    "weak": ("the magnet of {channel} {a}: cracked, or another type", "impedance of {a} in free air"),
    "resonance": ("the type of {channel} {a}, its surround and how it is screwed down", "impedance of {a} in free air"),
    "leak": (
        "gaskets, terminal cup and seams of the box of {channel}",
        "press the cone in gently: it must come back slowly; then wet fingers along the seams",
    ),
    "blocked port": ("the port of {channel}, and damping before it", "impedance again with the port cleared"),
    "tuning": ("length and diameter of the port of {channel}", "measure the port against the plan"),
    "damping": (
        "the damping material in the box of {channel}",
        "knock on the walls, another box beside it; then impedance again with the damping in its place",
    ),
    "gain": (
        "gain strap and volume of the amplifier's output for {channel}, and the microphone's place",
        "millivolts AC at the leads of {channel} against another channel's",
    ),
    "silent": ("the leads of {channel} at the amplifier, and its output", "millivolts AC at the leads of {channel}"),
    "swapped": ("the leads of {channel} and {a} at the amplifier", "follow the leads, or play one channel alone"),
    "corner": ("the knob or strap of the filter of {channel}", "its response at the leads, with nothing else changed"),
    "no filter": ("the filter's switch or strap of {channel}", "its response at the leads, with nothing else changed"),
}


def brief(cause: Cause) -> str:
    """A cause in few words, for a list."""
    return in_words(_BRIEF.get(cause.kind) or FINDING_WORDS[cause.kind], cause.channel, cause.what)


_BRIEF = {"gain": "{channel} is too quiet or too loud", LOUD_NEIGHBOUR: "{a} is too loud"}
