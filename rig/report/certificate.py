"""The certificate of one run: a single page of HTML with everything in it, for the screen and for A4 paper."""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from rig.judge import Outcome, Verdict, hertz
from rig.kit import Kit
from rig.readings import Calibration, Capture, Curve, Reading
from rig.report import words
from rig.sequencer import Run
from rig.verdicts import CheckResult

STAGE_WORDS = {"leads": "at the bare leads", "playing": "playing", "soak": "long loud playing"}


@dataclass(frozen=True)
class Section:
    """One check as the certificate shows it."""

    result: CheckResult
    #: The verdicts, those that did not pass first.
    verdicts: tuple[Verdict, ...]
    #: Numbers that were read and that no limit judges.
    unjudged: tuple[Reading, ...]
    #: Quantity and drawing.
    figures: tuple[tuple[str, Markup], ...]
    methods: tuple[str, ...]


def certificate(document: dict[str, Any], run: Run, kit: Kit) -> str:
    """The certificate of a run as one HTML file that needs nothing from outside.

    Parameters
    ----------
    document
        What becomes run.json.
    run, kit
        The run with its curves and verdicts, and the kit it was judged by.
    """
    sections = [section(result) for result in run.results]
    bench = document.get("bench")
    return _template().render(
        d=document,
        run=run,
        kit=kit,
        meaning=meaning(run, document),
        sections=sections,
        not_checked=list(not_checked(run, kit)),
        conditions=list(conditions(run, kit)),
        bench=list(words.flat(bench)) if isinstance(bench, Mapping) else [],
        simulated=isinstance(bench, Mapping) and bench.get("kind") == "simulated",
        disturbed=[(capture, troubles) for capture, troubles in run.captures if troubles],
        calibrations=list(calibrations(run)),
        terms=words.terms_in([word for part in sections for word in _vocabulary(part)]),
        ratio=run.timing.cycle_s / run.timing.sound_s if run.timing.sound_s > 0 else math.nan,
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
        "word": words.VERDICT_WORDS.__getitem__,
    }
    return environment.get_template("certificate.html")


def css_text(text: str) -> Markup:
    """Text as the inside of a CSS string; nothing in it can end the string or the style sheet."""
    return Markup(re.sub(r"[^A-Za-z0-9 ,()]", lambda found: f"\\{ord(found[0]):x} ", text))


def section(result: CheckResult) -> Section:
    """A check's readings in the order in which they are to be read, and its drawings."""
    judged = {(verdict.quantity, verdict.subject) for verdict in result.verdicts}
    unjudged = [r for r in result.read.readings if (r.quantity, r.subject) not in judged]
    methods = dict.fromkeys(f"{c.quantity}, {c.subject}: {c.method}" for c in result.read.curves if c.method)
    return Section(
        result=result,
        verdicts=tuple(words.worst_first(result.verdicts)),
        unjudged=tuple(unjudged),
        figures=tuple(_figures(result)),
        methods=tuple(methods),
    )


def _figures(result: CheckResult) -> Iterator[tuple[str, Markup]]:
    if not result.read.curves:
        return
    # Loading the drawing library takes as long as all else; a run without curves does without.
    from rig.report.figures import curves_svg, panels_of

    for quantity, panels in panels_of(result.read.curves, result.verdicts).items():
        # The drawing is made here from numbers and escaped text, so it goes into the page as it is.
        yield quantity, Markup(curves_svg(panels))


def meaning(run: Run, document: Mapping[str, Any]) -> str:
    """What the run's verdict means, in one sentence."""
    verdicts = [verdict for result in run.results for verdict in result.verdicts]
    serial = document["serial"]
    if run.outcome == "pass":
        return f"Unit {serial} keeps all {len(verdicts)} limits that its kit sets."
    if run.outcome == "fail":
        failed = sum(verdict.outcome == "fail" for verdict in verdicts)
        return f"Unit {serial} is outside {failed} of the {len(verdicts)} limits that its kit sets."
    why = run.stopped or next((_why(result) for result in run.results if result.outcome == "void"), "nothing was judged")
    return f"Nothing is proved: this run says neither that unit {serial} is right nor that it is wrong, because: {why}."


def _why(result: CheckResult) -> str:
    reasons = [f"{v.quantity} {v.subject}: {v.reason}" for v in result.verdicts if v.outcome == "void"]
    return f"{result.title}: {result.reason or '; '.join(reasons) or 'no verdict'}"


def not_checked(run: Run, kit: Kit) -> Iterator[tuple[str, str]]:
    """What this run proves nothing about, and why."""
    if run.stopped:
        yield "The rest of the run", run.stopped
    done = {result.name for result in run.results}
    for name in kit.checks:
        if name not in done:
            yield name, "listed by the kit, but no part of this run"
    for result in run.results:
        if result.outcome == "void" and result.reason:
            yield result.title, result.reason
        for verdict in result.verdicts:
            if verdict.outcome == "void":
                yield f"{result.title}: {verdict.quantity} {verdict.subject}", verdict.reason
        yield from _unjudged_parts(result)


def _unjudged_parts(result: CheckResult) -> Iterator[tuple[str, str]]:
    judged = {(v.quantity, v.subject): v for v in result.verdicts}
    for curve in result.read.curves:
        verdict = judged.get((curve.quantity, curve.subject))
        name = f"{result.title}: {curve.quantity} {curve.subject}"
        if curve.trouble and verdict is None:
            yield name, curve.trouble
        if verdict is None:
            yield name, "read, but the kit sets no limit for it"
        elif verdict.mask is not None:
            yield name, f"judged from {hertz(verdict.mask.frequency_hz[0])} to {hertz(verdict.mask.frequency_hz[-1])} only"
        ranges = untrusted_ranges(curve)
        if ranges:
            yield name, f"not to be trusted, so not judged: {', '.join(ranges)}"
    for reading in result.read.readings:
        if reading.trouble and (reading.quantity, reading.subject) not in judged:
            yield f"{result.title}: {reading.quantity} {reading.subject}", reading.trouble


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
        requests = {capture.request for capture in captures if capture.request.stage == stage}
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
    repeats = sum(capture.attempt > 1 for capture in captures)
    yield "captures", f"{len(captures)}, of which {repeats} were repeats"


def calibrations(run: Run) -> Iterator[tuple[str, str]]:
    """What the captures' calibrations say about the bench, each calibration once."""
    known: list[Calibration] = []
    for capture, _ in run.captures:
        if not any(capture.calibration is seen for seen in known):
            known.append(capture.calibration)
    for number, calibration in enumerate(known, 1):
        own = f" ({number})" if len(known) > 1 else ""
        yield from ((name + own, told) for name, told in _calibration(calibration))


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


def outcomes(results: Sequence[CheckResult]) -> dict[Outcome, int]:
    """How many checks passed, failed and are void."""
    told: dict[Outcome, int] = {"pass": 0, "fail": 0, "void": 0}
    for result in results:
        told[result.outcome] += 1
    return told


def capture_words(capture: Capture) -> str:
    """A capture as it is named in the list of disturbances."""
    return f"{capture.request}, attempt {capture.attempt}"
