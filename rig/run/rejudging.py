"""A stored run, judged by a kit as it is now: nothing is captured, nothing that is stored is changed.

What its checks read is stored as well. Where only limits have changed, those readings are held against them; captures
and logs are read again for those checks alone whose readings a change may touch, of the kit or of the check itself, or
that were looked at several times, since a record keeps what one look gave.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from importlib.metadata import version

import numpy as np

import checks
from rig.bench_check.symptoms import bench_doubts
from rig.design.kit import Kit
from rig.design.kit_changes import KitChanges
from rig.design.limits import limit_key
from rig.design.uncertainty_budget import with_repeatability
from rig.run.judging import Judgement, KeptLog, evidence, examined, judge_run, run_outcome, settled, steady_limits_k
from rig.run.verify import Job
from rig.store import records
from rig.store.recorded import read_curve
from rig.store.run_json import CurveEntry, Record, ResultEntry
from rig.values.names import NOT_DONE
from rig.values.readings import CheckReadings, Curve
from rig.values.requests import Guard, Programme, Request
from rig.values.verdicts import BareVerdict, CheckResult, Outcome, Verdict
from rig.verdict.check import ListedCheck
from rig.verdict.examine import FAILED, NO_LIMIT, capture_troubles, held_against
from rig.verdict.guard import watched
from rig.verdict.second_look import CheckedCapture


@dataclass(frozen=True)
class Rejudged:
    """What a stored run comes to by a kit as it is now."""

    outcome: Outcome
    results: tuple[CheckResult, ...]
    #: Checks that were read again from captures and logs.
    read_again: tuple[str, ...]


def judge_again(work: Job, record: Record) -> Judgement:
    """Judge all that a run captured anew, and say why it failed.

    What speaks against a capture is found anew from its samples, and each log goes through the kit's guard again.

    Raises
    ------
    RecordError
        If a file of the record is missing or was changed.
    """
    captures = [(capture, capture_troubles(capture)) for capture in records.load_captures(record)]
    logs = _kept_logs(work, record)
    return judge_run(work.kit, work.checks, captures, logs, stopped=record.stopped, not_done=_not_done(record))


def judge_stored(work: Job, record: Record, was: Kit, changes: KitChanges, *, all_again: bool = False) -> Rejudged:
    """Judge a stored run by what its record holds of each check, as far as that can tell.

    Parameters
    ----------
    work
        The kit as it is now, and the checks of the run's plan.
    record, was
        The record, and the kit that it was judged by.
    changes
        What differs between that kit and the one of `work`.
    all_again
        Read everything again from the captures, and what speaks against each too.

    Raises
    ------
    RecordError
        If a file that is asked for is missing or was changed.
    """
    entries = {entry.check: entry for entry in record.results}
    again = [
        listed for listed in work.checks if all_again or _asks_captures(work, record, was, changes, listed, entries)
    ]
    found = {result.name: result for result in _read_again(work, record, again, all_again)}
    results = [
        found.get(listed.name) or _by_record(work, record, listed, entries[listed.name], listed.name in changes.limits)
        for listed in work.checks
    ]
    names = tuple(listed.name for listed in again)
    return Rejudged(run_outcome(results, record.stopped), tuple(results), names)


def _asks_captures(
    work: Job, record: Record, was: Kit, changes: KitChanges, listed: ListedCheck, entries: dict[str, ResultEntry]
) -> bool:
    """Whether what a record holds of a check does not tell what the check would say now."""
    entry = entries.get(listed.name)
    if entry is None or listed.name in changes.readings or _may_read_otherwise(record, listed):
        return True
    if listed.name not in changes.limits or entry.reason.startswith(NOT_DONE):
        return False
    needed = listed.requests(work.kit)
    looks: list[Request] = [capture.request for capture in record.captures]
    return (
        record.bench_doubts is None
        or entry.reason.startswith(FAILED)
        or any(looks.count(request) > 1 for request in needed)
        # The guard is a limit like others: a log may end elsewhere now.
        or any(
            steady_limits_k(work.kit, work.checks, one) != steady_limits_k(was, work.checks, one)
            for one in needed
            if isinstance(one, Programme)
        )
    )


def _may_read_otherwise(record: Record, listed: ListedCheck) -> bool:
    """Whether the check may be another program than it was; of a version's, only as long as its captures are there."""
    # No record tells how a check of the workspace's own was written.
    if listed.check not in checks.ALL:
        return True
    is_other = record.software.get("kitproof") != version("kitproof")
    return is_other and all((record.folder / entry.file).exists() for entry in record.captures)


def _by_record(work: Job, record: Record, listed: ListedCheck, entry: ResultEntry, is_held_anew: bool) -> CheckResult:
    """The result of a check as its record has it, or by its readings there, held against the limits of now."""
    if not is_held_anew or entry.reason not in ("", NO_LIMIT):
        bare = [field.name for field in fields(BareVerdict)]
        verdicts = tuple(Verdict(**{name: getattr(one, name) for name in bare}) for one in entry.verdicts)
        return CheckResult(entry.check, entry.title, entry.outcome, entry.reason, CheckReadings(), verdicts)
    needed, limits = listed.requests(work.kit), work.kit.limits.get(listed.name, {})
    curves = (
        read_curve(record, one) if limit_key(limits, one.quantity, one.subject) in limits else _unread(one)
        for one in entry.curves
    )
    read = CheckReadings(entry.readings, tuple(curves), remarks=entry.remarks)
    read = with_repeatability(read, work.kit.repeatability.get(listed.name, {}))
    benches = (record.calibrations[one.calibration].bench for one in record.captures if one.request in needed)
    asked: list[Request] = [*(one.request for one in record.captures), *(one.request for one in record.logs)]
    recorded = {_unguarded(request) for request in asked}
    return held_against(
        work.kit,
        listed,
        read,
        bench=next(benches, ""),
        partial=bool(record.stopped) and any(_unguarded(request) not in recorded for request in needed),
        bench_doubts=record.bench_doubts,
    )


def _unread(entry: CurveEntry) -> Curve:
    """A curve that no limit is for: its name alone, without points."""
    nothing = np.empty(0)
    return Curve(entry.quantity, entry.subject, nothing, nothing, entry.unit, nothing.astype(np.bool_))


def _read_again(work: Job, record: Record, checks: Sequence[ListedCheck], all_again: bool) -> Iterable[CheckResult]:
    """The results of some checks from captures and logs; what was found against a capture rests on no kit."""
    if not checks:
        return []
    against = [entry.troubles for entry in record.captures]
    captures: list[CheckedCapture] = [
        (capture, capture_troubles(capture) if all_again else troubles)
        for capture, troubles in zip(records.load_captures(record), against, strict=True)
    ]
    looks, troubles = evidence(captures, _kept_logs(work, record))
    doubts = bench_doubts(work.kit, settled(looks, troubles))
    stopped, not_done = record.stopped, _not_done(record)
    return examined(work.kit, checks, looks, troubles, doubts, stopped=stopped, not_done=not_done)


def _not_done(record: Record) -> Collection[str]:
    return {result.check for result in record.results if result.reason.startswith(NOT_DONE)}


def _kept_logs(work: Job, record: Record) -> list[KeptLog]:
    """The logs of a record, through the guard of the kit as it is now."""
    rows = records.load_rows(record)
    against = [entry.troubles for entry in record.logs]
    asked = {_unguarded(one): one for one in work.schedule.requests if isinstance(one, Programme)}
    logs = []
    for (programme, of_it), troubles in zip(rows.items(), against, strict=True):
        # Whoever changed it wants to know what it would have done.
        programme = asked.get(_unguarded(programme), programme)
        limits = steady_limits_k(work.kit, work.checks, programme)
        logs.append((watched(programme, of_it, limits), troubles))
    return logs


def _unguarded(request: Request) -> Request:
    """What sounds in a programme, whatever watches over it."""
    if not isinstance(request, Programme):
        return request
    return replace(request, guard=Guard((), 0.0, 0.0, 0.0, (0.0, 0.0)), early_end_after_s=None)
