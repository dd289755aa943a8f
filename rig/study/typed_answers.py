"""Answers of a builder, read: numbers in the units that sheets have, parts, serials; each mistake with its reason."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from rig.circuit.notation import ElementError, parse_element
from rig.design.plausible import without_effect
from rig.design.speaker import refuse_implausible
from rig.files.disk import FOLDER_NAMES, is_folder_name
from rig.files.patterns import LONGEST
from rig.files.tables import Misfit

#: Units that a builder may write -> how many of ours there are in one.
MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4}
LITRE = {"l": 1.0, "litre": 1.0, "litres": 1.0, "liter": 1.0, "cm3": 1e-3, "m3": 1e3, "ft3": 28.3168, "cuft": 28.3168}
OHM = {"ohm": 1.0, "ohms": 1.0, "Ω": 1.0, "mohm": 1e-3}
HZ = {"hz": 1.0, "khz": 1000.0}
DB = {"db": 1.0}
VOLT = {"v": 1.0, "volt": 1.0, "volts": 1.0}
NONE = {"": 1.0}
_QUANTITY = re.compile(r"([+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+))\s*(.*)")
#: In a list of parts: the driver is wired backwards on purpose.
REVERSED = "reversed"


@dataclass(frozen=True)
class Number:
    """Reads a number in a range, with or without its unit."""

    units: Mapping[str, float]
    low: float
    high: float
    #: Ours, in words.
    unit: str

    def __call__(self, text: str) -> float:
        """The value in our unit.

        Raises
        ------
        ValueError
            What was found, and what is wanted.
        """
        found = _QUANTITY.fullmatch(text.strip())
        if not found:
            raise ValueError(f"found {text!r}; a number is wanted")
        unit = found[2].strip().lower().replace("²", "2").replace("³", "3").replace("ω", "Ω").rstrip(".")
        known = {**self.units, "": 1.0}
        if unit not in known:
            raise ValueError(f"found the unit {found[2]!r}; possible: {', '.join(filter(None, known)) or 'no unit'}")
        value = float(found[1].replace(",", ".")) * known[unit]
        if not self.low <= value <= self.high:
            is_slip = "" if unit or len(self.units) < 2 else f" (without a unit it is in {self.unit})"
            wanted = f"{self.low:g} to {self.high:g} {self.unit}".strip()
            raise ValueError(f"found {value:g} {self.unit}".rstrip() + f"; possible: {wanted}{is_slip}")
        return value


def choice(*choices: str) -> Callable[[str], str]:
    """Reads one of several words, by the word, its beginning or its number."""

    def read(text: str) -> str:
        word = text.strip().lower()
        if word.isdecimal() and 1 <= int(word) <= len(choices):
            return choices[int(word) - 1]
        found = [one for one in choices if word and one.startswith(word)]
        if word in choices or len(found) == 1:
            return word if word in choices else found[0]
        wanted = ", ".join(f"{n} {one}" for n, one in enumerate(choices, 1))
        raise ValueError(f"found {text!r}; possible: {wanted}")

    return read


@dataclass(frozen=True)
class Resistance:
    """A driver's resistance: of its coil, or only the impedance that it is rated at."""

    re_ohm: float | None
    nominal_ohm: float


def read_resistance(text: str) -> Resistance:
    """ "5.6" is the coil's, "rated 8" what is printed on the driver."""
    number = Number(OHM, 0.5, 100, "ohm")
    rest = re.sub(r"\b(rated|nominal)\b", "", text, flags=re.IGNORECASE)
    value = number(rest)
    if rest != text:
        return Resistance(None, value)
    # Coils have about three quarters to nine tenths of what they are rated at (common practice, no source).
    rated = min((2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0), key=lambda ohm: abs(math.log(0.8 * ohm / value)))
    return Resistance(value, rated)


def read_level(text: str) -> tuple[str, float]:
    """How loud: `sensitivity_db` at 2.83 V ("86"), `db_at_1_w` ("86 dB 1W") or `vas_l` ("11 l")."""
    found = _QUANTITY.fullmatch(text.strip())
    unit = re.sub(r"[\s/@().]", "", found[2]).lower() if found else ""
    if found and unit in LITRE:
        return "vas_l", Number(LITRE, 0.001, 1000, "litre")(text)
    if found and unit in ("db1w", "1w", "db1w1m", "dbw", "db1wm"):
        return "db_at_1_w", Number(DB, 60, 120, "dB")(found[1])
    if found and unit in ("", "db", "db283v", "db283v1m", "db2,83v", "db2,83v1m"):
        return "sensitivity_db", Number(DB, 60, 120, "dB")(found[1])
    raise ValueError(f"found {text!r}; possible: 86 (dB at 2.83 V and 1 m), 86 dB 1W, or the sheet's Vas: 11 l")


def read_tuning(text: str) -> tuple[float, ...]:
    """The vent's tuning in Hz ("54"), or a round vent's inner diameter and length in mm ("50 x 120 mm")."""
    vent = re.fullmatch(r"\s*([\d.,]+)\s*(?:mm)?\s*[x×*]\s*([\d.,]+)\s*(?:mm)?\s*", text)
    if not vent:
        return (Number(HZ, 10, 300, "Hz")(text),)
    return Number(MM, 5, 400, "mm")(vent[1]), Number(MM, 1, 1000, "mm")(vent[2])


def read_part(text: str, nominal_ohm: float | None = None) -> str:
    """A network's part in the kit's notation, or the word that the driver is wired backwards.

    Raises
    ------
    ValueError
        If it cannot be read, or does nothing at all for a driver of `nominal_ohm`.
    """
    if text.strip().lower() == REVERSED:
        return REVERSED
    try:
        refuse_implausible(text)
    except ElementError as error:
        raise ValueError(f"found {error.found}; possible: {error.allowed}\n{error.shown}") from None
    except Misfit as error:
        raise ValueError(f"found {error.found}; possible: {error.allowed}") from None
    if nominal_ohm and (words := without_effect(parse_element(text), nominal_ohm)):
        raise ValueError(words)
    return text.strip()


def part_names(texts: Sequence[str]) -> list[str]:
    """Names of all parts of some elements."""
    return [part.name for text in texts if text and text != REVERSED for part in parse_element(text).parts()]


def read_serial(text: str) -> str:
    """An example of a serial: printable, with a number in it."""
    serial = text.strip()
    if not (serial.isascii() and serial.isprintable() and re.search(r"\d", serial) and len(serial) <= LONGEST):
        raise ValueError(
            f"found {text!r}; wanted: letters and a number, at most {LONGEST} plain signs, such as AB-0001"
        )
    if not is_folder_name(serial):
        raise ValueError(f"found {text!r}; wanted: what a folder may be called on every computer: {FOLDER_NAMES}")
    return serial


def serial_pattern(example: str) -> str:
    """What serials look like that look like this one: its letters, and as many digits."""
    pieces = re.findall(r"\d+|[^\d]+", example)
    return "".join(
        rf"\d{{{len(piece)}}}" if piece.isdecimal() else re.escape(piece).replace(r"\-", "-") for piece in pieces
    )
