"""Walks a schedule on a bench and yields what happens as events.

Knows the protocols, no particular check or bench.
"""

import time
from collections.abc import Generator, Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from rig.bench.base import Bench, BenchEnds, Player, Then
from rig.bench_check.symptoms import advice, unnoticed
from rig.design.kit import Kit
from rig.files.errors import BenchError
from rig.run.judging import judge_run, steady_limits_k, unjudged
from rig.run.schedule import Group, Schedule
from rig.run.walk import (
    Confirm,
    Walk,
    examined,
    fails,
    hidden_by_noise,
    loud_sweeps,
    may_pass,
    of_checks,
    right_behind,
    shut_gates,
    sweeps,
    symptoms_of,
    wants_a_look,
    with_symptoms,
)
from rig.values.requests import AT_LEADS, Programme, Request, Sweep
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
from rig.values.verdicts import Outcome
from rig.verdict.check import ListedCheck, unforeseen
from rig.verdict.examine import capture_troubles
from rig.verdict.guard import GuardWatch
from rig.verdict.second_look import MOST_LOOKS, needs_another, standing
from rig.verdict.spacing import sounded_s

#: A disturbed capture is repeated at most so often before its checks are void; our choice.
REPEATS = 2
STOPPED = "stopped by the person at the bench"
GO_ON = "Put it right first, or go on all the same?"


class _Stopped(Exception):
    pass


def run(
    schedule: Schedule, checks: Sequence[ListedCheck], kit: Kit, bench: Bench, confirm: Confirm
) -> Generator[Event, None, None]:
    """Walk the schedule; the last event is always Finished.

    A person's refusal, an interrupt, a gate that does not pass, a bench that fails, and any error of the rig itself all
    end the run early: what was judged by then stands, the rest is void with the reason.
    """
    walk = Walk(schedule, checks, kit, confirm)
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


def _stages(walk: Walk, bench: Bench) -> Iterator[Event]:
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


def _give_up(walk: Walk, error: Exception) -> None:
    """End a run by an error that nobody foresaw; if that is one of judging, nothing is judged."""
    walk.stopped, walk.judged = unforeseen(error), None
    try:
        _judge_all(walk)
    except Exception:
        walk.judged, walk.ended_s = unjudged(walk.checks, walk.stopped), time.monotonic()


def _verdicts(walk: Walk) -> Iterator[Event]:
    """Judge all that was recorded, and tell those results that were not told yet."""
    _judge_all(walk)
    assert walk.judged
    for result in walk.judged.results:
        if walk.results.get(result.name) is not result:
            yield Judged(result)


def _group(walk: Walk, group: Group, player: Player) -> Iterator[Event]:
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
        quiet = [*sweeps(group.gates), *silences]
        yield from _play(walk, quiet, player, group.gates, lambda: _behind(walk, group, quiet[-1]))
        yield from _second_looks(walk, group.gates, player)
        yield from _require_gates(walk, group)
        if loud := [request for request in loud_sweeps(walk, group) if request not in walk.attempts]:
            yield from _foretell(walk, group)
            yield from _play(walk, loud, player)
        yield from _second_looks(walk, group.requests, player)
    yield from _judge_ready(walk)


def _behind(walk: Walk, group: Group, last: Sweep) -> Sequence[Sweep]:
    """What sounds right behind the last quiet request of a group; what noise will hide of it is found before."""
    if loud := right_behind(walk, group, last):
        walk.foretold += hidden_by_noise(walk, group)
    return loud


def _not_gates_alone(walk: Walk, group: Group) -> list[Request]:
    """What other checks than gates read of a group: at the leads they may share one sweep."""
    read = {r for listed in walk.checks if not listed.check.GATE for r in walk.schedule.needs[listed.name]}
    return [request for request in (*group.gates, *group.requests) if request in read]


def _soak_group(walk: Walk, requests: Sequence[Request], player: Player) -> Iterator[Event]:
    """In order, each once: nothing before a programme can be measured again after it."""
    for _, same in groupby(requests, lambda request: request.moment):
        now = tuple(same)
        yield from _play(walk, sweeps(now), player)
        for programme in now:
            if isinstance(programme, Programme):
                yield from _soak(walk, programme, player)


def _soak(walk: Walk, programme: Programme, player: Player) -> Iterator[Event]:
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


def _ask(walk: Walk, words: str) -> None:
    began = time.monotonic()
    agreed = walk.confirm(words)
    if walk.started_s is not None:
        walk.operator_s += time.monotonic() - began
    if not agreed:
        raise _Stopped(STOPPED)


def _play(
    walk: Walk,
    requests: Sequence[Sweep],
    player: Player,
    gates: Sequence[Request] = (),
    then: Then | None = None,
) -> Iterator[Event]:
    """Play requests, and those whose captures are disturbed again; what `gates` tell is found while others sound.

    What `then` gives by that is played right behind them.
    """
    pending = list(requests)

    def behind() -> Sequence[Sweep]:
        asked = then() if then else ()
        pending.extend(asked)
        return asked

    told = len(walk.foretold)
    for n in range(REPEATS + 1):
        if not pending:
            return
        yield _started(walk, pending[0])
        asked = tuple(pending) if n == 0 else tuple(request.alone for request in pending)
        for capture in player.play(asked, behind) if then and n == 0 else player.play(asked):
            yield from map(Foretold, walk.foretold[told:])
            told, attempts = len(walk.foretold), walk.attempts.setdefault(capture.request, [])
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
                with_symptoms(walk, sweeps(gates))
                of_checks(walk, sweeps(gates), wants_a_look)
        pending = [request for request in pending if walk.attempts[request][-1][1]]


def _second_looks(walk: Walk, wanted: Sequence[Request], player: Player) -> Iterator[Event]:
    """Play again what gave a doubtful verdict, before anything is moved; `second_look` says which capture stands."""
    doubtful = dict.fromkeys(with_symptoms(walk, sweeps(wanted)))
    for _ in range(MOST_LOOKS - 1):
        # With each look anew: once a noise is gone from one capture, a check may say what another one holds.
        doubtful |= dict.fromkeys(of_checks(walk, sweeps(wanted), wants_a_look))
        for request in doubtful:
            walk.looks[request], walk.troubles[request] = standing(walk.attempts[request], walk.all_captures)
        again = dict.fromkeys(r for r in doubtful if needs_another(walk.attempts[r], walk.troubles[r]))
        # What fails on looks that agree is settled: however quiet it gets, the unit stays as it is.
        failing = of_checks(walk, doubtful, fails)
        again |= dict.fromkeys(r for r in of_checks(walk, doubtful, may_pass) if r not in failing)
        # What was disturbed as often as it was repeated just now would be again.
        again = {request: None for request in again if not walk.attempts[request][-1][1]}
        if not again:
            return
        # With the silences that it was played with: looks of other lengths cannot be compared.
        yield from _play(walk, [walk.attempts[request][-1][0].request.alone for request in again], player)


def _started(walk: Walk, request: Request) -> Started:
    requests = walk.schedule.requests
    before = len(walk.attempts.get(request, ())) if isinstance(request, Sweep) else 0
    return Started(request, requests.index(request) + 1, len(requests), before + 1)


def _require_gates(walk: Walk, group: Group) -> Iterator[Event]:
    """Nothing louder than the gates is played unless each gate passes on what this group gave.

    A unit that fails on its bare leads is still measured there, where nothing can harm it, so that the curve can tell
    what is wrong; it never gets to its amplifier. What speaks against the bench is told, and where the gates pass all
    the same, it is asked whether to go on.
    """
    walk.found[group.stage] = symptoms_of(walk, group.stage)
    for listed, result in shut_gates(walk, group):
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


def _foretell(walk: Walk, group: Group) -> Iterator[Event]:
    """Tell what the noise of this place will hide, from its quiet sweeps."""
    walk.foretold += (told := hidden_by_noise(walk, group))
    yield from map(Foretold, told)


def _judge_ready(walk: Walk) -> Iterator[Event]:
    """Read each check as soon as its last capture is settled."""
    for listed in walk.checks:
        needed = walk.schedule.needs[listed.name]
        ready = all(request in walk.looks and not walk.troubles[request] for request in needed)
        if ready and listed.name not in walk.results:
            yield _judge(walk, listed)


def _judge(walk: Walk, listed: ListedCheck) -> Judged:
    """Read a check on all that it has by now."""
    needed = [request for request in walk.schedule.needs[listed.name] if request in walk.looks]
    result = walk.results[listed.name] = examined(walk, listed, needed)
    return Judged(result)


def _judge_all(walk: Walk) -> None:
    """What the run comes to by all that it recorded, as its archive will be judged."""
    rest = {listed.name for listed in walk.checks} - set(walk.results) if walk.stopped else ()
    evidence = (walk.kit, walk.checks, walk.all_captures, walk.logs)
    walk.judged = judge_run(*evidence, stopped=walk.stopped, not_done=rest, known=walk.known, signs=walk.signs)
    walk.ended_s = time.monotonic()


def _run(walk: Walk) -> Run:
    if walk.judged is None:
        _judge_all(walk)
    judged = walk.judged
    assert judged
    sound_s = sounded_s([capture for capture, _ in walk.all_captures])
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


def _advice(walk: Walk, outcome: Outcome) -> str:
    """What to do about the bench where a run did not pass; a noise of it is reported where nothing else is wrong."""
    found = [one for findings in walk.found.values() for one in findings]
    findings = {one.what: one for one in unnoticed(found) or found}
    return advice(list(findings.values())) if outcome != "pass" else ""
