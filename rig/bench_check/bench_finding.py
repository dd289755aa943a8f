"""What a check of the bench finds."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

#: "sure": nothing else gives this. "likely": the plainest reading. "bench or unit": the unit may as well be the cause,
#: and what to do says how to find out.
Certainty = Literal["sure", "likely", "bench or unit"]


@dataclass(frozen=True)
class BenchFinding:
    """One thing about the bench, in a builder's words."""

    #: What was looked at, or what is wrong: one of `EXPLAINS` and of the symptoms' names.
    what: str
    #: None: nothing is known of it, and the words say why.
    is_right: bool | None
    words: str
    what_to_do: str = ""
    certainty: Certainty = "sure"


def right(what: str, words: str) -> BenchFinding:
    """Looked at, and as it should be."""
    return BenchFinding(what, True, words)


def unknown(what: str, words: str, what_to_do: str = "") -> BenchFinding:
    """Not known, and what it would take."""
    return BenchFinding(what, None, words, what_to_do)


#: What is read off levels, which many things spoil.
LEVELS = (
    *(
        "output level",
        "output too loud",
        "loopback gain",
        "microphone level",
        "microphone gain",
        "channel quiet",
        "input gains",
    ),
    *("sense resistor", "resistor left in"),
)
#: What an input gives that hears nothing.
NOTHING = ("loopback missing", "microphone silent", "amplifier silent", "drive input silent", "no current")
TIMES = ("clock", "lost samples", "microphone place", "outputs exchanged", "microphone polarity", "disturbed")
PROCESSING = ("automatic gain", "noise suppression")
#: What is wrong -> what is then not told, since it follows from it or cannot be trusted beside it.
EXPLAINS: dict[str, tuple[str, ...]] = {
    "output silent": NOTHING,
    "sample rate": (*LEVELS, *NOTHING, *TIMES, *PROCESSING, "output silent", "resampling", "ambient"),
    "other sound": (*LEVELS, *NOTHING, *TIMES, *PROCESSING, "ambient", "input overdriven", "hum", "resampling"),
    "input overdriven": (*LEVELS, *NOTHING, *TIMES, *PROCESSING, "hum", "ambient", "resampling"),
    "inputs exchanged": (*LEVELS, *NOTHING, *TIMES, "hum", "other sound", "ambient"),
    "lost samples": (*LEVELS, *PROCESSING, "microphone place", "disturbed"),
    "clock": (*PROCESSING, "lost samples", "microphone place", "disturbed"),
    "automatic gain": (*LEVELS, "noise suppression", "ambient"),
    "noise suppression": ("microphone level", "output level", "loopback gain", "ambient"),
    "outputs exchanged": ("microphone place", "microphone level", "channel quiet"),
    "microphone place": ("microphone level",),
    "microphone level": ("microphone gain",),
    "resistor left in": ("microphone level", "channel quiet"),
    "ambient": ("channel quiet", "amplifier silent", "microphone gain", "microphone level", "disturbed"),
    "hum": ("ambient", "channel quiet", "loopback missing", "disturbed"),
    "no current": ("input gains", "sense resistor", "output level"),
    "microphone silent": ("ambient", "channel quiet"),
    "amplifier silent": ("channel quiet",),
}


def louder(by_db: float) -> str:
    """A level against what it should be, in words."""
    return f"{abs(by_db):.1f} dB {'louder' if by_db > 0 else 'softer'}"


def within(off_db: float) -> str:
    """A small difference in words."""
    return f"within {max(abs(off_db), 0.1):.1f} dB"


def without_what_follows(findings: Sequence[BenchFinding]) -> list[BenchFinding]:
    """Leave out what another thing that is wrong explains, and what cannot be called right beside it."""
    wrong = {one.what for one in findings if one.is_right is False}
    explained = {what for cause in wrong for what in EXPLAINS.get(cause, ())}
    # A cause that is itself explained explains all the same: what it explains follows from its own cause.
    return [one for one in findings if one.what not in explained]
