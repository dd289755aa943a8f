"""Numbers, margins and terms as a builder reads them."""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from rig.values.names import GUARD, SENSITIVITY, SHIFT, SIGNS
from rig.values.readings import Reading
from rig.values.run import Timing
from rig.values.verdicts import BareVerdict, Verdict

if TYPE_CHECKING:
    from rig.design.limits import Limit

VERDICT_WORDS = {"pass": "PASS", "fail": "FAIL", "void": "VOID"}
#: What the verdict of a run means.
MEANINGS = {
    "pass": "every required check passed",
    "fail": "this copy is not like the design",
    "void": "this run says neither that the unit is right nor that it is wrong",
}
POLARITY_WORDS = {1: "as designed", -1: "reversed", 0: "drivers disagree"}
NONE = "–"
#: Warmer than this, a part is not to be touched (bare metal burns at 49 °C within minutes; common practice, no source).
HOT_CELSIUS = 45.0
UNIT_SIGNS = {"celsius": "°C", "ampere": "A", "volt": "V", "watt": "W"}
#: Figures of a value that are told, and the part of a value that its uncertainty must reach to be told beside it;
#: layout.
MOST_FIGURES, LEAST_UNCERTAINTY = 4, 1e-3
#: Expanded uncertainty over standard uncertainty: about 95 % (JCGM 100:2008, 6.3.3).
COVERAGE = 2.0
#: A probability of conformity from here on is not worth a word; layout.
CONFORMS = 0.999
SENSITIVITY_UNIT = "dB SPL, 2.83 V, 1 m"

UNITS = {
    "_hz": " Hz",
    "_db": " dB",
    "_ohm": " ohm",
    "_celsius": " °C",
    "_v": " V",
    "_volts": " V",
    "_s": " s",
    "_seconds": " s",
    "_m": " m",
}

#: What a word of the certificate means. What a quantity means its check says (TERMS).
TERMS = {
    "margin": "How far a reading stays inside its nearest limit, or how far it is outside.",
    "dB": "Decibel, a ratio of levels: 1 dB is just heard by comparing, 6 dB is twice the voltage.",
    "dB SPL": "Decibels of sound pressure above 20 micropascal, the usual scale of loudness meters.",
    "dB(A)": "Decibels of sound pressure, low and very high frequencies counted less, as the ear does at low levels.",
    "shift": "How far the whole curve was moved up or down before its shape was judged; it has a limit of its own.",
    "gate": "The stretch of time that is kept of the sound after its arrival.",
    "octave": "A doubling of frequency. 1/12 octave: each point is the mean over that width (smoothing).",
}
#: Those that are sought inside of other words too.
ANYWHERE = ("shift", "gate", "octave")


def number(value: float, uncertainty: float = math.nan, figures: int = 3, decimals_at_most: int = 4) -> str:
    """A number with so many figures, one more where its uncertainty is known; a dash when it is not finite.

    Figures that the uncertainty makes meaningless are left out. With fewer than 4 decimals allowed, next to nothing
    may become nothing.
    """
    if not math.isfinite(value):
        return NONE
    size = math.floor(math.log10(abs(value))) if value else figures - 1
    decimals = figures - 1 - size
    if size >= MOST_FIGURES:
        value = round(value, MOST_FIGURES - 1 - size)
    if math.isfinite(uncertainty) and uncertainty > 0:
        decimals = min(decimals + 1, 1 - math.floor(math.log10(uncertainty)))
    text = f"{value:.{min(max(decimals, 0), decimals_at_most)}f}"
    if float(text) == 0:
        # No minus before nothing.
        text = text.removeprefix("-")
    if value and float(text) == 0 and decimals_at_most >= 4:
        # Next to nothing is not nothing: a limit may lie in between.
        text = f"{value:.1g}"
    return text.replace("-", "−")


def measured_value(verdict: BareVerdict) -> float:
    """The value as it was measured: of an aligned curve the verdict holds it after the shift."""
    return verdict.value + verdict.shift_db


def is_shifted(verdict: BareVerdict) -> bool:
    """Whether a shift was taken out before judging that is worth a word: 0.1 dB when rounded."""
    return abs(verdict.shift_db) >= 0.05


def value_words(reading: Reading | BareVerdict) -> str:
    """Value, expanded uncertainty (k = 2) where worth telling, and unit; or the words that the check gave for it.

    At most four figures; an expanded uncertainty below a thousandth of the value is left out.
    """
    if reading.said and math.isfinite(reading.value):
        return with_minus(celsius(reading.said))
    if reading.quantity in SIGNS and reading.unit == "" and reading.value in POLARITY_WORDS:
        return POLARITY_WORDS[int(reading.value)]
    value = measured_value(reading) if isinstance(reading, BareVerdict) else reading.value
    if not math.isfinite(value):
        return NONE
    expanded = COVERAGE * reading.uncertainty
    is_significant = expanded >= abs(value) * LEAST_UNCERTAINTY
    # A hundredth of a decibel, or of a percent, is less than any bench can tell.
    shown = number(value, expanded, decimals_at_most=2 if reading.unit.startswith(("dB", "%")) else 4)
    if is_significant and math.isfinite(expanded):
        decimals = len(shown.partition(".")[2])
        text = f"{expanded:.1g}" if "e" in shown else f"{expanded:.{decimals}f}"
        shown += f" ± {text}".replace("-", "−") if float(text) else ""
    unit = SENSITIVITY_UNIT if (reading.quantity, reading.unit) == (SENSITIVITY, "dB SPL") else celsius(reading.unit)
    return f"{shown} {unit}".strip()


def celsius(text: str) -> str:
    """Text with the sign for degrees Celsius in place of its name in units."""
    return re.sub(r"\bcelsius\b", "°C", text)


def with_minus(text: str) -> str:
    """Text with a real minus before its negative numbers."""
    return re.sub(r"(?<!\S)-(?=\d)", "−", text)


def is_guard(verdict: BareVerdict) -> bool:
    """Whether a verdict is about the guard of long loud playing, whose value is only a mark."""
    return verdict.quantity == GUARD and verdict.unit == "" and bool(verdict.said)


def is_polarity(verdict: BareVerdict) -> bool:
    """Whether a verdict is about a sign, for which figures make no sense to a reader."""
    return verdict.quantity in SIGNS and verdict.unit == "" and verdict.value in (-1, 0, 1)


def limit_words(verdict: BareVerdict) -> str:
    """The limit of a verdict; a tolerance of a level is a difference, so in dB."""
    if verdict.unit == "" and verdict.quantity in SIGNS:
        return "as designed"
    if is_guard(verdict):
        return "must not stop it"
    text = celsius(verdict.limit) or NONE
    if is_shifted(verdict):
        text += f", after taking out the shift of {verdict.shift_db:+.1f} dB"
    if text.startswith("±"):
        text = text.replace(" dB SPL", " dB")
    return with_minus(text)


def margin_words(verdict: BareVerdict) -> str:
    """The margin of a verdict: inside or outside, in its unit."""
    if not math.isfinite(verdict.margin) or is_polarity(verdict) or is_guard(verdict):
        return NONE
    if verdict.margin == 0:
        return "on the limit"
    side = "inside" if verdict.margin > 0 else "outside"
    unit = celsius(verdict.unit).removesuffix(" SPL")
    return f"{number(abs(verdict.margin), figures=2)} {unit} {side}".replace("  ", " ")


def reason_words(verdict: BareVerdict) -> str:
    """What is wrong, or why nothing is proved."""
    if verdict.outcome == "fail" and verdict.said:
        return with_minus(celsius(verdict.said))
    if verdict.outcome == "fail" and is_polarity(verdict):
        return POLARITY_WORDS[int(verdict.value)]
    return verdict.reason.replace(" dB SPL", " dB") if verdict.outcome == "fail" else verdict.reason


def room(verdict: Verdict, limits: "Mapping[str, Limit]") -> float:
    """How much the limits of a check leave: from lower to upper, or the limit itself when one side is open."""
    from rig.design.limits import limit_key, window_widths

    if verdict.mask is not None and math.isfinite(verdict.at_hz):
        nearest = int(abs(verdict.mask.frequency_hz - verdict.at_hz).argmin())
        return float(window_widths(verdict.mask.lower, verdict.mask.upper, verdict.unit)[nearest])
    quantity = verdict.quantity.removesuffix(SHIFT)
    limit = limits.get(limit_key(limits, quantity, verdict.subject))
    if limit is not None and quantity != verdict.quantity and limit.align_within_db is not None:
        return 2 * limit.align_within_db
    if limit is not None and limit.lower is not None and limit.upper is not None:
        return limit.upper - limit.lower
    return max(abs(verdict.value), abs(verdict.margin))


def share_of_room(verdict: Verdict, limits: "Mapping[str, Limit]") -> float:
    """The margin as a part of the room that the limits leave; 0 where there is no margin."""
    if is_guard(verdict):
        return math.inf if verdict.margin >= 0 else -math.inf
    whole = room(verdict, limits)
    return verdict.margin / whole if math.isfinite(verdict.margin) and whole > 0 else 0.0


def worst_first(verdicts: Sequence[Verdict], limits: "Mapping[str, Limit]") -> list[Verdict]:
    """Failed ones first, then void ones, then those that passed.

    Of each kind the one leads whose margin is the smallest part of the room that its limits leave.
    """
    rank = {"fail": 0, "void": 1, "pass": 2}
    return sorted(verdicts, key=lambda verdict: (rank[verdict.outcome], share_of_room(verdict, limits)))


def within_uncertainty(verdict: BareVerdict) -> bool:
    """Whether a reading is closer to its limit than its expanded uncertainty; False when that is not known."""
    return abs(verdict.margin) < COVERAGE * verdict.uncertainty


def conformity_words(verdict: BareVerdict) -> str:
    """How probable it is that the true value conforms; empty where that is beyond doubt or not known."""
    if not verdict.conformity < CONFORMS or is_polarity(verdict) or is_guard(verdict):
        return ""
    share = 100 * verdict.conformity
    return f"probability of conformity {share:.1f} %" if share >= 0.1 else "probability of conformity below 0.1 %"


def moment(text: object) -> str:
    """An ISO 8601 time as date, time and how far its zone is from UTC; other text as it is."""
    try:
        return f"{datetime.fromisoformat(str(text)):%Y-%m-%d %H:%M:%S UTC%z}".removesuffix("+0000")
    except ValueError:
        return str(text or NONE)


def flat(values: Mapping[str, object], prefix: str = "") -> Iterator[tuple[str, str]]:
    """A description in nested tables as lines of name and value; a unit in a name goes to the value."""
    for key, value in values.items():
        name, unit = f"{prefix}{key}", ""
        for ending, sign in UNITS.items():
            if name.endswith(ending) and isinstance(value, (int, float)):
                name, unit = name.removesuffix(ending), sign
        name = name.replace("_", " ")
        if isinstance(value, Mapping):
            yield from flat(value, f"{name}, ")
        elif isinstance(value, (list, tuple)):
            yield name, ", ".join(str(item) for item in value) or "none"
        elif isinstance(value, bool):
            yield name, "yes" if value else "no"
        elif isinstance(value, float):
            yield name, f"{value:g}{unit}"
        else:
            yield name, "not known" if value is None else f"{value}{unit}"


def terms_in(words: Sequence[str], quantities: Mapping[str, str]) -> list[tuple[str, str]]:
    """The terms that occur among these words, with what they mean.

    Parameters
    ----------
    words : sequence of str
        Quantities, units, and how curves were made.
    quantities : mapping
        Quantity -> what it means, as the checks say.
    """
    exact = {re.sub(r" \d+$", "", word) for word in words}
    joined = " | ".join(words)
    return [
        (term, meaning)
        for term, meaning in {**TERMS, **quantities}.items()
        if term in exact or term == "margin" or (term in ANYWHERE and term in joined)
    ]


def lapse(seconds: float) -> str:
    """A time of a programme to the second: in seconds below two minutes, then in hours, minutes and seconds."""
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    parts = ((whole // 3600, "h"), (whole // 60 % 60, "min"), (whole % 60, "s"))
    return " ".join(f"{count} {unit}" for count, unit in parts if count)


def time_words(timing: Timing) -> str:
    """How long it sounded and how long the run took; their ratio only where no bench was faster than the clock."""
    times = timing.cycle_s / timing.sound_s if timing.sound_s > 0 else math.nan
    compared = f" ({number(times, figures=2)} times the sound)" if times >= 1 else ""
    waited = f"; {lapse(timing.operator_s)} more for the person at the bench" if timing.operator_s >= 0.5 else ""
    return f"{lapse(timing.sound_s)} of sound; the run took {lapse(timing.cycle_s)}{compared}{waited}"
