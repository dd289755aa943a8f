"""Faults that one check hears and no curve shows: rattles, air, hum, hiss, distortion."""

from collections.abc import Iterator, Sequence

from checks.distortion import HARMONICS, TOTAL_DISTORTION, WORST_DISTORTION
from checks.hum_and_noise import HISS, HUM, NOISE, NOISE_BANDS
from checks.leak import BLOWING_AIR
from checks.rub_and_buzz import EVIDENCE, IMPULSIVE, IMPULSIVE_LEVEL
from rig.design.fault_kinds import FINDING_WORDS
from rig.design.fault_names import in_words
from rig.values.verdicts import CheckResult, Verdict

#: What the search for impulses calls it -> kind, words, where to look, what to do to be sure.
SOUNDS = {
    "rub or rattle": (
        "rub or rattle",
        "something of {it} rubs or rattles: a coil, a wire, a panel or a screw",
        "the cone of {it} and its centring; loose wires against cone and walls, screws, terminal cup",
        "push the cone in evenly and listen; play the frequency where it is heard and press wires and panels in turn",
    ),
    "loose particle": (
        "particle",
        FINDING_WORDS["particle"],
        "the gap and the inside of {it}: swarf, solder, a crumb of glue",
        "turn the box over and measure again: a particle moves",
    ),
    "blowing air": (
        "blowing",
        FINDING_WORDS["blowing"],
        "gaskets, terminal cup and seams of {it}",
        "wet fingers along the seams while a low note plays; then seal and measure again",
    ),
}
#: Quantity -> the same, for what is heard at rest.
AT_REST = {
    HUM: (
        "humming",
        FINDING_WORDS["humming"],
        "input leads and their screens, earth loops, the supply of the output of {it}",
        "measure again with the input shorted, then with the computer on its battery",
    ),
    HISS: (
        "hissing",
        FINDING_WORDS["hissing"],
        "the gain strap of the output of {it}, and its supply",
        "millivolts AC at the leads with the input shorted, against another channel's",
    ),
}
BENT = (
    "bent",
    "{it} distorts more than the design, and its curves show no cause",
    "the cone's travel in {it}, screws, the surround, a damaged coil; then the amplifier's output",
    "measure again at half the level, then with the boxes of two channels exchanged",
)
#: Of harmonics, and all that is heard by one check; the curves say little of it.
BENDING = (*HARMONICS.values(), TOTAL_DISTORTION)
QUANTITIES = (
    *BENDING,
    WORST_DISTORTION,
    EVIDENCE,
    IMPULSIVE,
    IMPULSIVE_LEVEL,
    BLOWING_AIR,
    *AT_REST,
    NOISE,
    NOISE_BANDS,
)
#: A failure without a word for what was heard is believed so far: common practice, no source.
P_NAMED, P_UNNAMED = 0.9, 0.6


def audible_faults(results: Sequence[CheckResult]) -> Iterator[tuple[str, str, float, tuple[str, str, str, str]]]:
    """Channel, check's quantity, probability, and (kind, words, where to look, what to measure) of each."""
    seen = set()
    for result in results:
        for verdict in result.verdicts:
            if verdict.outcome != "fail":
                continue
            entry, probability = _entry(verdict)
            if entry and (verdict.subject, entry[0]) not in seen:
                seen.add((verdict.subject, entry[0]))
                kind, *words = (in_words(text, verdict.subject, ()) for text in entry)
                yield verdict.subject, verdict.quantity, probability, (kind, words[0], words[1], words[2])


def is_audible(verdict: Verdict) -> bool:
    """Whether a verdict is of what one check hears and no curve shows."""
    return verdict.quantity in QUANTITIES


def _entry(verdict: Verdict) -> tuple[tuple[str, str, str, str] | None, float]:
    if verdict.quantity == BLOWING_AIR:
        return SOUNDS["blowing air"], P_NAMED
    if verdict.quantity == EVIDENCE:
        entry = next((entry for name, entry in SOUNDS.items() if verdict.said.startswith(name)), None)
        return entry, P_NAMED if entry else 0.0
    if verdict.quantity in AT_REST:
        return AT_REST[verdict.quantity], P_NAMED
    if verdict.quantity in BENDING:
        return BENT, P_UNNAMED
    return None, 0.0
