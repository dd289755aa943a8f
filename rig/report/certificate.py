"""The certificate of one run: a single page of HTML with everything in it, for the screen and for A4 paper."""

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from jinja2 import Template
from markupsafe import Markup

import checks
from checks.distortion import HARMONICS
from checks.heat import RISE
from checks.response import FREE_FIELD_LEVEL
from rig.circuit.notation import hertz
from rig.design.kit import Kit
from rig.drawing.svg import HATCHING
from rig.report import heat, words
from rig.report.conditions import bench_settings, calibrations, conditions, repeated_captures
from rig.report.figures import Panel, band_verdicts, curves_svg, panels_of
from rig.report.findings_text import rework_words, titled
from rig.report.templates import environment
from rig.report.unproved import ended_early, merged_by_reason, merged_lines, not_checked, unjudged_ranges, void_reason
from rig.store.run_json import Record, SoundEntry
from rig.values.names import GUARD
from rig.values.readings import Curve, Reading
from rig.values.run import Run
from rig.values.verdicts import CheckResult, Verdict
from rig.verdict.guard import STEADY_RISE

#: Lines of what failed at the top of the page; the rest is counted; layout.
MOST_FAILURES = 8
#: Panels in a row of the figure on the first page; layout.
OVERVIEW_COLUMNS = 3
OVERVIEW = FREE_FIELD_LEVEL
#: Order of the highest harmonic that is drawn although no limit judges it; layout.
HIGHEST_DRAWN = 3


Shown = TypeVar("Shown", Reading, Verdict)


@dataclass(frozen=True)
class Section:
    """One check as the certificate shows it."""

    result: CheckResult
    #: The verdicts, those that did not pass first.
    verdicts: tuple[Verdict, ...]
    #: Numbers that were read and that no limit judges.
    unjudged: tuple[Reading, ...]
    #: Quantity and its drawings, each a row of panels that no page break may cut.
    figures: tuple[tuple[str, list[Markup]], ...]
    methods: tuple[str, ...]
    #: Quantities of curves that are only in the record.
    not_drawn: tuple[str, ...] = ()
    #: What can be listened to, and the file beside the certificate.
    sounds: tuple[tuple[str, str, str], ...] = ()


def certificate(record: Record, run: Run, kit: Kit) -> str:
    """The certificate of a run as one HTML file that needs nothing from outside.

    Parameters
    ----------
    record, run, kit
        What run.json holds; the run with its curves and verdicts; the kit it was judged by.
    """
    sounds = {part.check: part.sounds for part in record.results}
    sections = [section(result, kit, sounds.get(result.name, ())) for result in run.results]
    return _template().render(
        d=record,
        run=run,
        kit=kit,
        meaning=meaning(run, record),
        sections=sections,
        # A check of which nothing was read has its reason in the summary and among what was not checked.
        read_sections=[part for part in sections if part.verdicts or part.figures or part.unjudged],
        failures=failures(run, kit),
        most_failures=MOST_FAILURES,
        findings=titled(run.findings),
        reworked=list(rework_words(run, record)),
        decision=kit.decision.words(),
        overview=overview(run, kit),
        plan=plan_words(kit, record.plan),
        stopped_by_guard=heat.stop_words(run),
        settled=heat.early_words(run),
        interrupted=heat.interrupted_words(run, record),
        soaks=(soaks := heat.soaks(run, kit)),
        not_checked=merged_lines(not_checked(run, kit, record.plan)),
        ranges=unjudged_ranges(run),
        conditions=list(conditions(run, kit)),
        bench=list(words.flat(bench_settings(record.bench))),
        repeated_captures=repeated_captures(run),
        simulated=record.bench.get("kind") == "simulated",
        disturbed=[(capture, troubles) for capture, troubles in run.captures if troubles],
        calibrations=list(calibrations(run)),
        terms=words.terms_in(_all_words(sections, bool(soaks)), _meanings(run)),
        time=words.time_words(run.timing),
        odd=[*record.set_aside, *record.clock],
        ended_early=lambda result: ended_early(result, run),
        hatching=Markup(HATCHING),
        footer=css_text(f"{record.serial}, run {record.run_number} ({record.run})"),
    )


def _template() -> Template:
    templates = environment(Path(__file__).parent)
    templates.filters |= {
        "value": words.value_words,
        "limit": words.limit_words,
        "margin": words.margin_words,
        "reason": words.reason_words,
        "moment": words.moment,
        "number": words.number,
        "hertz": lambda value: hertz(value) if math.isfinite(value) else words.NONE,
        "close": words.within_uncertainty,
        "conformity": words.conformity_words,
        "word": words.VERDICT_WORDS.__getitem__,
    }
    templates.tests["shifted"] = words.is_shifted
    return templates.get_template("certificate.html")


def css_text(text: str) -> Markup:
    """Text as the inside of a CSS string; nothing in it can end the string or the style sheet."""
    return Markup(re.sub(r"[^A-Za-z0-9 ,()]", lambda found: f"\\{ord(found[0]):x} ", text))


def section(result: CheckResult, kit: Kit, sounds: Sequence[SoundEntry] = ()) -> Section:
    """A check's readings in the order in which they are to be read, its drawings and its sounds."""
    judged = {(verdict.quantity, verdict.subject) for verdict in result.verdicts}
    unjudged = [_bounded(r, r) for r in result.read.readings if (r.quantity, r.subject) not in judged]
    read = {(r.quantity, r.subject): r for r in result.read.readings}
    limits = kit.limits.get(result.name, {})
    bands = band_verdicts(result.read.curves, result.verdicts, limits)
    panels = panels_of(result.read.curves, [*result.verdicts, *bands])
    verdicts = [_bounded(v, read.get((v.quantity, v.subject))) for v in result.verdicts]
    return Section(
        result=result,
        verdicts=tuple(words.worst_first(verdicts, limits)),
        unjudged=tuple(unjudged),
        figures=tuple(_figures(panels)),
        methods=tuple(_methods(result.read.curves)),
        not_drawn=tuple(quantity for quantity, of in panels.items() if not is_drawn(quantity, of)),
        sounds=tuple((sound.quantity, sound.subject, sound.file) for sound in sounds),
    )


def _bounded(shown: Shown, read: Reading | None) -> Shown:
    """With "at most" before the value when the reading is only a bound."""
    if read is None or not read.at_most or shown.said or not math.isfinite(shown.value):
        return shown
    return replace(shown, said=f"at most {words.value_words(shown)}")


def overview(run: Run, kit: Kit) -> list[Markup]:
    """The free-field levels of all channels on axis, with their limits, as rows of panels; none when none is judged."""
    channels = [channel.name for channel in kit.channels]
    panels = [
        (curve, verdict)
        for result in run.results
        for curve, verdict in panels_of(result.read.curves, result.verdicts).get(OVERVIEW, [])
        if curve.subject in channels and verdict is not None and verdict.mask is not None
    ]
    columns = min(len(panels), OVERVIEW_COLUMNS)
    return [Markup(curves_svg(panels[n : n + columns], columns)) for n in range(0, len(panels), columns or 1)]


def _names(result: CheckResult) -> set[tuple[str, str]]:
    """Quantity and subject of everything that a check read."""
    numbers = {(reading.quantity, reading.subject) for reading in result.read.readings}
    return numbers | {(curve.quantity, curve.subject) for curve in result.read.curves}


def failures(run: Run, kit: Kit) -> list[tuple[str, Verdict]]:
    """What failed, with its name: polarity first, then what is furthest outside for the room its limits leave.

    Where two checks have a reading of the same name, the check is named too.
    """
    in_checks = Counter(name for result in run.results for name in _names(result))
    found = []
    for result in run.results:
        limits = kit.limits.get(result.name, {})
        for verdict in (v for v in result.verdicts if v.outcome == "fail"):
            own = f" ({result.title})" if in_checks[verdict.quantity, verdict.subject] > 1 else ""
            rank = (not (words.is_polarity(verdict) or words.is_guard(verdict)), words.share_of_room(verdict, limits))
            found.append((rank, (f"{verdict.quantity} {verdict.subject}".strip() + own, verdict)))
    return [line for _, line in sorted(found, key=lambda entry: entry[0])]


def _methods(curves: Iterable[Curve]) -> list[str]:
    """How the curves were made; curves made alike share a line."""
    return [f"{of}: {how}" for of, how in merged_by_reason((curve, curve.method) for curve in curves if curve.method)]


def _figures(by_quantity: Mapping[str, Sequence[Panel]]) -> Iterator[tuple[str, list[Markup]]]:
    for quantity, panels in by_quantity.items():
        if not is_drawn(quantity, panels):
            continue
        columns = min(len(panels), 2)
        rows = [panels[first : first + columns] for first in range(0, len(panels), columns)]
        # The drawings are made from numbers and escaped text, so they go into the page as they are.
        yield quantity, [Markup(curves_svg(row, columns)) for row in rows]


def is_drawn(quantity: str, panels: Sequence[Panel]) -> bool:
    """Whether a quantity is worth its place on paper: harmonics above the third only where a limit judges them."""
    is_high = quantity in [HARMONICS[order] for order in HARMONICS if order > HIGHEST_DRAWN]
    return not is_high or any(verdict is not None for _, verdict in panels)


def meaning(run: Run, record: Record) -> str:
    """What the run's verdict means, in one sentence."""
    verdicts = [verdict for result in run.results for verdict in result.verdicts]
    serial = record.serial
    if run.outcome == "pass":
        plan = f" by the plan {record.plan}" if record.plan else ""
        return f"All {len(verdicts)} judged readings of unit {serial}{plan} lie within the limits of its kit."
    if run.outcome == "fail":
        count = {kind: sum(verdict.outcome == kind for verdict in verdicts) for kind in ("fail", "void")}
        text = f"Readings of unit {serial} outside the limits of its kit: {count['fail']} of {len(verdicts)}."
        text += f" {count['void']} more could not be judged." if count["void"] else ""
        return text
    text = f"Nothing is proved: this run says neither that unit {serial} is right nor that it is wrong"
    return f"{text}, because: {void_reason(run)}."


def plan_words(kit: Kit, plan: str) -> str:
    """Which of the kit's plans a run followed; empty where the kit has none."""
    others = [other for other in kit.plans if other != plan]
    text = f"{plan}: {', '.join(name for name in kit.checks if name in kit.plans[plan])}" if plan else ""
    missing = {name for other in others for name in kit.plans[other]} - set(kit.plans.get(plan, kit.checks))
    return text + (f". Not done, of the plan {' and '.join(others)}: see what was not checked" if missing else "")


def _all_words(sections: Sequence[Section], has_soak: bool) -> list[str]:
    """All that is named on a page and may need explaining."""
    heat_words = [GUARD, RISE, STEADY_RISE] if has_soak else []
    return [*heat_words, *(word for part in sections for word in _vocabulary(part))]


def _meanings(run: Run) -> dict[str, str]:
    """Quantity -> what it means; a record from before checks said it is explained by the project's own checks."""
    found: dict[str, str] = {}
    for result in run.results:
        found |= result.terms
    for check in checks.ALL:
        found = {**getattr(check, "TERMS", {}), **found}
    return found


def _vocabulary(part: Section) -> Iterator[str]:
    for verdict in part.verdicts:
        yield from (verdict.quantity, verdict.unit)
    for reading in part.unjudged:
        yield from (reading.quantity, reading.unit)
    yield from (quantity for quantity, _ in part.figures)
    yield from part.methods
    yield from (quantity for quantity, _, _ in part.sounds)
