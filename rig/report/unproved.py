"""What a run proves nothing about: checks that were not made, readings and frequencies that were not judged."""

from collections.abc import Iterable, Iterator

import numpy as np

from rig.circuit.notation import hertz
from rig.design.kit import Kit
from rig.values.readings import Curve, Reading
from rig.values.run import Run
from rig.values.verdicts import CheckResult, Verdict


def not_checked(run: Run, kit: Kit, plan: str = "") -> Iterator[tuple[str, str]]:
    """What this run, by one of the kit's plans or by none, proves nothing about, and why."""
    if run.stopped:
        yield "The rest of the run", run.stopped
    if run.bench_advice:
        yield "The bench", " ".join(run.bench_advice.split())
    used = {capture.request.position for capture, _ in run.captures} | {log.request.position for log, _ in run.logs}
    for position in kit.positions:
        if position.name not in used:
            yield f"microphone {position.name}", "a place that the kit lists, at which nothing was measured"
    yield from _checks_left_out(run, kit, plan)
    for result in run.results:
        if result.outcome == "void" and result.reason:
            yield result.title, run.stopped if ended_early(result, run) else result.reason
        for verdict in result.verdicts:
            if verdict.outcome == "void":
                yield f"{result.title}: {verdict.quantity} {verdict.subject}", verdict.reason
        judged = {(verdict.quantity, verdict.subject) for verdict in result.verdicts}
        every: list[Reading | Curve] = [*result.read.readings, *result.read.curves]
        for read in every:
            if read.trouble and (read.quantity, read.subject) not in judged:
                yield f"{result.title}: {read.quantity} {read.subject}", read.trouble


def _checks_left_out(run: Run, kit: Kit, plan: str) -> Iterator[tuple[str, str]]:
    """Checks of the kit that this run did not make."""
    done = {result.name for result in run.results}
    for name in (name for name in kit.checks if name not in done):
        if plan and name not in kit.plans[plan]:
            others = " and ".join(other for other, names in kit.plans.items() if name in names) or "none"
            yield name, f"no check of the plan {plan}, which this run followed; of the plan {others}"
        else:
            yield name, "listed by the kit, but no part of this run"


def void_reason(run: Run) -> str:
    """Why a run proves nothing: that it was stopped, or what the first of its void checks says."""
    reasons = [_why(result) for result in run.results if result.outcome == "void"]
    return run.stopped or (reasons[0] if reasons else "nothing was judged")


def _why(result: CheckResult) -> str:
    reasons = merged_lines(
        (f"{v.quantity} {v.subject}".strip(), v.reason) for v in result.verdicts if v.outcome == "void"
    )
    text = "; ".join(f"{name.replace('; ', ', ')}: {why}" for name, why in reasons)
    return f"{result.title}: {result.reason or text or 'no verdict'}"


def ended_early(result: CheckResult, run: Run) -> bool:
    """Whether a check was not done because the run had ended, for the run's own reason."""
    return bool(run.stopped) and result.reason == f"not done: {run.stopped}"


def merged_lines(lines: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Names of which the same is said share a line; what their titles (up to a colon) have in common is said once."""
    by_reason: dict[str, dict[str, list[str]]] = {}
    for name, why in lines:
        title, _, rest = name.partition(": ")
        of = by_reason.setdefault(why, {}).setdefault(title, [])
        if rest and rest not in of:
            of.append(rest)
    names = {
        why: [f"{title}: {', '.join(of)}" if of else title for title, of in by.items()] for why, by in by_reason.items()
    }
    return [("; ".join(by), why) for why, by in names.items()]


def unjudged_ranges(run: Run) -> list[tuple[str, str]]:
    """Frequencies at which curves were not judged, and why; curves of which the same is true share a line."""
    from checks.heat import BY_BAND

    lines = []
    for result in run.results:
        judged = {(verdict.quantity, verdict.subject): verdict for verdict in result.verdicts}
        names = [(curve.quantity.removesuffix(BY_BAND), curve.subject) for curve in result.read.curves]
        curves = zip(result.read.curves, map(judged.get, names), strict=True)
        ranges = ((curve, why) for curve, verdict in curves for why in _ranges(curve, verdict))
        lines += [(f"{result.title}: {of}", why) for of, why in merged_by_reason(ranges)]
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
    ranges = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        first, last = hertz(curve.frequency_hz[start]), hertz(curve.frequency_hz[stop - 1])
        ranges.append(f"at {first}" if first == last else f"{first} to {last}")
    return ranges


def merged_by_reason(reasons: Iterable[tuple[Curve, str]]) -> list[tuple[str, str]]:
    """Curves of which the same is reported, by quantities and subjects, and what is reported."""
    subjects: dict[tuple[str, str], list[str]] = {}
    for curve, words_of_it in reasons:
        subjects.setdefault((words_of_it, curve.quantity), []).append(curve.subject)
    alike: dict[tuple[str, str], list[str]] = {}
    for (words_of_it, quantity), of in subjects.items():
        alike.setdefault((words_of_it, ", ".join(of)), []).append(quantity)
    return [(f"{', '.join(quantities)} of {of}", words_of_it) for (words_of_it, of), quantities in alike.items()]
