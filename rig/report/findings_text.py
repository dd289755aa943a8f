"""Findings and rework in the words of screen and certificate."""

import math
from collections.abc import Iterator, Mapping, Sequence

from rig.circuit.notation import quantity
from rig.circuit.parts import Kind
from rig.findings.leading import UNKNOWN
from rig.store.rework_notes import MANY, helped
from rig.store.run_json import About
from rig.values.findings import Finding
from rig.values.run import Run

LEADING, BESIDE = "What is probably wrong", "Also possible"
KINDS: Mapping[str, Kind] = {"ohm": "R", "H": "L", "F": "C"}


def percent(probability: float) -> str:
    """A probability in percent: never certain, never impossible."""
    if probability >= 0.995:
        return "above 99 %"
    return f"{100 * probability:.0f} %" if probability >= 0.005 else "below 1 %"


def titled(findings: Sequence[Finding]) -> list[tuple[str, list[tuple[str, list[tuple[str, str]]]]]]:
    """Findings under their titles: what leads with everything that helps, what is also possible in a line or two."""
    leading = [(headline(finding), details(finding)) for finding in findings if not finding.also_possible]
    beside = [(headline(finding), details(finding)[:1]) for finding in findings if finding.also_possible]
    return [(title, found) for title, found in ((LEADING, leading), (BESIDE, beside)) if found]


def headline(finding: Finding) -> str:
    """What is wrong and how probable that is; of what nothing explains the words alone."""
    if finding.kind == UNKNOWN:
        return f"{finding.channel}: {finding.words}"
    together = "or what looks the same: " if finding.alike else ""
    return f"{finding.words} ({together}probability {percent(finding.probability)})"


def details(finding: Finding) -> list[tuple[str, str]]:
    """Name and text of what else is reported of a finding; nothing of an unknown cause."""
    if finding.kind == UNKNOWN:
        return []
    lines = (
        ("looks the same", "; ".join(finding.alike)),
        ("found", _found(finding)),
        ("look at", finding.where_to_look),
        ("measure", finding.what_to_measure),
    )
    return [(name, text) for name, text in lines if text]


def _found(finding: Finding) -> str:
    """The value that was found, its expanded uncertainty, and what it should be; empty where there is no number."""
    if not math.isfinite(finding.value):
        return ""
    text = _amount(finding.value, finding.unit)
    if math.isfinite(finding.value_uncertainty) and finding.value_uncertainty > 0:
        text += f" ± {_amount(2 * finding.value_uncertainty, finding.unit, 2)} (k = 2)"
    return f"{text}, should be {_amount(finding.should_be, finding.unit)}" if math.isfinite(finding.should_be) else text


def _amount(value: float, unit: str, figures: int = 3) -> str:
    kind = KINDS.get(unit)
    rounded = float(f"{value:.{figures}g}")
    return quantity(kind, rounded) if kind else f"{rounded:.{figures}g} {unit}".strip()


def rework_words(run: Run, about: About) -> Iterator[str]:
    """What was done since the run before and whether it helped; how often nothing was done."""
    for note in about.rework:
        by = f", by {note.by}" if note.by else ""
        yield f"Done since run {note.after}: {note.words}{by}."
    if about.rework and about.before:
        failed = about.before.failed
        text = helped(failed, _names(run, ("fail",)), not_measured=_is_open(run, failed))
        yield f"{text[0].upper()}{text[1:]}."
    yield from history_words(about)


def history_words(about: About) -> Iterator[str]:
    """Where it was measured before, if not here, and how often with nothing done to it."""
    if (before := about.before) and before.bench:
        failed = f", {', '.join(before.failed)}" if before.failed else ""
        yield f"The run before it was at bench {before.bench!r}, {before.finished_at}: {before.outcome}{failed}."
    if about.runs_untouched >= MANY:
        yield f"This unit was measured for the {ordinal(about.runs_untouched)} time with nothing done to it."


def _names(run: Run, outcomes: Sequence[str]) -> list[str]:
    return [
        " ".join(filter(None, (result.name, verdict.quantity, verdict.subject)))
        for result in run.results
        for verdict in result.verdicts
        if verdict.outcome in outcomes
    ]


def _is_open(run: Run, before: Sequence[str]) -> bool:
    """Whether some reading that failed before was not judged this time: what was not measured is not cured."""
    judged = set(_names(run, ("pass", "fail")))
    return any(name not in judged for name in before) or (run.outcome == "void" and not before)


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 4th ..."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
