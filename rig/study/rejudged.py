"""Stored runs of a kit judged by it as it is now, or by limits that are tried: what each was then, what it is now, why.

One function over some folders of runs, the same in every process and on every machine: what it gives of a run does not
hang on what else it is given, nor on how many share the work.
"""

import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from rig.circuit.notation import hertz
from rig.design.kit import Kit, kit_sha256
from rig.design.kit_changes import KitChanges, kit_changes
from rig.files.errors import KitproofError, RecordError
from rig.files.plain import Number
from rig.run.rejudging import judge_stored
from rig.run.verify import Job, job_of
from rig.store.recorded import recorded_kit
from rig.store.records import read_in_place
from rig.store.run_json import Record
from rig.values.verdicts import BareVerdict, CheckResult
from rig.verdict.check import unforeseen


@dataclass(frozen=True)
class Asked:
    """How runs are to be judged: it travels to whoever shares the work."""

    workspace: Path
    #: As it is now, with the limits that are tried.
    kit: Kit
    #: Read everything again from the captures.
    all_again: bool = False


class StoredRun(NamedTuple):
    """One run of the kit, by the name of its folder, and its outcome as it is listed."""

    serial: str
    run: str
    outcome: str


@dataclass(frozen=True)
class Change:
    """A verdict that is another one now; of a check as a whole where the quantity is empty."""

    check: str
    quantity: str
    subject: str
    #: pass, fail, void; empty: it was not judged.
    then: str
    now: str
    #: What was read, and where on a curve; NaN where nothing was.
    value: Number
    unit: str
    at_hz: Number
    #: The limit then and now, in words.
    limit_then: str
    limit_now: str
    margin_then: Number
    margin_now: Number
    #: Why it is what it is now, in words of the judge.
    reason: str


@dataclass(frozen=True)
class UnitRejudged:
    """A stored run, then and now."""

    serial: str
    run: str
    then: str
    #: Empty: it could not be judged.
    now: str = ""
    changes: tuple[Change, ...] = ()
    #: Checks that were read again from captures and logs.
    read_again: tuple[str, ...] = ()
    #: Why it could not be judged.
    problem: str = ""
    #: Of computing, for telling what a run costs; no part of what is equal whoever computes it.
    seconds: float = field(default=0.0, compare=False)


def rejudged(asked: Asked, runs: Sequence[StoredRun]) -> list[UnitRejudged]:
    """Judge some stored runs anew; one that cannot be judged says why."""
    jobs: dict[str, Job] = {}
    kits: dict[str, tuple[Kit, KitChanges]] = {}
    found = []
    for run in runs:
        began = time.process_time()
        try:
            record = read_in_place(asked.workspace / "results" / asked.kit.name / run.serial / run.run)
            if record.plan not in jobs:
                jobs[record.plan] = job_of(asked.workspace, asked.kit, record.plan)
            if record.kit.sha256 not in kits:
                kits[record.kit.sha256] = _kit_then(record, asked.kit)
            one = _judged(record, jobs[record.plan], *kits[record.kit.sha256], all_again=asked.all_again)
        except KitproofError as error:
            one = UnitRejudged(run.serial, run.run, run.outcome, problem=str(error))
        except Exception as error:
            # Whatever stands in one record, the others are judged.
            one = UnitRejudged(run.serial, run.run, run.outcome, problem=f"{run.run}: {unforeseen(error)}")
        found.append(replace(one, seconds=time.process_time() - began))
    return found


def _kit_then(record: Record, kit: Kit) -> tuple[Kit, KitChanges]:
    """The kit of a record, and what has changed since; everything, where that cannot be read any more."""
    try:
        was = recorded_kit(record)
    except RecordError:
        return kit, KitChanges(frozenset(kit.checks), frozenset(kit.checks))
    if kit_sha256(was) != record.kit.sha256:
        raise RecordError(f"{record.folder / 'kit'}: was changed after the run")
    return was, kit_changes(was, kit)


def _judged(record: Record, work: Job, was: Kit, changes: KitChanges, *, all_again: bool) -> UnitRejudged:
    judged = judge_stored(work, record, was, changes, all_again=all_again)
    found = tuple(_changes(record, judged.results))
    return UnitRejudged(record.serial, record.run, record.outcome, judged.outcome, found, judged.read_again)


def _changes(record: Record, results: Sequence[CheckResult]) -> Iterator[Change]:
    """Verdicts that differ; of a check in which none does, and which is another one all the same, that."""
    before = {entry.check: entry for entry in record.results}
    for result in results:
        entry = before.pop(result.name, None)
        then, now = _by_key(entry.verdicts if entry else ()), _by_key(result.verdicts)
        changed = [
            _change(result.name, then.get(key), now.get(key))
            for key in {**then, **now}
            if _outcome(then.get(key)) != _outcome(now.get(key))
        ]
        yield from changed
        was = entry.outcome if entry else ""
        if not changed and was != result.outcome:
            yield _of_check(result.name, was, result.outcome, result.reason or (entry.reason if entry else ""))
    for name, entry in before.items():
        yield _of_check(name, entry.outcome, "", "the kit's plan has this check no more")


def _by_key(verdicts: Sequence[BareVerdict]) -> dict[tuple[str, str], BareVerdict]:
    return {(verdict.quantity, verdict.subject): verdict for verdict in verdicts}


def _outcome(verdict: BareVerdict | None) -> str:
    return verdict.outcome if verdict else ""


def _change(check: str, then: BareVerdict | None, now: BareVerdict | None) -> Change:
    both = [verdict for verdict in (now, then) if verdict]
    # A void verdict says nothing of a value.
    read = next((verdict for verdict in both if verdict.value == verdict.value), both[0])
    return Change(
        check,
        read.quantity,
        read.subject,
        _outcome(then),
        _outcome(now),
        read.value,
        read.unit,
        read.at_hz,
        limit_words(then),
        limit_words(now),
        then.margin if then else float("nan"),
        now.margin if now else float("nan"),
        now.reason if now else "no limit is for it any more",
    )


def _of_check(check: str, then: str, now: str, reason: str) -> Change:
    nan = float("nan")
    return Change(check, "", "", then, now, nan, "", nan, "", "", nan, nan, reason)


def limit_words(verdict: BareVerdict | None) -> str:
    """The limit of a verdict; of a curve also its sides at the point that the verdict is about, which may move."""
    if verdict is None:
        return ""
    if verdict.at_hz != verdict.at_hz:
        return verdict.limit
    sides = [f"{side:.4g}" for side in (verdict.lower, verdict.upper) if abs(side) < float("inf")]
    return f"{verdict.limit}: {' to '.join(sides)} at {hertz(verdict.at_hz)}" if sides else verdict.limit


def outcomes(units: Sequence[UnitRejudged]) -> dict[str, tuple[int, int]]:
    """pass, fail, void -> how many of the units that could be judged were so then, and are so now."""
    judged = [unit for unit in units if not unit.problem]
    then, now = Counter(unit.then for unit in judged), Counter(unit.now for unit in judged)
    return {outcome: (then[outcome], now[outcome]) for outcome in ("pass", "fail", "void")}


def changed_units(units: Sequence[UnitRejudged]) -> list[UnitRejudged]:
    """Those whose outcome is another one now."""
    return [unit for unit in units if not unit.problem and unit.then != unit.now]


def by_reading(units: Sequence[UnitRejudged]) -> Mapping[tuple[str, str, str, str], int]:
    """Check, quantity, then, now -> in how many units, most first."""
    found = Counter(key for unit in units for key in {(c.check, c.quantity, c.then, c.now) for c in unit.changes})
    return dict(sorted(found.items(), key=lambda pair: (-pair[1], pair[0])))
