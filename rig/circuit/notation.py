"""The notation of a network element, read and written.

One element a line, in signal order from the leads to the driver::

    series L1 0.82 mH (0.35 ohm)
    shunt R2 6.8 ohm + C3 10 uF +- 10 %
    series L1 0.2 mH | R1 5.6 ohm 10 W
    series R1 10 ohm | C1 8.2 uF + (L1 0.5 mH | R2 4.7 ohm)

Grammar::

    element = ("series" | "shunt") group
    group   = chain ("|" chain)*
    chain   = item ("+" item)*
    item    = part | "(" group ")"
    part    = NAME VALUE UNIT ["(" VALUE ohm ")"] ["+-" VALUE "%"] [VALUE RATED]

RATED is what the part is made to stand: W of a resistor, V of a capacitor (as printed on it), A of a coil.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from typing import NoReturn, cast

from rig.circuit.parts import DEFAULT_TOLERANCE, Chain, Element, Group, Item, Kind, Part, Place
from rig.circuit.units import Value

# The exponent is kept beside the unit and values are shifted as decimals: 0.82 mH is then the float 0.00082
# exactly, and what is written reads back as the same float.
_EXPONENTS: dict[str, dict[str, int]] = {
    "R": {"ohm": 0, "mohm": -3, "kohm": 3},
    "L": {"H": 0, "mH": -3, "uH": -6},
    "C": {"F": 0, "mF": -3, "uF": -6, "nF": -9, "pF": -12},
}
_WRITTEN: dict[str, tuple[str, ...]] = {
    "R": ("kohm", "ohm"),
    "L": ("H", "mH", "uH"),
    "C": ("F", "uF", "nF", "pF"),
}
#: In what a part's rating is written.
RATED: dict[Kind, str] = {"R": "W", "L": "A", "C": "V"}
#: Groups within groups: no network of a box needs more; our choice.
DEEPEST = 8
#: Units of a value as a builder reads it: name, factor, and the smallest number that is written in it.
SCALES: dict[Kind, tuple[tuple[str, float, float], ...]] = {
    "R": (("kohm", 1e3, 1.0), ("ohm", 1.0, 0.1)),
    "L": (("mH", 1e-3, 0.1), ("uH", 1e-6, 0.1)),
    "C": (("uF", 1e-6, 0.1), ("nF", 1e-9, 0.1)),
}
_NUMBER = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_WORD = re.compile(rf"\+-|±|[|+()%]|{_NUMBER.pattern}|[^\s|+()%±]+")
_NAME = re.compile(r"[RLC]\w*")


#: What a network element looks like, by its first word.
EXAMPLES = {"series": "series L1 1.0 mH (0.3 ohm)", "shunt": "shunt R1 5.6 ohm + C2 12 uF"}


class ElementError(ValueError):
    """A network element that cannot be read: its text, the place (index of a sign), what was found, what is allowed."""

    def __init__(self, text: str, place: int, found: str, allowed: str) -> None:
        self.text, self.place, self.found, self.allowed = text, place, found, allowed
        super().__init__(f"network element: found {found}; allowed: {allowed}\n{self.shown}")

    @property
    def shown(self) -> str:
        """The text, a mark below the place, and an element as it may look, a line each."""
        example = next(
            (e for word, e in EXAMPLES.items() if self.text.strip().startswith(word[:2])), EXAMPLES["series"]
        )
        return f"    {self.text}\n    {' ' * self.place}^\n    for example: {example}"


@dataclass
class _Words:
    """The words of a text and how far they have been read."""

    text: str
    words: list[str] = field(init=False)
    places: list[int] = field(init=False)
    at: int = 0

    def __post_init__(self) -> None:
        # What would break the line that is shown has no place in an element.
        self.text = " ".join(self.text.split())
        found = list(_WORD.finditer(self.text))
        self.words, self.places = [word[0] for word in found], [word.start() for word in found]

    def peek(self) -> str:
        return self.words[self.at] if self.at < len(self.words) else ""

    def refuse(self, allowed: str) -> NoReturn:
        place = self.places[self.at] if self.peek() else len(self.text)
        raise ElementError(self.text, place, repr(self.peek()) if self.peek() else "the end", allowed)

    def take(self, choices: Iterable[str], allowed: str = "") -> str:
        options = tuple(choices)
        if self.peek() not in options:
            self.refuse(allowed or " or ".join(repr(option) for option in options))
        self.at += 1
        return self.words[self.at - 1]

    def take_match(self, pattern: re.Pattern[str], allowed: str) -> str:
        if not pattern.fullmatch(self.peek()):
            self.refuse(allowed)
        self.at += 1
        return self.words[self.at - 1]

    def skip(self, *choices: str) -> bool:
        if self.peek() not in choices:
            return False
        self.at += 1
        return True


@lru_cache(maxsize=256)
def parse_element(text: str) -> Element:
    """Read one network element.

    Parameters
    ----------
    text : str
        As in the module's grammar. Units: ohm, mohm, kohm, H, mH, uH, F, mF, uF, nF, pF; the micro sign may
        stand for u. A name starts with R, L or C, and the unit must fit it.

    Raises
    ------
    ElementError
        Says the text, the place where reading stopped, and what is allowed there.
    """
    words = _Words(text)
    place = cast(Place, words.take(("series", "shunt")))
    group = _group(words)
    if words.peek():
        words.refuse("'+', '|', '(', '+-' or the end")
    element = Element(place, group)
    names = [part.name for part in element.parts()]
    for name in names:
        if names.count(name) > 1:
            second = [at for at, word in zip(words.places, words.words, strict=True) if word == name][1]
            raise ElementError(words.text, second, f"the name {name!r} a second time", "each name once")
    return element


def format_element(element: Element) -> str:
    """Write an element in the notation; `parse_element` reads back an equal element.

    Raises
    ------
    ValueError
        If a part has one value per unit, is not finite, has a name the notation cannot hold, or is open or
        short: the notation speaks of one healthy design.
    """
    return f"{element.place} {_format_group(element.group)}"


def _group(words: _Words, depth: int = 0) -> Group:
    chains = [_chain(words, depth)]
    while words.skip("|"):
        chains.append(_chain(words, depth))
    return tuple(chains)


def _chain(words: _Words, depth: int) -> Chain:
    items = [_item(words, depth)]
    while words.skip("+"):
        items.append(_item(words, depth))
    return tuple(items)


def _item(words: _Words, depth: int) -> Item:
    if words.peek() != "(":
        return _part(words)
    if depth == DEEPEST:
        words.refuse(f"a part, no more than {DEEPEST} groups within each other,")
    words.skip("(")
    group = _group(words, depth + 1)
    words.take((")",), "'+', '|', '(', '+-' or ')'")
    return group


def _format_group(group: Group) -> str:
    def written(item: Item) -> str:
        return _format_part(item) if isinstance(item, Part) else f"({_format_group(item)})"

    return " | ".join(" + ".join(map(written, chain)) for chain in group)


def _part(words: _Words) -> Part:
    name = words.take_match(_NAME, "a name that starts with R, L or C, or a group in ( ),")
    kind = cast(Kind, name[0])
    value = _quantity(words, kind)
    series_ohm = 0.0
    if words.skip("("):
        series_ohm = _quantity(words, "R")
        words.take((")",))
    tolerance = DEFAULT_TOLERANCE
    if words.skip("+-", "±"):
        percent = words.take_match(_NUMBER, "a tolerance in % from 0 to below 100")
        tolerance = _shifted(percent, -2)
        if not tolerance < 1:
            words.at -= 1
            words.refuse("a tolerance in % from 0 to below 100")
        words.take(("%",))
    return Part(name, kind, value, series_ohm, tolerance, rating=_rating(words, kind))


def _rating(words: _Words, kind: Kind) -> float:
    if not _NUMBER.fullmatch(words.peek()):
        return math.inf
    rating = float(words.take_match(_NUMBER, "a rating"))
    if not 0 < rating < math.inf:
        words.at -= 1
        words.refuse("a rating above 0")
    words.take((RATED[kind],), f"{RATED[kind]}, in which the rating of such a part is written,")
    return rating


def _quantity(words: _Words, kind: str) -> float:
    number = words.take_match(_NUMBER, "a number from 0")
    units = _EXPONENTS[kind]
    # Both micro signs of Unicode, and the letter.
    spellings = {name.replace("u", micro): name for name in units for micro in "uµμ"}
    unit = words.take(spellings, "a unit of " + ", ".join(units))
    return _shifted(number, units[spellings[unit]])


def _shifted(number: str, exponent: int) -> float:
    return float(Decimal(number).scaleb(exponent))


def _format_part(part: Part) -> str:
    if part.state != "ok":
        raise ValueError(f"part {part.name}: is {part.state}; the notation allows healthy parts only")
    if not _NAME.fullmatch(part.name) or part.name[0] != part.kind:
        raise ValueError(f"part {part.name!r}: the notation allows a name that starts with its kind {part.kind}")
    text = f"{part.name} {_format_quantity(part, part.value, part.kind)}"
    if part.series_ohm if isinstance(part.series_ohm, float | int) else part.series_ohm.any():
        text += f" ({_format_quantity(part, part.series_ohm, 'R')})"
    if part.tolerance != DEFAULT_TOLERANCE:
        text += f" +- {_digits(_decimal(part, part.tolerance).scaleb(2))} %"
    if math.isfinite(part.rating):
        text += f" {_digits(_decimal(part, part.rating))} {RATED[part.kind]}"
    return text


def _format_quantity(part: Part, value: Value, kind: str) -> str:
    number = _decimal(part, value)
    units = _EXPONENTS[kind]
    # 0.1 uF and 0.2 mH read better than 100 nF and 200 uH.
    fitting = [unit for unit in _WRITTEN[kind] if number >= Decimal(f"1e{units[unit] - (unit != 'kohm')}")]
    unit = fitting[0] if fitting and number else _WRITTEN[kind][-1]
    return f"{_digits(number.scaleb(-units[unit]))} {unit}"


def _decimal(part: Part, value: Value) -> Decimal:
    if getattr(value, "ndim", 0) != 0 or not math.isfinite(value):
        raise ValueError(f"part {part.name}: {value} cannot be written; the notation allows one finite number")
    return Decimal(repr(float(value)))


def _digits(number: Decimal) -> str:
    return format(number.normalize(), "f")


def quantity(kind: Kind, value: float) -> str:
    """A value in its usual unit, to three figures."""
    unit, scale, _ = next((each for each in SCALES[kind] if value >= each[2] * each[1]), SCALES[kind][-1])
    number = value / scale
    return f"{number:.3g} {unit}" if number < 999.5 else f"{number:.0f} {unit}"


def hertz(frequency_hz: float) -> str:
    """A frequency in three figures, as a builder writes it."""
    if frequency_hz >= 999.5:
        return f"{frequency_hz / 1000:.3g} kHz"
    return f"{frequency_hz:.3g} Hz"
