"""Walks a schedule on a bench and yields what happens as events.

Knows the protocols, no particular check or bench.
"""

import time
from collections.abc import Callable, Collection, Generator, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from rig.bench.base import Bench, BenchEnds, Player
from rig.bench_check.bench_finding import BenchFinding
from rig.bench_check.symptoms import Signs, advice, doubts_of, is_quiet, symptoms_in_all, unnoticed
from rig.design.kit import Kit
from rig.files.errors import BenchError
from rig.run.judging import Basis, Judgement, KeptLog, basis, judge_run, settled, steady_limits_k, unjudged
from rig.run.schedule import Group, Schedule
from rig.values.captures import Capture
from rig.values.logs import Log
from rig.values.requests import AT_LEADS, Programme, Request, Stage, Sweep
from rig.values.run import (
    Asked,
    Captured,
    Event,
    Finished,
    Foretold,
    Judged,
    Logged,
    Run,
    StageReached,
    Started,
    Timing,
)
from rig.values.verdicts import CheckResult, Outcome
from rig.verdict.check import ListedCheck, foretold, unforeseen
from rig.verdict.examine import capture_troubles, examine_looks
from rig.verdict.guard import GuardWatch
from rig.verdict.second_look import MOST_LOOKS, CheckedCapture, is_doubtful, needs_another, standing
from rig.verdict.spacing import in_room, tail_s

#: A disturbed capture is repeated at most so often before its checks are void; our choice.
REPEATS = 2
STOPPED = "stopped by the person at the bench"
GO_ON = "Put it right first, or go on all the same?"


Confirm = Callable[[str], bool]


@dataclass
class _Walk:
    """The state of a run on its way."""

    schedule: Schedule
    checks: Sequence[ListedCheck]
    kit: Kit
    confirm: Confirm
    #: Every capture in the order of playing, with what its samples say against it; and those of each request.
    all_captures: list[CheckedCapture] = field(default_factory=list)
    attempts: dict[Sweep, list[CheckedCapture]] = field(default_factory=dict)
    logs: list[KeptLog] = field(default_factory=list)
    #: What stands of all that came back, by what was asked, and what speaks against each.
    looks: dict[Request, Sequence[Capture | Log]] = field(default_factory=dict)
    troubles: dict[Request, tuple[str, ...]] = field(default_factory=dict)
    #: Of the checks that the run has come to, in the order of judging; and by what each rests on.
    results: dict[str, CheckResult] = field(default_factory=dict)
    known: dict[Basis, CheckResult] = field(default_factory=dict)
    signs: Signs = field(default_factory=dict)
    operator_s: float = 0.0
    started_s: float | None = None
    #: Why no later stage may begin; empty when nothing speaks against it.
    held: str = ""
    #: What the quiet sweeps of each stage say against the bench, as far as they are there.
    found: dict[Stage, list[BenchFinding]] = field(default_factory=dict)
    #: Names of what the person at the bench was asked about; what they were told of noise before the sweeps.
    asked_about: set[str] = field(default_factory=set)
    foretold: list[str] = field(default_factory=list)
    stopped: str = ""
    bench_failed: bool = False
    #: What it comes to, once that is known, and when it was.
    judged: Judgement | None = None
    ended_s: float = 0.0


class _Stopped(Exception):
    pass


def run(
    schedule: Schedule, checks: Sequence[ListedCheck], kit: Kit, bench: Bench, confirm: Confirm
) -> Generator[Event, None, None]:
    """Walk the schedule; the last event is always Finished.

    A person's refusal, an interrupt, a gate that does not pass, a bench that fails, and any error of the rig itself all
    end the run early: what was judged by then stands, the rest is void with the reason.
    """
    walk = _Walk(schedule, checks, kit, confirm)
    try:
        yield from _stages(walk, bench)
        if walk.judged is None:
            yield from _verdicts(walk)
        yield Finished(_run(walk))
    except KeyboardInterrupt:
        # Wherever it strikes, up to the very end.
        walk.stopped, walk.judged = walk.stopped or STOPPED, None
        yield Finished(_run(walk))
    except Exception as error:
        # By now the bench is silent. What was recorded is kept, whatever it was.
        _give_up(walk, error)
        yield Finished(_run(walk))


def _stages(walk: _Walk, bench: Bench) -> Iterator[Event]:
    try:
        bench.refuse(walk.schedule.requests)
        with bench.session():
            for stage in walk.schedule.stages:
                yield StageReached(stage.name, stage.words)
                _ask(walk, stage.words)
                with bench.stage(stage.name) as player:
                    for group in stage.groups:
                        yield from _group(walk, group, player)
                if walk.held:
                    raise _Stopped(walk.held)
            # Nobody waits for the device to close.
            yield from _verdicts(walk)
    except (_Stopped, BenchEnds) as reason:
        walk.stopped, walk.judged = str(reason), None
    except BenchError as error:
        walk.stopped, walk.bench_failed, walk.judged = str(error), True, None


def _give_up(walk: _Walk, error: Exception) -> None:
    """End a run by an error that nobody foresaw; if that is one of judging, nothing is judged."""
    walk.stopped, walk.judged = unforeseen(error), None
    try:
        _judge_all(walk)
    except Exception:
        walk.judged, walk.ended_s = unjudged(walk.checks, walk.stopped), time.monotonic()


def _verdicts(walk: _Walk) -> Iterator[Event]:
    """Judge all that was recorded, and tell those results that were not told yet."""
    _judge_all(walk)
    assert walk.judged
    for result in walk.judged.results:
        if walk.results.get(result.name) is not result:
            yield Judged(result)


def _group(walk: _Walk, group: Group, player: Player) -> Iterator[Event]:
    yield Asked(group.words)
    _ask(walk, group.words)
    if walk.started_s is None:
        walk.started_s = time.monotonic()
    if group.stage == "soak":
        yield from _soak_group(walk, group.requests, player)
    elif group.stage in AT_LEADS:
        # A few hundredths or tenths of a volt behind the sense resistor harm nothing: no need to wait for the gates.
        yield from _play(walk, sweeps((*group.gates, *group.requests)), player, group.gates)
        yield from _require_gates(walk, group)
        before = len(walk.all_captures)
        yield from _second_looks(walk, _not_gates_alone(walk, group), player)
        if len(walk.all_captures) > before:
            # Of a sweep that is a gate's too: a contact that comes and goes may pass the first time.
            yield from _require_gates(walk, group)
    else:
        # Silence is no louder than the gates are: it is recorded while these are judged.
        silences = [request for request in sweeps(group.requests) if request.is_silence]
        yield from _play(walk, [*sweeps(group.gates), *silences], player, group.gates)
        yield from _second_looks(walk, group.gates, player)
        yield from _require_gates(walk, group)
        yield from _foretell(walk, group)
        tail = tail_s(_pings(walk))
        loud = [in_room(request, tail) for request in sweeps(group.requests) if not request.is_silence]
        yield from _play(walk, loud, player)
        yield from _second_looks(walk, group.requests, player)
    yield from _judge_ready(walk)


def _pings(walk: _Walk) -> list[Capture]:
    """What stands of all quiet sweeps of a box from its own place so far."""
    quiet = [r for r in walk.looks if isinstance(r, Sweep) and r.stage == "playing" and is_quiet(walk.kit, r)]
    own = [walk.looks[request][0] for request in quiet if request.at == request.channel]
    return [capture for capture in own if isinstance(capture, Capture)]


def _not_gates_alone(walk: _Walk, group: Group) -> list[Request]:
    """What other checks than gates read of a group: at the leads they may share one sweep."""
    read = {r for listed in walk.checks if not listed.check.GATE for r in walk.schedule.needs[listed.name]}
    return [request for request in (*group.gates, *group.requests) if request in read]


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
    limits = steady_limits_k(walk.kit, walk.checks, programme)
    watch, ended = GuardWatch(programme, limits), "ended before its time"
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
        walk.logs.append((log, (ended,) if ended else ()))
        walk.looks[programme], walk.troubles[programme] = (log,), walk.logs[-1][1]
    if log.stopped and log.stopped.kind != "settled":
        yield from _judge_ready(walk)
        raise _Stopped(f"the soak was stopped after {log.stopped.seconds:.0f} s: {log.stopped.words}")


def _ask(walk: _Walk, words: str) -> None:
    began = time.monotonic()
    agreed = walk.confirm(words)
    if walk.started_s is not None:
        walk.operator_s += time.monotonic() - began
    if not agreed:
        raise _Stopped(STOPPED)


def _play(walk: _Walk, requests: Sequence[Sweep], player: Player, gates: Sequence[Request] = ()) -> Iterator[Event]:
    """Play requests, and those whose captures are disturbed again; what `gates` tell is found while others sound."""
    pending = list(requests)
    for _ in range(REPEATS + 1):
        if not pending:
            return
        yield _started(walk, pending[0])
        for capture in player.play(pending):
            attempts = walk.attempts.setdefault(capture.request, [])
            capture = replace(capture, attempt=len(attempts) + 1)
            after = pending[pending.index(capture.request) + 1 :]
            if after:
                yield _started(walk, after[0])
            troubles = capture_troubles(capture)
            for kept in (attempts, walk.all_captures):
                kept.append((capture, troubles))
            walk.looks[capture.request], walk.troubles[capture.request] = standing(attempts, walk.all_captures)
            yield Captured(capture, troubles)
            if after and all(walk.looks.get(one) and not walk.troubles[one] for one in gates):
                _with_symptoms(walk, sweeps(gates))
                _of_checks(walk, sweeps(gates), _is_doubtful)
        pending = [request for request in pending if walk.attempts[request][-1][1]]


def _second_looks(walk: _Walk, wanted: Sequence[Request], player: Player) -> Iterator[Event]:
    """Play again what gave a doubtful verdict, before anything is moved; `second_look` says which capture stands."""
    doubtful = dict.fromkeys(_with_symptoms(walk, sweeps(wanted)))
    for _ in range(MOST_LOOKS - 1):
        # With each look anew: once a noise is gone from one capture, a check may say what another one holds.
        doubtful |= dict.fromkeys(_of_checks(walk, sweeps(wanted), _is_doubtful))
        for request in doubtful:
            walk.looks[request], walk.troubles[request] = standing(walk.attempts[request], walk.all_captures)
        again = dict.fromkeys(r for r in doubtful if needs_another(walk.attempts[r], walk.troubles[r]))
        # What fails on looks that agree is settled: however quiet it gets, the unit stays as it is.
        failing = _of_checks(walk, doubtful, _fails)
        again |= dict.fromkeys(r for r in _of_checks(walk, doubtful, _may_pass) if r not in failing)
        if not again:
            return
        # With the silences that it was played with: looks of other lengths cannot be compared.
        yield from _play(walk, [walk.attempts[request][-1][0].request for request in again], player)


def _of_checks(
    walk: _Walk, requests: Collection[Sweep], wanted: Callable[[ListedCheck, CheckResult], bool]
) -> list[Sweep]:
    """Those of some requests that checks read whose result so far is as wanted."""
    found: dict[Sweep, None] = {}
    for listed in walk.checks:
        needed = [request for request in sweeps(walk.schedule.needs[listed.name]) if request in requests]
        if not needed or any(walk.troubles[request] for request in needed):
            continue
        if wanted(listed, _examined(walk, listed, needed)):
            found |= dict.fromkeys(needed)
    return list(found)


def _with_symptoms(walk: _Walk, requests: Sequence[Sweep]) -> list[Sweep]:
    """Those of some requests in which the bench looks wrong: a noise from outside may look like it once."""
    quiet = [request for request in requests if is_quiet(walk.kit, request)]
    return quiet if quiet and unnoticed(_symptoms(walk, quiet[0].stage)) else []


def _symptoms(walk: _Walk, stage: Stage) -> list[BenchFinding]:
    """Signs of a bench fault in all that stands of a stage so far."""
    return symptoms_in_all(walk.kit, settled(walk.looks, walk.troubles), stage, walk.signs)


def _is_doubtful(listed: ListedCheck, result: CheckResult) -> bool:
    return result.may_pass or is_doubtful(result.verdicts) or (listed.check.GATE and result.outcome == "void")


def _may_pass(listed: ListedCheck, result: CheckResult) -> bool:
    """Whether noise alone keeps a check from telling."""
    return result.may_pass or any(verdict.may_pass for verdict in result.verdicts)


def _fails(listed: ListedCheck, result: CheckResult) -> bool:
    return result.outcome == "fail"


def _started(walk: _Walk, request: Request) -> Started:
    requests = walk.schedule.requests
    before = len(walk.attempts.get(request, ())) if isinstance(request, Sweep) else 0
    return Started(request, requests.index(request) + 1, len(requests), before + 1)


def sweeps(requests: Sequence[Request]) -> list[Sweep]:
    """The sweeps among requests."""
    return [request for request in requests if isinstance(request, Sweep)]


def _require_gates(walk: _Walk, group: Group) -> Iterator[Event]:
    """Nothing louder than the gates is played unless each gate passes on what this group gave.

    A unit that fails on its bare leads is still measured there, where nothing can harm it, so that the curve can tell
    what is wrong; it never gets to its amplifier. What speaks against the bench is told, and where the gates pass all
    the same, it is asked whether to go on.
    """
    walk.found[group.stage] = _symptoms(walk, group.stage)
    for listed in walk.checks:
        needed = [request for request in walk.schedule.needs[listed.name] if request in group.gates]
        if not listed.check.GATE or not needed:
            continue
        result = examine_looks(listed, needed, walk.looks, walk.troubles, walk.kit, partial=True)
        if result.outcome == "pass":
            continue
        bad = [v for v in result.verdicts if v.outcome != "pass"]
        why = result.reason or "; ".join(f"{v.quantity} {v.subject}: {v.reason}" for v in bad)
        stopped = f"stopped before full level: {result.title}: {why}"
        if result.outcome == "fail" and group.stage == "leads":
            walk.held = walk.held or stopped
            continue
        if listed.name not in walk.results:
            # With what earlier places gave: a box that is too loud there drowns its neighbour here.
            yield _judge(walk, listed)
        raise _Stopped(stopped)
    new = [one for one in unnoticed(walk.found[group.stage]) if one.what not in walk.asked_about]
    walk.asked_about |= {one.what for one in new}
    if new and not walk.held:
        words = f"{advice(new)}\n{GO_ON}"
        yield Asked(words, is_place=False)
        _ask(walk, words)


def _foretell(walk: _Walk, group: Group) -> Iterator[Event]:
    """Tell what the noise of this place will hide, from its quiet sweeps."""
    quiet = [walk.attempts[gate][-1][0] for gate in sweeps(group.gates) if not walk.troubles[gate]]
    walk.foretold += (told := [*foretold(walk.checks, group.requests, quiet, walk.kit)])
    yield from map(Foretold, told)


def _examined(walk: _Walk, listed: ListedCheck, needed: Sequence[Request]) -> CheckResult:
    """A check on what was measured and what is known of the bench so far; of the same evidence only once."""
    doubts = doubts_of(walk.found)
    on = basis(listed, needed, walk.looks, walk.troubles, doubts)
    if on not in walk.known:
        partial = len(needed) < len(walk.schedule.needs[listed.name])
        walk.known[on] = examine_looks(
            listed, needed, walk.looks, walk.troubles, walk.kit, partial=partial, bench_doubts=doubts
        )
    return walk.known[on]


def _judge_ready(walk: _Walk) -> Iterator[Event]:
    """Read each check as soon as its last capture is settled."""
    for listed in walk.checks:
        needed = walk.schedule.needs[listed.name]
        ready = all(request in walk.looks and not walk.troubles[request] for request in needed)
        if ready and listed.name not in walk.results:
            yield _judge(walk, listed)


def _judge(walk: _Walk, listed: ListedCheck) -> Judged:
    """Read a check on all that it has by now."""
    needed = [request for request in walk.schedule.needs[listed.name] if request in walk.looks]
    result = walk.results[listed.name] = _examined(walk, listed, needed)
    return Judged(result)


def _judge_all(walk: _Walk) -> None:
    """What the run comes to by all that it recorded, as its archive will be judged."""
    rest = {listed.name for listed in walk.checks} - set(walk.results) if walk.stopped else ()
    evidence = (walk.kit, walk.checks, walk.all_captures, walk.logs)
    walk.judged = judge_run(*evidence, stopped=walk.stopped, not_done=rest, known=walk.known, signs=walk.signs)
    walk.ended_s = time.monotonic()


def _run(walk: _Walk) -> Run:
    if walk.judged is None:
        _judge_all(walk)
    judged = walk.judged
    assert judged
    sound_s = sum(capture.layout.total_s for capture, _ in walk.all_captures)
    sound_s += sum(float(log.seconds[-1]) for log, _ in walk.logs if log.seconds.size)
    cycle_s = walk.ended_s - walk.started_s - walk.operator_s if walk.started_s is not None else 0.0
    return Run(
        outcome=judged.outcome,
        stopped=walk.stopped,
        bench_failed=walk.bench_failed,
        results=judged.results,
        captures=tuple(walk.all_captures),
        logs=tuple(walk.logs),
        timing=Timing(sound_s, cycle_s, walk.operator_s),
        findings=judged.findings,
        bench_advice=_advice(walk, judged.outcome),
        bench_doubts=judged.bench_doubts,
        foretold=tuple(walk.foretold),
    )


def _advice(walk: _Walk, outcome: Outcome) -> str:
    """What to do about the bench where a run did not pass; a noise of it is reported where nothing else is wrong."""
    found = [one for findings in walk.found.values() for one in findings]
    findings = {one.what: one for one in unnoticed(found) or found}
    return advice(list(findings.values())) if outcome != "pass" else ""
