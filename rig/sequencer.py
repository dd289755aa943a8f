"""Walks a schedule on a bench and yields what happens as events.

Knows the protocols, no particular check or bench.
"""

import math
import time
from collections import Counter
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from rig.bench.base import Bench, BenchEnds, BenchError, Player
from rig.bench_check.signs import advice, doubts_of, signs_of, unnoticed
from rig.bench_check.told import Told
from rig.check import ListedCheck
from rig.findings.tell import Finding, findings
from rig.guard import Outlook, Watch
from rig.judge import Outcome, outcome_of
from rig.kit import Kit
from rig.readings import Capture, Log, Row
from rig.requests import AT_LEADS, Programme, Request, Stage, Sweep
from rig.schedule import Group, Schedule
from rig.second_look import choose, is_doubtful
from rig.signals import stimulus
from rig.verdicts import CheckResult, capture_troubles, examine, void

#: A disturbed capture is repeated at most so often before its checks are void.
REPEATS = 2
NOT_DONE = "not done"
GO_ON = "Put it right first, or go on all the same?"


@dataclass(frozen=True)
class StageReached:
    """A new wiring of the bench is due."""

    stage: str
    words: str


@dataclass(frozen=True)
class Asked:
    """The person at the bench was asked to do something."""

    words: str


@dataclass(frozen=True)
class Started:
    """A request is sounding."""

    request: Request
    number: int
    of: int
    attempt: int


@dataclass(frozen=True)
class Captured:
    """A capture is complete; troubles are what its own samples say against it."""

    capture: Capture
    troubles: tuple[str, ...]


@dataclass(frozen=True)
class Logged:
    """A programme gave another row of its log."""

    programme: Programme
    row: Row
    outlooks: tuple[Outlook, ...]


@dataclass(frozen=True)
class Judged:
    """A check has all it needs and was read and judged."""

    result: CheckResult


@dataclass(frozen=True)
class Finished:
    """The end of the run."""

    run: "Run"


Event = StageReached | Asked | Started | Captured | Logged | Judged | Finished
Confirm = Callable[[str], bool]


@dataclass(frozen=True)
class Timing:
    """Where the time went, in seconds."""

    #: What the bench played: the stimuli with their silences and marks; not the wait for the last echo to come back.
    sound_s: float
    #: From the first request to the last verdict, without the operator's time.
    cycle_s: float
    #: Spent by the person at the bench.
    operator_s: float


@dataclass(frozen=True)
class Run:
    """One verification of one unit."""

    outcome: Outcome
    #: Why the run is void although no check says so; empty when it went through.
    stopped: str
    #: The bench could not do it (exit status 4).
    bench_failed: bool
    results: tuple[CheckResult, ...]
    #: Every capture, repeats too, in the order of playing, with what speaks against each.
    captures: tuple[tuple[Capture, tuple[str, ...]], ...]
    #: The logs of its programmes, with what speaks against each.
    logs: tuple[tuple[Log, tuple[str, ...]], ...]
    timing: Timing
    #: Why it failed, probably; nothing where nothing failed.
    findings: tuple[Finding, ...] = ()
    #: What its quiet sweeps said against the bench, and what to do; empty: nothing.
    bench_advice: str = ""


@dataclass
class _Walk:
    """The state of a run on its way."""

    schedule: Schedule
    checks: Sequence[ListedCheck]
    kit: Kit
    confirm: Confirm
    captures: dict[Sweep, Capture] = field(default_factory=dict)
    logs: dict[Programme, Log] = field(default_factory=dict)
    troubles: dict[Request, tuple[str, ...]] = field(default_factory=dict)
    attempts: Counter[Sweep] = field(default_factory=Counter)
    all_captures: list[tuple[Capture, tuple[str, ...]]] = field(default_factory=list)
    results: dict[str, CheckResult] = field(default_factory=dict)
    operator_s: float = 0.0
    started_s: float | None = None
    #: Why no later stage may begin; empty when nothing speaks against it.
    held: str = ""
    #: A gate was void: what the same wiring gave cannot be trusted either.
    untrusted: bool = False
    #: What the quiet sweeps of each stage say against the bench, as far as they are there.
    found: dict[Stage, list[Told]] = field(default_factory=dict)
    #: Names of what the person at the bench was asked about.
    asked_about: set[str] = field(default_factory=set)

    @property
    def measured(self) -> dict[Request, Capture | Log]:
        """All that came back, by what was asked."""
        return {request: found for kind in (self.captures, self.logs) for request, found in kind.items()}


class _Stopped(Exception):
    pass


def run(
    schedule: Schedule, checks: Sequence[ListedCheck], kit: Kit, bench: Bench, confirm: Confirm
) -> Generator[Event, None, None]:
    """Walk the schedule; the last event is always Finished.

    A person's refusal, an interrupt, a gate that does not pass, and a bench that fails all end the run early:
    what was judged by then stands, the rest is void with the reason.
    """
    walk = _Walk(schedule, checks, kit, confirm)
    stopped, bench_failed = "", False
    try:
        bench.refuse(schedule.requests)
        with bench.session():
            for stage in schedule.stages:
                yield StageReached(stage.name, stage.words)
                _ask(walk, stage.words)
                with bench.stage(stage.name) as player:
                    for group in stage.groups:
                        yield from _group(walk, group, player)
                if walk.held:
                    raise _Stopped(walk.held)
    except _Stopped as reason:
        stopped = str(reason)
    except KeyboardInterrupt:
        stopped = "stopped by the person at the bench"
    except BenchEnds as error:
        stopped = str(error)
    except BenchError as error:
        stopped, bench_failed = str(error), True
    yield from _judge_rest(walk, stopped)
    yield Finished(_finished(walk, stopped, bench_failed))


def _group(walk: _Walk, group: Group, player: Player) -> Iterator[Event]:
    yield Asked(group.words)
    _ask(walk, group.words)
    if walk.started_s is None:
        walk.started_s = time.monotonic()
    if group.stage == "soak":
        yield from _soak_group(walk, group.requests, player)
    elif group.stage in AT_LEADS:
        # A few hundredths or tenths of a volt behind the sense resistor harm nothing: no need to wait for the gates.
        yield from _play(walk, sweeps((*group.gates, *group.requests)), player)
        yield from _require_gates(walk, group)
    else:
        yield from _play(walk, sweeps(group.gates), player)
        yield from _second_looks(walk, group.gates, player)
        yield from _require_gates(walk, group)
        yield from _play(walk, sweeps(group.requests), player)
    if group.stage != "soak":
        yield from _second_looks(walk, group.requests, player)
    yield from _judge_ready(walk)


def _soak_group(walk: _Walk, requests: Sequence[Request], player: Player) -> Iterator[Event]:
    """In order, each once: nothing before a programme can be measured again after it."""
    for _, same in groupby(requests, lambda request: request.moment):
        now = tuple(same)
        yield from _play(walk, sweeps(now), player)
        for programme in now:
            if isinstance(programme, Programme):
                yield from _soak(walk, programme, player)


def _soak(walk: _Walk, programme: Programme, player: Player) -> Iterator[Event]:
    """Play a programme under guard. Whatever ends it, its log is kept."""
    yield _started(walk, programme)
    watch, ended = Watch(programme, _steady_limits_k(walk, programme)), "ended before its time"
    rows = player.soak(programme)
    try:
        for row in rows:
            row, stop = watch.add(row)
            if stop:
                # Silence first, then everything else.
                rows.close()
            yield Logged(programme, row, watch.outlooks)
            if stop:
                break
        ended = ""
    finally:
        rows.close()
        log = watch.log()
        walk.logs[programme], walk.troubles[programme] = log, (ended,) if ended else ()
    if log.stopped and log.stopped.kind != "settled":
        raise _Stopped(f"the soak was stopped after {log.stopped.seconds:.0f} s: {log.stopped.words}")


def _steady_limits_k(walk: _Walk, programme: Programme) -> dict[str, tuple[float, float]]:
    """Role -> limits of its predicted steady rise, as the kit judges it."""
    limits = {}
    for listed in walk.checks:
        if programme in walk.schedule.needs[listed.name]:
            for role in programme.guard.roles:
                for key in ("steady rise", f"steady rise {role.role}"):
                    limit = walk.kit.limits.get(listed.name, {}).get(key)
                    if limit:
                        lower = -math.inf if limit.lower is None else limit.lower
                        limits[role.role] = (lower, math.inf if limit.upper is None else limit.upper)
    return limits


def _ask(walk: _Walk, words: str) -> None:
    began = time.monotonic()
    agreed = walk.confirm(words)
    if walk.started_s is not None:
        walk.operator_s += time.monotonic() - began
    if not agreed:
        raise _Stopped("stopped by the person at the bench")


def _play(walk: _Walk, requests: Sequence[Sweep], player: Player) -> Iterator[Event]:
    """Play requests, and those whose captures are disturbed again."""
    pending = list(requests)
    for _ in range(REPEATS + 1):
        if not pending:
            return
        disturbed: list[Sweep] = []
        yield _started(walk, pending[0])
        for n, capture in enumerate(player.play(pending), 1):
            walk.attempts[capture.request] += 1
            capture = replace(capture, attempt=walk.attempts[capture.request])
            if n < len(pending):
                yield _started(walk, pending[n])
            troubles = capture_troubles(capture)
            walk.captures[capture.request], walk.troubles[capture.request] = capture, troubles
            walk.all_captures.append((capture, troubles))
            yield Captured(capture, troubles)
            if troubles:
                disturbed.append(capture.request)
        pending = disturbed


def _second_looks(walk: _Walk, wanted: Sequence[Request], player: Player) -> Iterator[Event]:
    """Play again what gave a doubtful verdict, before anything is moved, and decide which capture stands."""
    looks: dict[Sweep, list[Capture]] = {}
    requests = sweeps(wanted)
    for listed in walk.checks:
        needed = [request for request in sweeps(walk.schedule.needs[listed.name]) if request in requests]
        if not needed or any(walk.troubles[request] for request in needed):
            continue
        result = _examined(walk, listed, needed, partial=True)
        if is_doubtful(result.verdicts) or (listed.check.GATE and result.outcome == "void"):
            looks |= {request: [walk.captures[request]] for request in needed}
    for _ in range(2):
        unsettled = [request for request, seen in looks.items() if len(seen) < 2 or choose(seen)[1]]
        yield from _play(walk, unsettled, player)
        for request in unsettled:
            looks[request].append(walk.captures[request])
    for request, seen in looks.items():
        if not walk.troubles[request]:
            walk.captures[request], trouble = choose(seen)
            walk.troubles[request] = (trouble,) if trouble else ()


def _started(walk: _Walk, request: Request) -> Started:
    requests = walk.schedule.requests
    again = walk.attempts[request] if isinstance(request, Sweep) else 0
    return Started(request, requests.index(request) + 1, len(requests), again + 1)


def sweeps(requests: Sequence[Request]) -> list[Sweep]:
    """The sweeps among requests."""
    return [request for request in requests if isinstance(request, Sweep)]


def _require_gates(walk: _Walk, group: Group) -> Iterator[Event]:
    """Nothing louder than the gates is played unless each gate passes on what this group gave.

    A unit that fails on its bare leads is still measured there, where nothing can harm it, so that the curve can tell
    what is wrong; it never gets to its amplifier. What speaks against the bench is told, and where the gates pass all
    the same, it is asked whether to go on.
    """
    walk.found[group.stage] = signs_of(walk.kit, list(walk.captures.values()), group.stage)
    for listed in walk.checks:
        needed = [request for request in walk.schedule.needs[listed.name] if request in group.gates]
        if not listed.check.GATE or not needed:
            continue
        result = examine(listed, needed, walk.measured, walk.troubles, walk.kit, partial=True)
        if result.outcome == "pass":
            continue
        bad = [v for v in result.verdicts if v.outcome != "pass"]
        why = result.reason or "; ".join(f"{v.quantity} {v.subject}: {v.reason}" for v in bad)
        stopped = f"stopped before full level: {result.title}: {why}"
        if result.outcome == "fail" and group.stage == "leads":
            walk.held = walk.held or stopped
            continue
        walk.untrusted = walk.untrusted or result.outcome == "void"
        if listed.name not in walk.results:
            # With what earlier places gave: a box that is too loud there drowns its neighbour here.
            so_far = [request for request in walk.schedule.needs[listed.name] if request in walk.measured]
            whole = _examined(walk, listed, so_far, partial=True)
            walk.results[listed.name] = whole
            yield Judged(whole)
        raise _Stopped(stopped)
    new = [one for one in unnoticed(walk.found[group.stage]) if one.what not in walk.asked_about]
    walk.asked_about |= {one.what for one in new}
    if new and not walk.held:
        words = f"{advice(new)}\n{GO_ON}"
        yield Asked(words)
        _ask(walk, words)


def _examined(walk: _Walk, listed: ListedCheck, needed: Sequence[Request], partial: bool = False) -> CheckResult:
    """A check on what was measured and what is known of the bench so far."""
    doubts = doubts_of(walk.found)
    return examine(listed, needed, walk.measured, walk.troubles, walk.kit, partial=partial, bench_doubts=doubts)


def _judge_ready(walk: _Walk) -> Iterator[Event]:
    """Read each check as soon as its last capture is settled."""
    for listed in walk.checks:
        needed = walk.schedule.needs[listed.name]
        ready = all(request in walk.troubles and not walk.troubles[request] for request in needed)
        if ready and listed.name not in walk.results:
            result = _examined(walk, listed, needed)
            walk.results[listed.name] = result
            yield Judged(result)


def _judge_rest(walk: _Walk, stopped: str) -> Iterator[Event]:
    for listed in walk.checks:
        if listed.name in walk.results:
            continue
        needed = walk.schedule.needs[listed.name]
        if stopped and (walk.untrusted or any(request not in walk.troubles for request in needed)):
            result = void(listed, f"{NOT_DONE}: {stopped}")
        else:
            result = _examined(walk, listed, needed)
        walk.results[listed.name] = result
        yield Judged(result)


def sounding_s(capture: Capture) -> float:
    """How long the stimulus of a capture lasts."""
    request = capture.request
    return stimulus.layout(request.start_hz, request.stop_hz, request.seconds, capture.sample_rate_hz).total_s


def _finished(walk: _Walk, stopped: str, bench_failed: bool) -> Run:
    ended = time.monotonic()
    results = tuple(walk.results[listed.name] for listed in walk.checks)
    sound_s = sum(sounding_s(capture) for capture, _ in walk.all_captures)
    sound_s += sum(float(log.seconds[-1]) for log in walk.logs.values() if log.seconds.size)
    cycle_s = ended - walk.started_s - walk.operator_s if walk.started_s is not None else 0.0
    outcome = outcome_of([result.outcome for result in results])
    if stopped and outcome == "pass":
        outcome = "void"
    named = _named(walk.kit, results) if outcome == "fail" else ()
    logs = tuple((log, walk.troubles[programme]) for programme, log in walk.logs.items())
    timing = Timing(sound_s, cycle_s, walk.operator_s)
    told = _advice(walk, outcome)
    return Run(outcome, stopped, bench_failed, results, tuple(walk.all_captures), logs, timing, named, told)


def _advice(walk: _Walk, outcome: Outcome) -> str:
    """What to do about the bench where a run did not pass; a noise of it is told where nothing else is wrong."""
    found = [one for told in walk.found.values() for one in told]
    told = {one.what: one for one in unnoticed(found) or found}
    return advice(list(told.values())) if outcome != "pass" else ""


def _named(kit: Kit, results: Sequence[CheckResult]) -> tuple[Finding, ...]:
    try:
        return findings(kit, results)
    except Exception as error:
        # Whatever happens here, what was measured and judged is kept.
        return (Finding(f"the search for a cause failed: {type(error).__name__}: {error}", "", "unknown", 0.0),)
