"""What `kitproof new` asks a builder, in order; what follows depends on what was answered."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from rig.study.typed_answers import (
    DB,
    HZ,
    LITRE,
    MM,
    NONE,
    OHM,
    VOLT,
    Number,
    choice,
    part_names,
    read_level,
    read_part,
    read_resistance,
    read_serial,
    read_tuning,
)

#: Key of a question -> the answer as it was typed; empty: not known.
Answers = Mapping[str, str]

BOXES = ("one", "pair", "pair and bass", "two that differ", "one and bass")
#: Drivers of a box by how many there are, from the top of the baffle down; common practice, no source.
DRIVERS = {1: ("full-range",), 2: ("tweeter", "woofer"), 3: ("tweeter", "midrange", "woofer")}
BOX_KINDS = ("closed", "vented", "none")
USUAL_GAIN_DB, USUAL_LOAD_OHM = 26.0, 4.0


@dataclass(frozen=True)
class Question:
    """One question."""

    key: str
    words: str
    example: str
    read: Callable[[str], Any]
    #: What is done without an answer; empty: it must be answered.
    unknown: str = ""


def next_question(answers: Answers) -> Question | None:
    """The first question that has no answer yet; None: all have one."""
    return next((question for question in questions(answers) if question.key not in answers), None)


def answered(answers: Answers, key: str, read: Callable[[str], Any]) -> Any:
    """An answer, read; None where there is none."""
    text = answers.get(key, "")
    return read(text) if text else None


def questions(answers: Answers) -> Iterator[Question]:
    """All questions as far as the answers tell which; those behind an open one may change."""
    words = (
        "What do you build? 1 one box, 2 a pair alike, 3 a pair and a bass box, 4 two that differ, 5 one and a bass box"
    )
    yield Question("boxes", words, "2", choice(*BOXES))
    boxes = answered(answers, "boxes", choice(*BOXES)) or BOXES[0]
    for prefix in prefixes(boxes):
        yield from _box(prefix, answers)
    if boxes.endswith("bass"):
        yield from _driver("bass", "bass driver")
        yield from _enclosure("bass box ", answers, "The bass box: ")
        hz = Number(HZ, 30, 500, "Hz")
        words = "The bass box: at what frequency does the electronic low-pass ahead of its amplifier cut off (Hz)?"
        yield Question("bass box low-pass", words, "120", hz, "it has none; its network is asked for")
        if answers.get("bass box low-pass") == "":
            yield from _network("bass", "bass driver", answers, "")
    yield from _amplifier()
    yield Question("serial", "A serial as it is to look", "AB-0001", read_serial, "made from the kit's name")


def prefixes(boxes: str) -> tuple[str, ...]:
    """What the keys of each box that is asked about begin with."""
    return ("left ", "right ") if boxes == "two that differ" else ("",)


def drivers_of(prefix: str, answers: Answers) -> tuple[str, ...]:
    """Names of the drivers of a box, from the top down."""
    return DRIVERS[int(answered(answers, f"{prefix}drivers", Number(NONE, 1, 3, "")) or 1)]


def _box(prefix: str, answers: Answers) -> Iterator[Question]:
    whose = f"The {prefix}box: " if prefix else ""
    words = _sentence(f"{whose}how many drivers (1 full-range, 2 two-way, 3 three-way)?")
    yield Question(f"{prefix}drivers", words, "2", _whole(1, 3))
    names = drivers_of(prefix, answers)
    for name in reversed(names):
        yield from _driver(f"{prefix}{name}", f"{prefix}{name}")
        if name == "midrange":
            words = f"The {prefix}midrange: litres of the chamber behind it, if it has one of its own"
            yield Question(f"{prefix}midrange chamber", words, "2.5", Number(LITRE, 0.05, 100, "litre"), "none")
    yield from _enclosure(f"{prefix}box ", answers, whose)
    for upper, lower in pairwise(names):
        words = f"How far is the middle of the {prefix}{lower} below that of the {upper} (mm)?"
        yield Question(f"{prefix}{lower} below", words, "125", Number(MM, 10, 1500, "mm"), "as close as they fit")
    before: list[str] = []
    for name in reversed(names):
        yield from _network(f"{prefix}{name}", f"{prefix}{name}", answers, ", ".join(before))
        before += part_names(parts_of(f"{prefix}{name}", answers))


def _driver(key: str, name: str) -> Iterator[Question]:
    sold = "its dome's diameter" if name.endswith("tweeter") else "the size it is sold by, over its frame"
    resistance = "resistance of its coil (Re, ohm), from the sheet or an ohmmeter; or what it is rated at"
    usual, high = "what such drivers usually have", name.endswith("tweeter")
    yield Question(f"{key} ohm", f"The {name}: {resistance}", "5.6, or: rated 8", read_resistance)
    yield Question(f"{key} size", f"The {name}: {sold} (mm or in)", _size(name), Number(MM, 10, 600, "mm"))
    yield Question(
        f"{key} fs",
        f"The {name}: resonance in free air (fs, Hz)",
        "820" if high else "47",
        Number(HZ, 5, 5000, "Hz"),
        usual,
    )
    yield Question(
        f"{key} qts", f"The {name}: total Q (Qts)", "0.8" if high else "0.37", Number(NONE, 0.1, 3, ""), usual
    )
    words = f"The {name}: level at 2.83 V and 1 m (dB), or at 1 W (write 1W behind it), or Vas in litres"
    yield Question(f"{key} level", words, "86, or: 86 dB 1W, or: 11 l", read_level, usual)


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:]


def _size(name: str) -> str:
    return "25" if name.endswith("tweeter") else "130, or: 5 in"


def _enclosure(key: str, answers: Answers, whose: str) -> Iterator[Question]:
    words = _sentence(f"{whose}closed, vented, or none (open at the back)?")
    yield Question(f"{key}kind", words, "vented", choice(*BOX_KINDS))
    kind = answered(answers, f"{key}kind", choice(*BOX_KINDS))
    if kind != "none":
        words = _sentence(f"{whose}volume inside, less what drivers and braces take (litres)")
        yield Question(f"{key}volume", words, "7.5", Number(LITRE, 0.1, 1000, "litre"))
    if kind == "vented":
        words = _sentence(f"{whose}tuning of the vent (Hz), or a round vent's inner diameter x length (mm)")
        yield Question(f"{key}tuning", words, "54, or: 50 x 120", read_tuning)
    words = _sentence(f"{whose}width of the baffle (mm)")
    yield Question(f"{key}width", words, "180", Number(MM, 30, 3000, "mm"))


def parts_of(key: str, answers: Answers) -> list[str]:
    """The answers about a driver's network, in signal order; one that ends them is empty."""
    found: list[str] = []
    while f"{key} part {len(found) + 1}" in answers:
        found.append(answers[f"{key} part {len(found) + 1}"])
    return found


def _network(key: str, name: str, answers: Answers, taken: str) -> Iterator[Question]:
    known = [text for text in parts_of(key, answers) if text]
    names = [*filter(None, taken.split(", ")), *part_names(known)]
    resistance = answered(answers, f"{key} ohm", read_resistance)
    nominal = resistance.nominal_ohm if resistance else None

    def read(text: str) -> str:
        part = read_part(text, nominal)
        if double := set(part_names([part])) & set(names):
            raise ValueError(f"found {' and '.join(sorted(double))} a second time; every part has a name of its own")
        return part

    hint = 'series or shunt, name, value; "reversed" if the driver is wired backwards on purpose'
    for n in range(len(known) + 1):
        words = (
            f"The {name}'s network from the leads on, part 1 ({hint})"
            if n == 0
            else f"The {name}'s network, part {n + 1}"
        )
        high = name.endswith("tweeter")
        example = "series C2 3.9 uF, or: shunt L2 0.5 mH" if high else "series L1 1.0 mH (0.3 ohm), or: shunt C1 6.8 uF"
        yield Question(f"{key} part {n + 1}", words, example, read if n == len(known) else read_part, "no more parts")
        if answers.get(f"{key} part {n + 1}", "") == "":
            return


def _amplifier() -> Iterator[Question]:
    yield Question("supply", "The amplifier board: its supply (V)", "24", Number(VOLT, 3, 100, "V"))
    words = "The amplifier board: its gain (dB)"
    yield Question("gain", words, "26", Number(DB, 0, 60, "dB"), f"{USUAL_GAIN_DB:g} dB, for you to measure")
    words = "The amplifier board: the lowest load that it may drive (ohm)"
    yield Question("load", words, "4", Number(OHM, 1, 16, "ohm"), f"{USUAL_LOAD_OHM:g} ohm")


def _whole(low: int, high: int) -> Callable[[str], float]:
    number = Number(NONE, low, high, "")

    def read(text: str) -> float:
        value = number(text)
        if value != round(value):
            raise ValueError(f"found {value:g}; possible: {', '.join(map(str, range(low, high + 1)))}")
        return value

    return read
