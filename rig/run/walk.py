"""What a run has and knows on its way: pure questions to it, asked by `rig.run.sequencer`, which walks it."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field

from rig.bench_check.bench_finding import BenchFinding
from rig.bench_check.symptoms import Signs, doubts_of, is_quiet, symptoms_in_all, unnoticed
from rig.design.kit import Kit
from rig.run.judging import Basis, Judgement, KeptLog, basis, settled
from rig.run.schedule import Group, Schedule
from rig.values.captures import Capture
from rig.values.logs import Log
from rig.values.requests import Request, Stage, Sweep
from rig.values.verdicts import CheckResult
from rig.verdict.check import ListedCheck, foretold
from rig.verdict.examine import examine_looks
from rig.verdict.second_look import CheckedCapture, is_doubtful
from rig.verdict.spacing import in_room, joined, tail_s

Confirm = Callable[[str], bool]


@dataclass
class Walk:
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


def sweeps(requests: Sequence[Request]) -> list[Sweep]:
    """The sweeps among requests."""
    return [request for request in requests if isinstance(request, Sweep)]


def loud_sweeps(walk: Walk, group: Group) -> list[Sweep]:
    """What sounds in a group besides its gates, as its room asks for."""
    tail = tail_s(pings(walk))
    return [in_room(request, tail) for request in sweeps(group.requests) if not request.is_silence]


def right_behind(walk: Walk, group: Group, last: Sweep) -> list[Sweep]:
    """What may sound right behind the last quiet request of a group: all of it, if by then nothing speaks against it.

    The gates have passed beyond doubt, nothing looks wrong with the bench, and there is nothing to ask before.
    """
    gates = sweeps(group.gates)
    if walk.held or any(walk.troubles.get(gate, ("not there",)) for gate in gates):
        return []
    if with_symptoms(walk, gates) or of_checks(walk, gates, wants_a_look) or any(shut_gates(walk, group)):
        return []
    loud = loud_sweeps(walk, group)
    return [joined(last, one) for one in loud[:1]] + loud[1:]


def pings(walk: Walk) -> list[Capture]:
    """What stands of all quiet sweeps of a box from its own place so far."""
    quiet = [r for r in walk.looks if isinstance(r, Sweep) and r.stage == "playing" and is_quiet(walk.kit, r)]
    own = [walk.looks[request][0] for request in quiet if request.at == request.channel]
    return [capture for capture in own if isinstance(capture, Capture)]


def shut_gates(walk: Walk, group: Group) -> Iterator[tuple[ListedCheck, CheckResult]]:
    """Each gate that does not pass on what a group gave."""
    for listed in walk.checks:
        needed = [request for request in walk.schedule.needs[listed.name] if request in group.gates]
        if not listed.check.GATE or not needed:
            continue
        result = examine_looks(listed, needed, walk.looks, walk.troubles, walk.kit, partial=True)
        if result.outcome != "pass":
            yield listed, result


def hidden_by_noise(walk: Walk, group: Group) -> list[str]:
    """What the noise of a place will hide, in words, by its quiet sweeps."""
    quiet = [walk.attempts[gate][-1][0] for gate in sweeps(group.gates) if not walk.troubles[gate]]
    return [*foretold(walk.checks, group.requests, quiet, walk.kit)]


def of_checks(
    walk: Walk, requests: Collection[Sweep], wanted: Callable[[ListedCheck, CheckResult], bool]
) -> list[Sweep]:
    """Those of some requests that checks read whose result so far is as wanted."""
    found: dict[Sweep, None] = {}
    for listed in walk.checks:
        needed = [request for request in sweeps(walk.schedule.needs[listed.name]) if request in requests]
        if not needed or any(walk.troubles[request] for request in needed):
            continue
        if wanted(listed, examined(walk, listed, needed)):
            found |= dict.fromkeys(needed)
    return list(found)


def with_symptoms(walk: Walk, requests: Sequence[Sweep]) -> list[Sweep]:
    """Those of some requests in which the bench looks wrong: a noise from outside may look like it once."""
    quiet = [request for request in requests if is_quiet(walk.kit, request)]
    return quiet if quiet and unnoticed(symptoms_of(walk, quiet[0].stage)) else []


def symptoms_of(walk: Walk, stage: Stage) -> list[BenchFinding]:
    """Signs of a bench fault in all that stands of a stage so far."""
    return symptoms_in_all(walk.kit, settled(walk.looks, walk.troubles), stage, walk.signs)


def wants_a_look(listed: ListedCheck, result: CheckResult) -> bool:
    """Whether what a check read may be otherwise in another look."""
    return result.may_pass or is_doubtful(result.verdicts) or (listed.check.GATE and result.outcome == "void")


def may_pass(listed: ListedCheck, result: CheckResult) -> bool:
    """Whether noise alone keeps a check from telling."""
    return result.may_pass or any(verdict.may_pass for verdict in result.verdicts)


def fails(listed: ListedCheck, result: CheckResult) -> bool:
    """Whether a check fails."""
    return result.outcome == "fail"


def examined(walk: Walk, listed: ListedCheck, needed: Sequence[Request]) -> CheckResult:
    """A check on what was measured and what is known of the bench so far; of the same evidence only once."""
    doubts = doubts_of(walk.found)
    on = basis(listed, needed, walk.looks, walk.troubles, doubts)
    if on not in walk.known:
        partial = len(needed) < len(walk.schedule.needs[listed.name])
        walk.known[on] = examine_looks(
            listed, needed, walk.looks, walk.troubles, walk.kit, partial=partial, bench_doubts=doubts
        )
    return walk.known[on]
