"""From captures to verdicts, pure: live runs and archives go the same way."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from rig.design.kit import Kit
from rig.design.trust import RestsOn, doubt, is_spoilt
from rig.design.uncertainty_budget import with_repeatability
from rig.signals import alteration, integrity, marks, quiet
from rig.values.captures import BEFORE_CUT, NOT_HOT, Capture, UnfitBench, Untrusted
from rig.values.logs import Log
from rig.values.names import SHIFT, BenchPart
from rig.values.readings import CheckReadings
from rig.values.requests import Request
from rig.values.verdicts import CheckResult, Verdict
from rig.verdict import clocks
from rig.verdict.check import ListedCheck, mistake_words
from rig.verdict.judge import judge, outcome_of
from rig.verdict.responses import form_troubles
from rig.verdict.second_look import rounds

#: Quantity and subject.
Key = tuple[str, str]
#: Of each request the captures that stand, the best one first.
Looks = Mapping[Request, Sequence[Capture | Log]]
UNCONFIRMED = "one look shows it outside its limit and another does not: wait for quiet, then measure again"
#: Begins why a check is void that could not be read or judged for a mistake in it.
FAILED = "the check itself failed: "
#: Why a check is void whose readings nothing is held against.
NO_LIMIT = "the kit sets no limit for this check, so it proves nothing"


def capture_integrity(capture: Capture) -> integrity.Integrity:
    """What the samples themselves say of a capture: lost samples, clock, clipping, silence.

    The electrical reference is the loopback, or on the leads the drive input; without either the marks must do.
    """
    rows = [capture.inputs.index(role) for role in ("loopback", "drive") if capture.has(role)]
    other = [capture.inputs.index(role) for role in capture.other_clock if capture.has(role)]
    row = rows[0] if rows and rows[0] not in other else None
    return integrity.inspect(capture.samples, capture.layout, row, inputs=capture.inputs, other_clock=other)


def capture_troubles(capture: Capture) -> tuple[str, ...]:
    """Everything that speaks against a capture: the driver's flags and the samples."""
    own = (NOT_HOT, BEFORE_CUT)
    flags = tuple(flag if flag in own else f"the sound driver reported: {flag}" for flag in capture.flags)
    if malformed := form_troubles(capture):
        return flags + malformed
    if capture.request.is_silence:
        timing = capture_integrity(capture).troubles if capture.request.marks else ()
        return flags + tuple(dict.fromkeys((*timing, *quiet.silence_troubles(capture.samples, capture.inputs))))
    found = capture_integrity(capture)
    return flags + (found.troubles or capture_alterations(capture, found))


def capture_alterations(capture: Capture, found: integrity.Integrity) -> tuple[str, ...]:
    """What an operating system did to the rows of a sound capture: automatic gain, noise suppression, resampling."""
    one_clock, layout = clocks.on_playing_clock(capture), capture.layout
    troubles = []
    for n, role in enumerate(capture.inputs):
        if n not in found.silent_rows:
            row, late = one_clock.samples[n], found.arrivals[n]
            if role in capture.other_clock:
                late, _ = marks.arrival(row, layout, clocks.LONGEST_DELAY_S)
            troubles += [f"{role}: {words}" for words in alteration.alterations(row, layout, late)]
    return tuple(troubles)


def _on_one_clock(found: Capture | Log, all_captures: Sequence[Capture]) -> Capture | Log:
    return clocks.on_one_clock(found, all_captures) if isinstance(found, Capture) else found


def void(listed: ListedCheck, reason: str) -> CheckResult:
    """The result of a check of which nothing is proved."""
    return CheckResult(listed.name, listed.check.TITLE, "void", reason, CheckReadings(), (), listed.terms)


def examine(
    listed: ListedCheck,
    needed: Sequence[Request],
    captures: Mapping[Request, Capture | Log],
    troubles: dict[Request, tuple[str, ...]],
    kit: Kit,
    *,
    partial: bool = False,
    bench_doubts: Mapping[BenchPart, str] | None = None,
) -> CheckResult:
    """Read one check and judge it; `partial` when `needed` is only a part of what the check asks for.

    `captures` holds one capture of each request, `troubles` what speaks against it. A missing or disturbed
    capture makes the check void before anything is read. What rests on a part of the bench that is in doubt
    (`rig.bench_check.symptoms.bench_doubts`) is void; what does not is judged all the same.
    """
    for request in needed:
        if request not in captures:
            return void(listed, f"not measured: {request}")
        if troubles[request]:
            return void(listed, f"{request}: {'; '.join(troubles[request])}")
    own = [capture for request in needed if isinstance(capture := captures[request], Capture)]
    all_captures = [capture for capture in captures.values() if isinstance(capture, Capture)]
    doubts = (doubt(listed.rests_on, captures[request].doubts) for request in needed)
    if doubtful := next(filter(None, doubts), clocks.clock_disagreement(all_captures, own)):
        return void(listed, doubtful)
    try:
        read = listed.read([_on_one_clock(captures[request], all_captures) for request in needed], kit)
        read = with_repeatability(read, kit.repeatability.get(listed.name, {}))
        read = replace(read, remarks=(*read.remarks, *clocks.remarks(all_captures, own)))
        bench = next((capture.calibration.bench for capture in own), "")
        return held_against(kit, listed, read, bench=bench, partial=partial, bench_doubts=bench_doubts)
    except Untrusted as error:
        return replace(void(listed, str(error)), may_pass=not isinstance(error, UnfitBench))
    except BaseException as error:
        # Or readings that nothing can be held against: it proves nothing about the unit.
        return void(listed, f"{FAILED}{mistake_words(error)}")


def held_against(
    kit: Kit,
    listed: ListedCheck,
    read: CheckReadings,
    *,
    bench: str = "",
    partial: bool = False,
    bench_doubts: Mapping[BenchPart, str] | None = None,
) -> CheckResult:
    """The result of a check by what it read: held against the kit's limits for it; the rest as `examine`."""
    limits = kit.limits.get(listed.name, {})
    judged = judge(
        read, limits, kit.folder, listed.name, bench=bench, partial=partial, decision=kit.decision, files=kit.files
    )
    verdicts = tuple(without_doubtful(judged, listed.rests_on, bench_doubts or {}))
    outcome, reason = outcome_of([verdict.outcome for verdict in verdicts]), "" if verdicts else NO_LIMIT
    return CheckResult(listed.name, listed.check.TITLE, outcome, reason, read, verdicts, listed.terms)


def examine_looks(
    listed: ListedCheck,
    needed: Sequence[Request],
    looks: Looks,
    troubles: dict[Request, tuple[str, ...]],
    kit: Kit,
    *,
    partial: bool = False,
    bench_doubts: Mapping[BenchPart, str] | None = None,
) -> CheckResult:
    """Read one check on each of the looks that stand, and judge it by all of them; the rest as `examine`."""
    first = {request: found[0] for request, found in looks.items()}
    own = {request: looks[request] for request in needed if request in looks}

    def read(requests: Sequence[Request], captures: Mapping[Request, Capture | Log], is_part: bool) -> CheckResult:
        return examine(listed, requests, captures, troubles, kit, partial=is_part, bench_doubts=bench_doubts)

    results = [read(needed, first | each, partial) for each in rounds(own) or [{}]]
    there, stale = _keys(results[0]), []
    for n in range(len(results)):
        # What has no look of its own in this round is read once more from its first one, which says nothing new.
        no_more = [request for request in needed if request in own and len(own[request]) <= n]
        stale.append(there & _keys(read(no_more, first, True)) if no_more else set())
    return judge_looks(results, stale)


def _keys(result: CheckResult) -> set[Key]:
    return {(verdict.quantity, verdict.subject) for verdict in result.verdicts}


def judge_looks(results: Sequence[CheckResult], stale: Sequence[set[Key]] = ()) -> CheckResult:
    """The result of a check by its results on several looks at one unit, of which the first stands before the others.

    Looks agree by their energy, and a check may find much less than that in one of them: a voice far away, a tick. So a
    fail counts where more looks show it than pass, two at least. It does not count where twice as many pass. Otherwise
    nothing is proved, and another look may tell. `stale` are, for each result, the readings that are no look of their
    own in it: they have no vote.
    """
    votes: dict[Key, list[Verdict]] = {}
    silent = Counter(key for keys in stale for key in keys)
    for result, keys in zip(results, stale or [set()] * len(results), strict=True):
        for verdict in result.verdicts:
            if (key := (verdict.quantity, verdict.subject)) not in keys:
                votes.setdefault(key, []).append(verdict)
    majority = {key: _majority_outcome(verdicts, len(results) - silent[key]) for key, verdicts in votes.items()}
    if len(results) == 1 or not any(majority.values()):
        return results[0]
    stands = max(results, key=lambda r: sum(v.outcome == majority[v.quantity, v.subject] for v in r.verdicts))
    # A fail stands even if it is not among what was read of the look that does.
    missing = [votes[key][0] for key in votes.keys() - _keys(stands) if majority[key] == "fail"]
    judged = []
    for verdict in (*stands.verdicts, *missing):
        key = (verdict.quantity, verdict.subject)
        judged.append(
            next((v for v in (verdict, *votes[key]) if majority[key] in ("", v.outcome)), _unconfirmed(verdict))
        )
    return replace(stands, outcome=outcome_of([verdict.outcome for verdict in judged]), verdicts=tuple(judged))


def _majority_outcome(verdicts: Sequence[Verdict], looks: int) -> str:
    """The outcome of a reading that some of several looks give; empty: none fails, and what stands tells."""
    outcomes = [verdict.outcome for verdict in verdicts]
    fails, passes = outcomes.count("fail"), outcomes.count("pass")
    if not fails:
        return ""
    if looks == 1 or fails >= max(2, passes + 1):
        return "fail"
    return "pass" if passes >= 2 * fails else UNCONFIRMED


def _unconfirmed(verdict: Verdict) -> Verdict:
    return replace(verdict, outcome="void", reason=UNCONFIRMED, margin=float("nan"), may_pass=True)


def without_doubtful(
    verdicts: Sequence[Verdict], rests_on: RestsOn | None, doubts: Mapping[BenchPart, str]
) -> list[Verdict]:
    """Verdicts, void where they rest on a part of the bench that is in doubt.

    Parameters
    ----------
    rests_on : RestsOn or None
        What the check states that its readings rest on; None: on everything.
    doubts : mapping
        Part of the bench -> what speaks against it.
    """
    aligned = {(v.quantity.removesuffix(SHIFT), v.subject) for v in verdicts if v.quantity.endswith(SHIFT)}
    left = []
    for verdict in verdicts:
        is_shape = (verdict.quantity, verdict.subject) in aligned
        spoilt = [words for part, words in doubts.items() if is_spoilt(rests_on, verdict.quantity, part, is_shape)]
        if spoilt and verdict.outcome != "void":
            reason = f"the bench is in doubt: {'; '.join(dict.fromkeys(spoilt))}"
            verdict = replace(verdict, outcome="void", reason=reason, margin=float("nan"), may_pass=False)
        left.append(verdict)
    return left
