"""The certificate of one run: a single page of HTML with everything in it, for the screen and for A4 paper."""

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from rig.judge import Verdict, hertz
from rig.kit import Kit
from rig.readings import Calibration, Capture, Curve, Reading
from rig.report import words
from rig.report.figures import HATCHING, Panel, curves_svg, panels_of
from rig.sequencer import Run
from rig.verdicts import CheckResult

STAGE_WORDS = {"leads": "at the bare leads", "playing": "playing", "soak": "around long loud playing", "after": "at the bare leads afterwards"}


#: Lines of what failed at the top of the page; the rest is counted.
MOST_FAILURES = 8
#: Panels in a row of the figure on the first page.
OVERVIEW_COLUMNS = 3
OVERVIEW = "free-field level"
#: Order of the highest harmonic that is drawn although no limit judges it.
HIGHEST_DRAWN = 3


Told = TypeVar("Told", Reading, Verdict)


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
    sounds: tuple[tuple[str, str], ...] = ()


def certificate(document: dict[str, Any], run: Run, kit: Kit) -> str:
    """The certificate of a run as one HTML file that needs nothing from outside.

    Parameters
    ----------
    document
        What becomes run.json.
    run, kit
        The run with its curves and verdicts, and the kit it was judged by.
    """
    sounds = {part["check"]: part["sounds"] for part in document.get("results", ())}
    sections = [section(result, kit, sounds.get(result.name, ())) for result in run.results]
    bench = document.get("bench")
    return _template().render(
        d=document,
        run=run,
        kit=kit,
        meaning=meaning(run, document),
        sections=sections,
        # A check of which nothing was read has its reason in the summary and among what was not checked.
        told=[part for part in sections if part.verdicts or part.figures or part.unjudged],
        failures=failures(run, kit),
        most_failures=MOST_FAILURES,
        overview=overview(run, kit),
        not_checked=together(not_checked(run, kit)),
        ranges=unjudged_ranges(run),
        conditions=list(conditions(run, kit)),
        bench=list(words.flat(told_of_bench(bench))) if isinstance(bench, Mapping) else [],
        played_again=played_again(run),
        simulated=isinstance(bench, Mapping) and bench.get("kind") == "simulated",
        disturbed=[(capture, troubles) for capture, troubles in run.captures if troubles],
        calibrations=list(calibrations(run)),
        terms=words.terms_in([word for part in sections for word in _vocabulary(part)]),
        ratio=run.timing.cycle_s / run.timing.sound_s if run.timing.sound_s > 0 else math.nan,
        ended_early=lambda result: _ended_early(result, run),
        hatching=Markup(HATCHING),
        footer=css_text(f"{document['serial']}, run {document['run_number']} ({document['run']})"),
    )


@lru_cache(maxsize=1)
def _template() -> Template:
    folder = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "value": words.value_words,
        "limit": words.limit_words,
        "margin": words.margin_words,
        "reason": words.reason_words,
        "moment": words.moment,
        "seconds": words.seconds,
        "number": words.number,
        "hertz": lambda value: hertz(value) if math.isfinite(value) else words.NONE,
        "close": words.within_uncertainty,
        "word": words.VERDICT_WORDS.__getitem__,
    }
    environment.tests["shifted"] = words.is_shifted
    return environment.get_template("certificate.html")


def css_text(text: str) -> Markup:
    """Text as the inside of a CSS string; nothing in it can end the string or the style sheet."""
    return Markup(re.sub(r"[^A-Za-z0-9 ,()]", lambda found: f"\\{ord(found[0]):x} ", text))


def section(result: CheckResult, kit: Kit, sounds: Sequence[Mapping[str, Any]] = ()) -> Section:
    """A check's readings in the order in which they are to be read, its drawings and its sounds (as in run.json)."""
    judged = {(verdict.quantity, verdict.subject) for verdict in result.verdicts}
    unjudged = [_bounded(r, r) for r in result.read.readings if (r.quantity, r.subject) not in judged]
    read = {(r.quantity, r.subject): r for r in result.read.readings}
    panels = panels_of(result.read.curves, result.verdicts)
    verdicts = [_bounded(v, read.get((v.quantity, v.subject))) for v in result.verdicts]
    return Section(
        result=result,
        verdicts=tuple(words.worst_first(verdicts, kit.limits.get(result.name, {}))),
        unjudged=tuple(unjudged),
        figures=tuple(_figures(result)),
        methods=tuple(_methods(result.read.curves)),
        not_drawn=tuple(quantity for quantity, of in panels.items() if not is_drawn(quantity, of)),
        sounds=tuple((f"{sound['quantity']} {sound['subject']}", sound["file"]) for sound in sounds),
    )


def _bounded(shown: Told, read: Reading | None) -> Told:
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
            rank = (not words.is_polarity(verdict), words.share_of_room(verdict, limits))
            found.append((rank, (f"{verdict.quantity} {verdict.subject}{own}", verdict)))
    return [line for _, line in sorted(found, key=lambda entry: entry[0])]


def _methods(curves: Iterable[Curve]) -> list[str]:
    """How the curves were made; curves made alike share a line."""
    return [f"{of}: {how}" for of, how in _alike((curve, curve.method) for curve in curves if curve.method)]


def _alike(told: Iterable[tuple[Curve, str]]) -> list[tuple[str, str]]:
    """Curves of which the same is told, by quantities and subjects, and what is told."""
    subjects: dict[tuple[str, str], list[str]] = {}
    for curve, words_of_it in told:
        subjects.setdefault((words_of_it, curve.quantity), []).append(curve.subject)
    alike: dict[tuple[str, str], list[str]] = {}
    for (words_of_it, quantity), of in subjects.items():
        alike.setdefault((words_of_it, ", ".join(of)), []).append(quantity)
    return [(f"{', '.join(quantities)} of {of}", words_of_it) for (words_of_it, of), quantities in alike.items()]


def _figures(result: CheckResult) -> Iterator[tuple[str, list[Markup]]]:
    for quantity, panels in panels_of(result.read.curves, result.verdicts).items():
        if not is_drawn(quantity, panels):
            continue
        columns = min(len(panels), 2)
        rows = [panels[first : first + columns] for first in range(0, len(panels), columns)]
        # The drawings are made from numbers and escaped text, so they go into the page as they are.
        yield quantity, [Markup(curves_svg(row, columns)) for row in rows]


def is_drawn(quantity: str, panels: Sequence[Panel]) -> bool:
    """Whether a quantity is worth its place on paper: harmonics above the third only where a limit judges them."""
    order = re.fullmatch(r"harmonic (\d+)", quantity)
    return not order or int(order[1]) <= HIGHEST_DRAWN or any(verdict is not None for _, verdict in panels)


def meaning(run: Run, document: Mapping[str, Any]) -> str:
    """What the run's verdict means, in one sentence."""
    verdicts = [verdict for result in run.results for verdict in result.verdicts]
    serial = document["serial"]
    if run.outcome == "pass":
        return f"All {len(verdicts)} judged readings of unit {serial} lie within the limits of its kit."
    if run.outcome == "fail":
        count = {kind: sum(verdict.outcome == kind for verdict in verdicts) for kind in ("fail", "void")}
        told = f"Readings of unit {serial} outside the limits of its kit: {count['fail']} of {len(verdicts)}."
        told += f" Of {count['void']} nothing is proved." if count["void"] else ""
        return told
    reasons = [_why(result) for result in run.results if result.outcome == "void"]
    why = run.stopped or (reasons[0] if reasons else "nothing was judged")
    return f"Nothing is proved: this run says neither that unit {serial} is right nor that it is wrong, because: {why}."


def _why(result: CheckResult) -> str:
    reasons = [f"{v.quantity} {v.subject}: {v.reason}" for v in result.verdicts if v.outcome == "void"]
    return f"{result.title}: {result.reason or '; '.join(reasons) or 'no verdict'}"


def not_checked(run: Run, kit: Kit) -> Iterator[tuple[str, str]]:
    """What this run proves nothing about, and why."""
    if run.stopped:
        yield "The rest of the run", run.stopped
    used = {capture.request.position for capture, _ in run.captures}
    for position in kit.positions:
        if position.name not in used:
            yield f"microphone {position.name}", "a place that the kit lists, at which nothing was measured"
    done = {result.name for result in run.results}
    for name in kit.checks:
        if name not in done:
            yield name, "listed by the kit, but no part of this run"
    for result in run.results:
        if result.outcome == "void" and result.reason:
            yield result.title, run.stopped if _ended_early(result, run) else result.reason
        for verdict in result.verdicts:
            if verdict.outcome == "void":
                yield f"{result.title}: {verdict.quantity} {verdict.subject}", verdict.reason
        judged = {(verdict.quantity, verdict.subject) for verdict in result.verdicts}
        every: list[Reading | Curve] = [*result.read.readings, *result.read.curves]
        for read in every:
            if read.trouble and (read.quantity, read.subject) not in judged:
                yield f"{result.title}: {read.quantity} {read.subject}", read.trouble


def _ended_early(result: CheckResult, run: Run) -> bool:
    """Whether a check was not done because the run had ended, for the run's own reason."""
    return bool(run.stopped) and result.reason == f"not done: {run.stopped}"


def together(lines: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Names of which the same is said share a line; what their titles (up to a colon) have in common is said once."""
    told: dict[str, dict[str, list[str]]] = {}
    for name, why in lines:
        title, _, rest = name.partition(": ")
        of = told.setdefault(why, {}).setdefault(title, [])
        if rest and rest not in of:
            of.append(rest)
    names = {
        why: [f"{title}: {', '.join(of)}" if of else title for title, of in by.items()] for why, by in told.items()
    }
    return [("; ".join(by), why) for why, by in names.items()]


def unjudged_ranges(run: Run) -> list[tuple[str, str]]:
    """Frequencies at which curves were not judged, and why; curves of which the same is true share a line."""
    lines = []
    for result in run.results:
        judged = {(verdict.quantity, verdict.subject): verdict for verdict in result.verdicts}
        curves = [(curve, judged.get((curve.quantity, curve.subject))) for curve in result.read.curves]
        alike = _alike((curve, why) for curve, verdict in curves for why in _ranges(curve, verdict))
        lines += [(f"{result.title}: {of}", why) for of, why in alike]
    return lines


def _ranges(curve: Curve, verdict: Verdict | None) -> Iterator[str]:
    if verdict is None:
        yield "the kit sets no limit for it"
    elif verdict.mask is not None:
        first, last = verdict.mask.frequency_hz[0], verdict.mask.frequency_hz[-1]
        yield f"the limits run from {hertz(first)} to {hertz(last)}; nothing is judged beyond"
    ranges = untrusted_ranges(curve)
    if ranges:
        yield f"could not be trusted: {', '.join(ranges)}"


def untrusted_ranges(curve: Curve) -> list[str]:
    """The stretches of a curve that cannot be trusted, in words."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], ~curve.valid, [False]]).astype(int)))
    told = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        first, last = hertz(curve.frequency_hz[start]), hertz(curve.frequency_hz[stop - 1])
        told.append(f"at {first}" if first == last else f"{first} to {last}")
    return told


def conditions(run: Run, kit: Kit) -> Iterator[tuple[str, str]]:
    """How it was measured, as far as the captures tell."""
    captures = [capture for capture, _ in run.captures]
    if not captures:
        yield "captures", "none: nothing was played"
        return
    rates = sorted({capture.sample_rate_hz for capture in captures})
    yield "sample rate", ", ".join(f"{rate:g} Hz" for rate in rates) + ", as read back from the device"
    for stage in dict.fromkeys(capture.request.stage for capture in captures):
        asked = {capture.request for capture in captures if capture.request.stage == stage}
        silent = sorted({request.seconds for request in asked if request.is_silence})
        if silent:
            yield f"silence {STAGE_WORDS[stage]}", " and ".join(f"{seconds:g} s" for seconds in silent)
        requests = {request for request in asked if not request.is_silence}
        if not requests:
            continue
        levels = sorted({request.level_v for request in requests})
        yield f"level {STAGE_WORDS[stage]}", " and ".join(f"{level:g} V" for level in levels) + " RMS"
        sweeps = {f"{r.start_hz:g} Hz to {r.stop_hz:g} Hz in {r.seconds:g} s" for r in requests}
        yield f"sweeps {STAGE_WORDS[stage]}", "; ".join(sorted(sweeps))
    used = {capture.request.position for capture in captures if capture.request.position}
    for position in kit.positions:
        if position.name in used:
            where = f"{position.distance_m:g} m in front of the box, {position.angle_deg:g} degrees off its axis"
            yield f"microphone {position.name}", where
    degrees = sorted({c.calibration.air_celsius for c in captures if c.calibration.air_celsius is not None})
    yield "air temperature", ", ".join(f"{value:g} °C" for value in degrees) or "not measured"
    looks = len(played_again(run))
    repeats = sum(capture.attempt > 1 for capture in captures) - looks
    told = f"{len(captures)}, of these {repeats} repeated after a disturbance"
    yield "captures", told + (f" and {looks} played again for a second look" if looks else "")


def played_again(run: Run) -> list[Capture]:
    """Second looks: captures of what had been played before and had not been disturbed then."""
    undisturbed = {(c.request, c.attempt) for c, troubles in run.captures if not troubles}
    return [c for c, _ in run.captures if c.attempt > 1 and (c.request, c.attempt - 1) in undisturbed]


def told_of_bench(bench: Mapping[str, Any]) -> Mapping[str, Any]:
    """A bench's description; what only a simulated bench has is left out of a real one's."""
    if bench.get("kind") == "simulated":
        return bench
    return {key: value for key, value in bench.items() if key not in ("seed", "faults")}


def calibrations(run: Run) -> Iterator[tuple[str, str]]:
    """What the captures' calibrations say about the bench, each calibration once."""
    known = list(dict.fromkeys(tuple(_calibration(capture.calibration)) for capture, _ in run.captures))
    for number, lines in enumerate(known, 1):
        own = f" ({number})" if len(known) > 1 else ""
        yield from ((name + own, told) for name, told in lines)


def _calibration(calibration: Calibration) -> Iterator[tuple[str, str]]:
    gain = calibration.microphone_v_per_pa
    yield "microphone", f"{gain * 1e3:.4g} mV/Pa" if gain else "not calibrated: levels are relative"
    sign = calibration.microphone_sign
    signs = {1: "positive voltage for a rise of pressure", -1: "negative voltage for a rise of pressure"}
    yield "sign of the microphone", signs.get(sign, "not known") if sign else "not known"
    if calibration.sense_ohm is None:
        yield "sense resistor", "not known"
    else:
        yield "sense resistor", f"{calibration.sense_ohm:g} ohm in the {calibration.sense_in} lead"
    load = calibration.known_load
    told = f"{load.load_ohm:g} ohm, {words.moment(load.made_at)}" if load else "never measured"
    yield "inputs compared on a known load", told


def _vocabulary(part: Section) -> Iterator[str]:
    for verdict in part.verdicts:
        yield from (verdict.quantity, verdict.unit)
    for reading in part.unjudged:
        yield from (reading.quantity, reading.unit)
    yield from (quantity for quantity, _ in part.figures)
    yield from part.methods
    yield from (name for name, _ in part.sounds)
