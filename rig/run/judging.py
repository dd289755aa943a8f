"""From all that a run recorded to its outcome, pure: a live run and its archive both end here.

Nobody is asked and nothing is taken again. What was recorded is all there is, and it is held against the kit as it is
now, by the same functions whether the unit is still on the bench or has been gone for years.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rig.bench_check.symptoms import Signs, bench_doubts
from rig.design.kit import Kit
from rig.findings.search import findings
from rig.values.captures import Capture
from rig.values.findings import Finding
from rig.values.logs import Log
from rig.values.names import NOT_DONE, BenchPart
from rig.values.requests import Programme, Request, Sweep
from rig.values.verdicts import CheckResult, Outcome
from rig.verdict.check import ListedCheck
from rig.verdict.examine import Looks, examine_looks, void
from rig.verdict.guard import STEADY_RISE
from rig.verdict.judge import outcome_of
from rig.verdict.same_run import with_misplaced
from rig.verdict.second_look import CheckedCapture, is_settled, rounds, standing

#: A log, with what speaks against it; empty: nothing.
KeptLog = tuple[Log, tuple[str, ...]]
#: All that a result rests on.
Basis = tuple[object, ...]


@dataclass(frozen=True)
class Judgement:
    """What a run comes to."""

    outcome: Outcome
    results: tuple[CheckResult, ...]
    #: Why it failed, probably; nothing where nothing failed.
    findings: tuple[Finding, ...]
    #: Parts of the bench that its quiet sweeps speak against, and in which words.
    bench_doubts: Mapping[BenchPart, str] = field(default_factory=dict)


def judge_run(
    kit: Kit,
    checks: Sequence[ListedCheck],
    captures: Sequence[CheckedCapture],
    logs: Sequence[KeptLog],
    *,
    stopped: str = "",
    not_done: Collection[str] = (),
    known: Mapping[Basis, CheckResult] | None = None,
    signs: Signs | None = None,
) -> Judgement:
    """Judge a run by what it recorded.

    Parameters
    ----------
    captures
        Every one of the run in the order of playing, repeats too, each with what its samples say against it
        (`verdicts.capture_troubles`).
    logs
        Those of its programmes.
    stopped
        Why the run ended before its time; empty: it did not. Then it is void, unless something failed before that.
    not_done
        Names of the checks that it did not come to: void, whatever was captured for them.
    known
        What the same function gave of the same captures already, by all that it rests on (`basis`).
    signs
        Likewise the signs of a bench fault.
    """
    looks, troubles = evidence(captures, logs)
    doubts = bench_doubts(kit, settled(looks, troubles), signs)
    results = examined(kit, checks, looks, troubles, doubts, stopped=stopped, not_done=not_done, known=known)
    return replace(judgement(kit, results, stopped), bench_doubts=doubts)


def examined(
    kit: Kit,
    checks: Sequence[ListedCheck],
    looks: Looks,
    troubles: dict[Request, tuple[str, ...]],
    doubts: Mapping[BenchPart, str],
    *,
    stopped: str = "",
    not_done: Collection[str] = (),
    known: Mapping[Basis, CheckResult] | None = None,
) -> list[CheckResult]:
    """The results of checks on what stands of a run (`evidence`) and what its bench is in doubt of; else as above."""
    results = []
    for listed in checks:
        needed = listed.requests(kit)
        partial = bool(stopped) and any(request not in looks for request in needed)
        if partial:
            # A gate that stopped the run, on what it had by then.
            needed = tuple(request for request in needed if request in looks)
        if listed.name in not_done or (partial and not needed):
            results.append(void(listed, f"{NOT_DONE}: {stopped}"))
        else:
            on = basis(listed, needed, looks, troubles, doubts)
            result = (known or {}).get(on) or examine_looks(
                listed, needed, looks, troubles, kit, partial=partial, bench_doubts=doubts
            )
            results.append(result)
    return results


def judgement(kit: Kit, results: Sequence[CheckResult], stopped: str) -> Judgement:
    """What the results of a run's checks come to, and why it failed."""
    outcome = run_outcome(results, stopped)
    return Judgement(outcome, tuple(results), _findings(kit, results) if outcome == "fail" else ())


def unjudged(checks: Sequence[ListedCheck], stopped: str) -> Judgement:
    """What a run comes to that cannot be judged: void."""
    return Judgement("void", tuple(void(listed, f"{NOT_DONE}: {stopped}") for listed in checks), ())


def run_outcome(results: Sequence[CheckResult], stopped: str) -> Outcome:
    """What the results of a run's checks come to; of one that was stopped never pass."""
    outcome = outcome_of([result.outcome for result in results])
    return "void" if stopped and outcome == "pass" else outcome


def evidence(
    captures: Sequence[CheckedCapture], logs: Sequence[KeptLog]
) -> tuple[Looks, dict[Request, tuple[str, ...]]]:
    """What stands of all that was recorded, by what was asked, and what speaks against each."""
    attempts: dict[Sweep, list[CheckedCapture]] = {}
    for capture, against in captures:
        attempts.setdefault(capture.request, []).append((capture, against))
    stands: dict[Request, tuple[Sequence[Capture | Log], tuple[str, ...]]] = {
        request: standing(tries, captures) for request, tries in attempts.items()
    }
    stands |= {log.request: ((log,), against) for log, against in logs}
    looks = {request: found for request, (found, _) in stands.items()}
    troubles = {request: against for request, (_, against) in stands.items()}
    return looks, with_misplaced([one for one, *_ in looks.values() if isinstance(one, Capture)], troubles)


def settled(looks: Looks, troubles: Mapping[Request, tuple[str, ...]]) -> list[dict[Request, Capture]]:
    """The captures that the bench may be judged by, round by round (`second_look.rounds`).

    A noise that one look shows and another does not is no fault.
    """
    found = {of: [one for one in found if isinstance(one, Capture)] for of, found in looks.items()}
    return rounds({of: captures for of, captures in found.items() if captures and is_settled(troubles[of])})


def basis(
    listed: ListedCheck,
    needed: Sequence[Request],
    looks: Looks,
    troubles: Mapping[Request, tuple[str, ...]],
    doubts: Mapping[BenchPart, str],
) -> Basis:
    """All that the result of a check rests on, besides the kit: a capture is equal to itself alone."""
    own = [one for request in needed for one in looks.get(request, ())]
    # A clock of its own is told from all that was heard.
    others = looks.values() if any(isinstance(one, Capture) and one.other_clock for one in own) else ()
    return (listed.name, *own, *(troubles.get(request) for request in needed), *map(tuple, others), *doubts.items())


def steady_limits_k(kit: Kit, checks: Sequence[ListedCheck], programme: Programme) -> dict[str, tuple[float, float]]:
    """Role -> limits of its predicted steady rise, as the kit judges it."""
    limits = {}
    for listed in checks:
        for role in programme.guard.roles if programme in listed.requests(kit) else ():
            for key in (STEADY_RISE, f"{STEADY_RISE} {role.role}"):
                limit = kit.limits.get(listed.name, {}).get(key)
                if limit:
                    lower = -math.inf if limit.lower is None else limit.lower
                    limits[role.role] = (lower, math.inf if limit.upper is None else limit.upper)
    return limits


def _findings(kit: Kit, results: Sequence[CheckResult]) -> tuple[Finding, ...]:
    try:
        return findings(kit, results)
    except Exception as error:
        # Whatever happens here, what was measured and judged is kept.
        return (Finding(f"the search for a cause failed: {type(error).__name__}: {error}", "", "unknown", 0.0),)
