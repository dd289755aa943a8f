"""What every window at the bench shows, as one value, and what each event of a run makes of it: pure."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from rig.design.kit import Kit
from rig.report import words
from rig.report.certificate import failures
from rig.report.findings_text import titled
from rig.report.unproved import void_reason
from rig.screen.soak_progress import (
    Watched,
    coil_words,
    degrees,
    drive_words,
    hot_words,
    leads_to,
    meter_words,
    nearest,
    programme_words,
    time_words,
)
from rig.screen.terminal import sound_s
from rig.store.run_json import Record
from rig.values.names import NOT_DONE
from rig.values.requests import Request
from rig.values.run import Asked, Captured, Event, Judged, Logged, Run, StageReached, Started
from rig.values.verdicts import CheckResult, Outcome
from rig.verdict.guard import AMBIENT

Phase = Literal["idle", "chosen", "busy", "asking", "sounding", "done"]
#: The sentence that is read from two metres has at least so many characters; a heading alone says too little. A choice
#: of layout.
SHORTEST_STEP = 24
#: Lines of what failed beside the verdict; the report has all. A choice of layout.
MOST_FAILURES = 4
AMBIENT_NAME = "ambient"


@dataclass(frozen=True)
class Unit:
    """One unit in front of the microphone."""

    kit: str
    title: str
    serial: str
    plan: str
    #: The kit's plans, the usual one first; empty: it has none.
    plans: tuple[str, ...] = ()
    #: Earlier runs, the newest first.
    history: tuple["HistoryLine", ...] = ()


@dataclass(frozen=True)
class HistoryLine:
    """An earlier run of the unit: a run's name, its verdict, what failed or is void; or a note of rework."""

    run: str
    at: str
    outcome: Outcome | None
    words: str


@dataclass(frozen=True)
class Light:
    """A check of the run: its outcome as soon as it is judged."""

    name: str
    title: str
    outcome: Outcome | None = None


@dataclass(frozen=True)
class Question:
    """What a person has to do before anything goes on; numbered, so that no answer meets another question."""

    number: int
    step: str
    more: str


@dataclass(frozen=True)
class Sounding:
    """What sounds, since when by `time.monotonic`, and how much sound is still to come in all."""

    what: str
    number: int
    of: int
    began_s: float
    left_s: float


@dataclass(frozen=True)
class Result:
    """What a run came to."""

    outcome: Outcome
    meaning: str
    failed: tuple[str, ...]
    more_failed: int
    findings: tuple[tuple[str, list[tuple[str, list[tuple[str, str]]]]], ...]
    advice: str
    time: str
    #: Path of the record below `results/`.
    record: str = ""


@dataclass(frozen=True)
class Soak:
    """A soak under way: temperatures as last read, where they lead, and what would stop it first."""

    words: str
    time: str
    #: Place, temperature, rise that it leads to.
    rows: tuple[tuple[str, str, str], ...]
    #: What would stop it first, and how far it is on the way there, 0 to 1.
    near: str
    near_share: float
    hot: str
    beside: tuple[str, ...]
    events: tuple[str, ...]


@dataclass(frozen=True)
class View:
    """What every window shows."""

    phase: Phase = "idle"
    unit: Unit | None = None
    #: What became of the last scan or key, where that has to be said.
    notice: str = ""
    checks: tuple[Light, ...] = ()
    stage: str = ""
    place: str = ""
    question: Question | None = None
    sounding: Sounding | None = None
    disturbed: str = ""
    soak: Soak | None = None
    result: Result | None = None
    #: The window that may answer; None: the next one that asks.
    answering: str | None = None
    #: Whether a note of rework is being written.
    is_reworking: bool = False
    requests: tuple[Request, ...] = field(default=(), repr=False)


def after(view: View, event: Event, soak: Soak | None) -> View:
    """What is shown after an event; `soak` is what is shown of a soak under way."""
    match event:
        case StageReached(stage, _):
            return replace(view, stage=stage, phase="busy", sounding=None)
        case Asked():
            return replace(view, phase="busy", sounding=None)
        case Started(request, number, of, attempt):
            left_s = sum(sound_s(one) for one in view.requests[number - 1 :])
            again = f", taken again ({attempt})" if attempt > 1 else ""
            now = Sounding(f"{request}{again}", number, of, time.monotonic(), left_s)
            return replace(view, phase="sounding", question=None, sounding=now, soak=soak)
        case Captured(_, troubles):
            return replace(view, disturbed="; ".join(troubles))
        case Logged():
            return replace(view, soak=soak)
        case Judged(result):
            return replace(view, checks=tuple(_lit(one, result) for one in view.checks))
    return view


def _lit(light: Light, result: CheckResult) -> Light:
    return replace(light, outcome=result.outcome) if light.name == result.name else light


def asked(view: View, text: str, number: int) -> View:
    """What is shown while a person is asked."""
    step, more = first_sentence(text)
    return replace(view, phase="asking", question=Question(number, step, more), sounding=None)


def first_sentence(text: str) -> tuple[str, str]:
    """The first sentences of what is to be done, long enough to say something, and the rest."""
    text = text.strip()
    end = 0
    while end < len(text) and end < SHORTEST_STEP:
        ends = [at for at in (text.find(f"{mark} ", end) for mark in ".:?!") if at >= 0]
        ends += [at for at in (text.find("\n", end),) if at >= 0]
        end = min(ends) + 1 if ends else len(text)
    return " ".join(text[:end].split()), text[end:].strip()


def finished(view: View, run: Run, kit: Kit, record: Record) -> View:
    """What is shown of a run that has ended."""
    return replace(view, phase="done", question=None, sounding=None, soak=None, result=_result(run, kit, record))


def _result(run: Run, kit: Kit, record: Record) -> Result:
    meaning = words.MEANINGS[run.outcome]
    failed = [f"{name}: {words.reason_words(verdict)}" for name, verdict in failures(run, kit)]
    return Result(
        outcome=run.outcome,
        meaning=f"{meaning[0].upper()}{meaning[1:]}."
        + (f" {void_reason(run)}" if run.stopped or run.outcome == "void" else ""),
        failed=tuple(failed[:MOST_FAILURES]),
        more_failed=max(len(failed) - MOST_FAILURES, 0),
        findings=tuple(titled(run.findings)),
        advice=run.bench_advice,
        time=words.time_words(run.timing) if run.timing.sound_s else "",
        record="/".join(record.folder.parts[-3:]),
    )


def history(records: Sequence[Record]) -> tuple[HistoryLine, ...]:
    """Earlier runs of a unit and the reworks between them, the newest first."""
    lines: list[HistoryLine] = []
    for record in records:
        for rework in record.rework:
            lines.append(HistoryLine("", rework.at, None, f"rework: {rework.words}"))
        lines.append(HistoryLine(record.run, record.started_at, record.outcome, troubles(record)))
    return tuple(reversed(lines))


def troubles(record: Record) -> str:
    """The checks that did not pass in a run, or why it ended; empty: all passed."""
    bad = [entry for entry in record.results if entry.outcome != "pass"]
    return ", ".join(entry.title for entry in bad if not entry.reason.startswith(NOT_DONE)) or record.stopped


def soak_shown(watched: Watched) -> Soak:
    """What is shown of a soak."""
    outlooks = {one.role: one for one in watched.outlooks}
    near = nearest(watched)
    rows = tuple(
        (role.role, degrees(watched.now(role.column)), leads_to(outlooks.get(role.role)))
        for role in watched.programme.guard.roles
        if role.unit == "celsius"
    )
    beside = (coil_words(watched), drive_words(watched), meter_words(watched))
    return Soak(
        words=programme_words(watched.programme),
        time=time_words(watched),
        rows=(*rows, (AMBIENT_NAME, degrees(watched.now(AMBIENT)), "")),
        near=f"{near.words}" if near else "",
        near_share=min(max(near.share, 0.0), 1.0) if near else 0.0,
        hot=hot_words(watched),
        beside=tuple(one for one in beside if one),
        events=tuple(f"{words.lapse(seconds)}: {text}" for seconds, text in watched.events),
    )
