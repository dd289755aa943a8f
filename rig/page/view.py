"""What every window at the bench shows, as one value, and what each event of a run makes of it: pure."""

import time
from dataclasses import dataclass, field, replace
from typing import Literal

from rig.design.kit import Kit
from rig.page.reading import Past
from rig.report import words
from rig.report.unproved import void_reason
from rig.screen.soak_progress import (
    Watched,
    coil_words,
    degrees,
    drive_words,
    guard_distances,
    hot_words,
    kelvin,
    leads_to,
    meter_words,
    programme_words,
    time_words,
)
from rig.screen.terminal import sound_s
from rig.store.run_json import Record
from rig.values.requests import Request, Sweep
from rig.values.run import Asked, Captured, DiskWaits, Event, Foretold, Judged, Logged, Run, StageReached, Started
from rig.values.verdicts import CheckResult, Outcome
from rig.verdict.guard import AMBIENT

Phase = Literal["idle", "chosen", "busy", "asking", "sounding", "done"]
#: The sentence that is read from two metres has at least so many characters; a heading alone says too little. A choice
#: of layout.
SHORTEST_STEP = 24
#: Lines of what failed beside the verdict; the report has all. A choice of layout.
MOST_FAILURES = 4
#: Of what would stop a soak so much is shown, the nearest of it. A choice of layout.
MOST_GUARDS = 5
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
    history: tuple[Past, ...] = ()


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
    #: Whether the answer has to be typed, and what was typed so far.
    is_typed: bool = False
    typed: str = ""


@dataclass(frozen=True)
class Sounding:
    """What sounds, since when by `time.monotonic`, and how much sound is still to come in all."""

    what: str
    number: int
    of: int
    began_s: float
    left_s: float
    #: Nothing sounds: the room is listened to.
    is_silence: bool = False


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
    #: Path of the record below `results/`; empty while it is being written.
    record: str = ""


@dataclass(frozen=True)
class Soak:
    """A soak under way: temperatures as last read, where they lead, and what would stop it first."""

    words: str
    time: str
    #: Place, temperature, how much over the ambient, rise that it leads to.
    rows: tuple[tuple[str, str, str, str], ...]
    #: What would stop it, the nearest first, and how far it is on the way there, 0 to 1.
    guards: tuple[tuple[str, float], ...]
    hot: str
    beside: tuple[str, ...]
    events: tuple[str, ...]


@dataclass(frozen=True)
class Task:
    """Something to be done at the bench that measures no unit: a calibration, a check of the bench."""

    title: str
    #: What it finds, in a sentence.
    words: str


@dataclass(frozen=True)
class Told:
    """One thing that a task tells: its shape, a word for it, what it is, and what to do."""

    outcome: Outcome
    word: str
    words: str
    what_to_do: str = ""

    @property
    def is_right(self) -> bool:
        """Whether nothing has to be done."""
        return self.outcome == "pass"


@dataclass(frozen=True)
class Report:
    """What a task came to."""

    outcome: Outcome
    headline: str
    told: tuple[Told, ...] = ()
    #: Names and values.
    rows: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class View:
    """What every window shows."""

    phase: Phase = "idle"
    #: One of both is before the bench.
    unit: Unit | None = None
    task: Task | None = None
    #: What became of the last scan or key, where that has to be said.
    notice: str = ""
    checks: tuple[Light, ...] = ()
    stage: str = ""
    place: str = ""
    question: Question | None = None
    sounding: Sounding | None = None
    disturbed: str = ""
    #: What is odd about the kit; what the noise of the place where the microphone stands will hide.
    warnings: tuple[str, ...] = ()
    foretold: tuple[str, ...] = ()
    #: What a task has said so far, the newest last.
    said: tuple[str, ...] = ()
    soak: Soak | None = None
    result: Result | None = None
    report: Report | None = None
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
            # At another box it is another noise.
            return replace(view, phase="busy", sounding=None, foretold=())
        case Foretold(words):
            return replace(view, foretold=(*view.foretold, words))
        case DiskWaits(words):
            return replace(view, notice=words)
        case Started(request, number, of, attempt):
            left_s = sum(sound_s(one) for one in view.requests[number - 1 :])
            again = f", taken again ({attempt})" if attempt > 1 else ""
            is_silence = isinstance(request, Sweep) and request.is_silence
            now = Sounding(f"{request}{again}", number, of, time.monotonic(), left_s, is_silence)
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


def sounding(view: View, request: Sweep) -> View:
    """What is shown while one request of a task sounds."""
    now = Sounding(str(request), 1, 1, time.monotonic(), sound_s(request), request.is_silence)
    return replace(view, phase="sounding", question=None, sounding=now)


def asked(view: View, text: str, number: int, is_typed: bool = False) -> View:
    """What is shown while a person is asked."""
    step, more = first_sentence(text)
    step = f"{step[:1].upper()}{step[1:].rstrip(': ')}"
    return replace(view, phase="asking", question=Question(number, step, more, is_typed), sounding=None)


def first_sentence(text: str) -> tuple[str, str]:
    """The first sentences of what is to be done, long enough to say something, and the rest."""
    text = text.strip()
    end = 0
    while end < len(text) and end < SHORTEST_STEP:
        ends = [at for at in (text.find(f"{mark} ", end) for mark in ".:?!") if at >= 0]
        ends += [at for at in (text.find("\n", end),) if at >= 0]
        end = min(ends) + 1 if ends else len(text)
    return " ".join(text[:end].split()), text[end:].strip()


def finished(view: View, run: Run, kit: Kit, record: Record | None = None) -> View:
    """What is shown of a run that has ended; None: its record is still being written."""
    return replace(view, phase="done", question=None, sounding=None, soak=None, result=_result(run, kit, record))


def _result(run: Run, kit: Kit, record: Record | None) -> Result:
    from rig.report.certificate import failures
    from rig.report.findings_text import titled

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
        record="/".join(record.folder.parts[-3:]) if record else "",
    )


def soak_shown(watched: Watched) -> Soak:
    """What is shown of a soak."""
    outlooks = {one.role: one for one in watched.outlooks}
    ambient = watched.now(AMBIENT)
    rows = tuple(
        (
            role.role,
            degrees(watched.now(role.column)),
            kelvin(watched.now(role.column) - ambient),
            "" if watched.programme.is_rest else leads_to(outlooks.get(role.role)),
        )
        for role in watched.programme.guard.roles
        if role.unit == "celsius"
    )
    guards = tuple((near.words, min(max(near.share, 0.0), 1.0)) for near in guard_distances(watched)[:MOST_GUARDS])
    beside = (coil_words(watched), drive_words(watched), meter_words(watched))
    return Soak(
        words=programme_words(watched.programme),
        time=time_words(watched),
        rows=(*rows, (AMBIENT_NAME, degrees(ambient), "", "")),
        guards=guards,
        hot=hot_words(watched),
        beside=tuple(one for one in beside if one),
        events=tuple(f"{words.lapse(seconds)}: {text}" for seconds, text in watched.events),
    )
