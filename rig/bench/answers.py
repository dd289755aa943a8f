"""From the text of an instrument's answer to a value that can be trusted, or to the reason why there is none.

What instruments say when they have no value ("+OVLD", 9.9E37, nothing at all) often looks like a number or holds one.
Here it never becomes one.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from rig.bench.instrument_settings import PickSettings, SensorSettings, ValueSettings
from rig.files.patterns import compiled
from rig.signals import sensors

#: Instruments that follow SCPI (1999, volume 1, 7.2.1.4 and .5) say 9.9E37 for infinity and 9.91E37 for "not a number".
SCPI_INFINITY = 9.9e37 * (1 - 1e-6)

NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
#: Not within a word: the 1 of "CH1" is no value.
FIRST_NUMBER = re.compile(rf"(?<![\w.,+-]){NUMBER}")
ANOTHER_NUMBER = re.compile(rf"(?<![\w.+-]){NUMBER}")
WHOLE_NUMBER = re.compile(rf"\s*[\"']?\s*{NUMBER}")
DECIMAL_COMMA = re.compile(r",\d")
#: A clock, a date, a version, an address or a hexadecimal number goes on like this.
NO_END_OF_NUMBER = re.compile(r"[.:/+-]\d|[xX_]\w")
NO_VALUE_WORDS = re.compile(
    r"(?<![a-z])(ovld|over|overload|over ?range|overflow|ovf|o\.?l\.?|udr|nan|inf|infinity|open|short"
    r"|error|err|fault|fail|invalid|none|null|n/?a|no sensor)(?![a-z])|--+",
    re.IGNORECASE,
)
#: Printable ASCII and the signs that units are written with.
READABLE = re.compile(r"[\x20-\x7e\t\r\n°ºµμΩ²³]*")

#: A temperature that stands still to its last digit for so long and so many samples, while another moved by so much,
#: may come from a dead sensor; our choice.
FROZEN_S, FROZEN_SAMPLES, MOVED_K = 600.0, 100, 1.0


class NoValue(Exception):
    """An answer holds no value; the message says why."""


@dataclass(frozen=True)
class Answer:
    """What one role reads now."""

    #: NaN: missing, for the reason in `trouble`.
    value: float
    unit: str
    #: As it came.
    text: str
    #: When it came, by `time.monotonic`; NaN: never.
    monotonic_s: float
    #: Why the value is missing; beside a value, a suspicion.
    trouble: str = ""
    #: From question to answer.
    took_s: float = math.nan

    @property
    def is_missing(self) -> bool:
        """Whether there is no value."""
        return math.isnan(self.value)


@dataclass(frozen=True)
class Stand:
    """How long a value has stood at the same digits, and when it last moved for good."""

    value: float
    since_s: float
    samples: int
    #: Where it was when it last moved by `MOVED_K`, and when.
    anchor: float
    moved_s: float


def decoded(raw: bytes) -> str:
    """An answer as text: UTF-8, else Latin-1, without white space and zeros at its ends."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.strip(" \t\r\n\0")


def number_in(text: str, pick: PickSettings | None = None) -> float:
    """The number that an answer holds.

    Raises
    ------
    NoValue
        If it is empty, unreadable, over range, not a number, or could be read in two ways.
    """
    if not text.strip():
        raise NoValue("an empty answer")
    if not READABLE.fullmatch(text):
        raise NoValue(f"unreadable: {_short(text)}; baud rate, framing, another device?")
    piece = _picked(text, pick)
    if NO_VALUE_WORDS.search(piece):
        raise NoValue(f"{_short(text)} is no value")
    found = FIRST_NUMBER.search(piece) if pick is None else WHOLE_NUMBER.match(piece)
    if found is None:
        raise NoValue(f"no number in {_short(piece)}")
    rest = piece[found.end() :]
    if DECIMAL_COMMA.match(rest):
        raise NoValue(f"{_short(piece)}: a decimal comma, or several values? pick says which field")
    if NO_END_OF_NUMBER.match(rest):
        raise NoValue(f"{_short(piece)} is not a plain number")
    if pick is None and ANOTHER_NUMBER.search(rest):
        raise NoValue(f"{_short(piece)} holds more than one number: pick says which")
    number = float(found[0].strip("\"' \t"))
    if not abs(number) < SCPI_INFINITY:
        raise NoValue(f"{_short(text)}: over range")
    return number


def _picked(text: str, pick: PickSettings | None) -> str:
    if pick is None:
        return text
    if pick.pattern is not None:
        found = compiled(pick.pattern).search(text)
        if found is None or found[1] is None:
            raise NoValue(f"{_short(text)} does not fit the pattern {pick.pattern!r}")
        return found[1]
    fields = text.split(pick.separator)
    number = pick.field or 1
    if number > len(fields):
        raise NoValue(f"{_short(text)} has {len(fields)} fields, not {number}")
    return fields[number - 1]


def value_of(number: float, settings: ValueSettings, cold_junction_celsius: float = math.nan) -> float:
    """Scale, offset, the sensor's curve, and the plausible range.

    Raises
    ------
    NoValue
        If the sensor or the range has no such value.
    """
    value = number * settings.scale + settings.offset
    if settings.sensor is not None:
        try:
            value = _celsius(value, settings.sensor, cold_junction_celsius)
        except ValueError as error:
            raise NoValue(f"{settings.sensor.kind}: {error}") from None
    low, high = settings.plausible
    if not low <= value <= high:
        raise NoValue(f"{value:.6g} {settings.unit} is not plausible; allowed: {low:g} to {high:g}")
    return value


def _celsius(raw: float, sensor: SensorSettings, cold_junction_celsius: float) -> float:
    if sensor.kind == "pt100":
        return sensors.pt100_celsius(raw)
    if sensor.kind == "thermocouple k":
        cold = sensor.cold_junction
        return sensors.thermocouple_k_celsius(raw, cold if isinstance(cold, float) else cold_junction_celsius)
    if sensor.r25_ohm is not None and sensor.beta_k is not None:
        return sensors.ntc_beta_celsius(raw, sensor.r25_ohm, sensor.beta_k)
    return sensors.ntc_steinhart_hart_celsius(raw, sensor.a or 0.0, sensor.b or 0.0, sensor.c or 0.0)


def stood(before: Stand | None, value: float, now_s: float) -> Stand:
    """The stand of a value after one more sample."""
    if before is None:
        return Stand(value, now_s, 1, value, now_s)
    after = before
    if abs(value - before.anchor) >= MOVED_K:
        after = replace(after, anchor=value, moved_s=now_s)
    if value == before.value:
        return replace(after, samples=before.samples + 1)
    return replace(after, value=value, since_s=now_s, samples=1)


def frozen(role: str, stands: Mapping[str, Stand], now_s: float) -> str:
    """A suspicion against a temperature that stands still while another moved; empty: none."""
    own = stands[role]
    still_s = now_s - own.since_s
    if still_s <= FROZEN_S or own.samples <= FROZEN_SAMPLES:
        return ""
    moved = sorted(other for other, stand in stands.items() if stand.moved_s > own.since_s)
    if not moved:
        return ""
    return (
        f"suspect: {own.value:g} to the last digit for {still_s / 60:.0f} min, "
        f"while {' and '.join(moved)} moved: is the sensor alive?"
    )


def _short(text: str) -> str:
    shown = repr(text.strip())
    return shown if len(shown) <= 60 else shown[:57] + "..."
