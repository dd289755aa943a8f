"""What the decision rules make of good units and of faulty ones, on benches whose calibrations are off.

    python tests/benchmarks/decision_rules.py [--good 300] [--faulty 0] [--jobs 2] [--first 0] [--kept FOLDER]

Units of both demo kits, each with parts of its own inside tolerance, noise and room on, each measured once as
`kitproof verify` does it, on a bench whose calibrations are off by errors drawn from what they state: sense resistor
and known load to 1 %, meter to 1 %, microphone to 0.5 dB (all k = 2). The readings of that one run are then judged
under each rule. Counts are for each kit: of --good 300 there are 300 of either.

With --kept what was read of each unit stands in a folder as it comes and is not simulated again; it is always judged
anew, so that a change of limits or rules needs no new simulation. A change of a check needs a new folder.

Told are fails and voids with their reasons, the verdicts of good units with the least room, and the faulty units that
a rule lets pass; of a fault with an amount the amount may be inside the limits on purpose.
"""

import argparse
import os
import pickle
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import Pool
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from naming_faults import KITS, LOAD_OHM, Task, all_faults, job_of

from rig.calibration.known_load import EVEN, calibrate_known_load
from rig.design.decision import Decision
from rig.design.kit import Kit
from rig.run import sequencer
from rig.signals.uncertainty import DB_PER_PART
from rig.simulated.bench import SimulatedBench
from rig.simulated.equipment import INPUT_VOLTS
from rig.values.captures import Calibration, Capture, KnownLoad
from rig.values.names import NOT_DONE
from rig.values.readings import CheckReadings
from rig.values.requests import Sweep
from rig.values.run import Finished
from rig.values.verdicts import CheckResult, Verdict
from rig.verdict.judge import judge, outcome_of

RULES = {rule: Decision(rule=rule) for rule in ("simple", "guarded", "risk")}
#: Relative standard uncertainties: sense resistor and known load, meter, microphone.
RESISTOR_U, VOLTS_U, MICROPHONE_U = 0.005, 0.005, 0.25 / DB_PER_PART
MADE_AT = "2026-01-01T12:00:00+00:00"
#: Of the good units' verdicts so many are told, those with the least room.
TOLD = 12
BENCH_NAME = "simulated, seed 0"


@dataclass(frozen=True)
class Errors:
    """What a bench's calibrations are off by, as parts."""

    sense: float
    load: float
    volts: float
    microphone: float

    @property
    def response_db(self) -> float:
        """What a level over the volts at the leads is read too high by."""
        return DB_PER_PART * (self.microphone - self.volts)


@dataclass(frozen=True)
class Measured:
    """What was read of one unit."""

    task: Task
    errors: Errors
    #: Why the run ended early; empty: it did not.
    stopped: str
    results: tuple[CheckResult, ...]


@dataclass(frozen=True)
class Judged:
    """One unit under one rule."""

    task: Task
    rule: str
    outcome: str
    #: Check -> why it does not pass.
    reasons: dict[str, str]
    verdicts: tuple[tuple[str, Verdict], ...]


class UsualBench(SimulatedBench):
    """A simulated bench that states what a usual bench's calibrations do, and is off by as much."""

    def __init__(self, kit: Kit, serial: str, faults: Sequence[str], errors: Errors) -> None:
        super().__init__(kit, serial, faults)
        self.errors = errors
        self.known = self._known_load()

    def play_one(self, request: Sweep, latency_samples: float) -> Capture:
        capture = super().play_one(request, latency_samples)
        return replace(capture, calibration=self.believed(capture.calibration))

    def believed(self, plain: Calibration) -> Calibration:
        """What this bench takes its equipment for."""
        sound, errors = self._sound, self.errors
        loopback_v = INPUT_VOLTS["loopback"] / sound.loopback_gain * (1 + errors.volts)
        return replace(
            plain,
            input_volts={**plain.input_volts, "loopback": loopback_v},
            input_uncertainty={"loopback": VOLTS_U},
            output_volts=plain.output_volts * (1 + errors.volts),
            output_uncertainty=VOLTS_U,
            microphone_v_per_pa=sound.microphone_v_per_pa / (1 + errors.microphone),
            microphone_uncertainty=MICROPHONE_U,
            sense_ohm=sound.sense_ohm * (1 + errors.sense),
            known_load=self.known,
        )

    def _known_load(self) -> KnownLoad:
        capture = SimulatedBench(self.kit, self.kit.serial_example).known_load_capture(
            LOAD_OHM * (1 + self.errors.load)
        )
        sense_ohm = self._sound.sense_ohm * (1 + self.errors.sense)
        capture = replace(capture, calibration=replace(capture.calibration, sense_ohm=sense_ohm))
        # What is marked is the half-width of an even distribution.
        percent = 100 * RESISTOR_U * EVEN
        return calibrate_known_load(capture, LOAD_OHM, MADE_AT, percent, percent)


def drawn(task: Task) -> Errors:
    """Errors of the bench that a unit is measured on."""
    random = np.random.default_rng([7, KITS.index(task.kit), task.number])
    return Errors(*(float(random.normal(0.0, u)) for u in (RESISTOR_U, RESISTOR_U, VOLTS_U, MICROPHONE_U)))


def measured(task: Task, folder: Path | None) -> Measured:
    """What was read of one unit, from the folder if it stands there."""
    place = folder / f"{task.kit} {task.fault or 'good'} {task.number}" if folder else None
    if place and place.exists():
        return pickle.loads(place.read_bytes())  # type: ignore[no-any-return]
    found = simulated(task)
    if place:
        unfinished = place.with_name(f"{place.name}.{os.getpid()}.unfinished")
        unfinished.write_bytes(pickle.dumps(found))
        unfinished.rename(place)
    return found


def simulated(task: Task) -> Measured:
    """What one run of a unit reads."""
    work, errors = job_of(task.kit), drawn(task)
    serial = work.kit.serial_example[:3] + f"{task.number:04d}"
    bench = UsualBench(work.kit, serial, [task.fault] if task.fault else [], errors)
    for event in sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True):
        if isinstance(event, Finished):
            return Measured(task, errors, event.run.stopped, event.run.results)
    raise AssertionError("the sequencer's last event is Finished")


def judged(one: Measured, rule: str) -> Judged:
    """A unit under a rule."""
    kit, outcomes, reasons = job_of(one.task.kit).kit, [], {}
    every: list[tuple[str, Verdict]] = []
    for result in one.results:
        if not result.verdicts:
            outcomes.append(result.outcome)
            reasons[result.name] = result.reason
            continue
        read = as_the_reference(result.read, one.errors)
        limits = kit.limits.get(result.name, {})
        verdicts = judge(
            read, limits, kit.folder, result.name, bench=BENCH_NAME, partial=bool(one.stopped), decision=RULES[rule]
        )
        every += [(result.name, verdict) for verdict in verdicts]
        outcomes.append(outcome_of([verdict.outcome for verdict in verdicts]))
        bad = [v for v in verdicts if v.outcome == outcomes[-1] != "pass"]
        if bad:
            reasons[result.name] = "; ".join(f"{v.quantity} {v.subject}: {v.reason}" for v in bad)
    outcome = outcome_of(outcomes)
    return Judged(one.task, rule, "void" if one.stopped and outcome == "pass" else outcome, reasons, tuple(every))


def as_the_reference(read: CheckReadings, errors: Errors) -> CheckReadings:
    """Readings whose level against the reference build is that of a bench that measured it with the same errors.

    The demo kits' reference builds are of a bench that is not off.
    """
    curves = tuple(
        replace(curve, value=curve.value - errors.response_db) if curve.quantity == "level" else curve
        for curve in read.curves
    )
    return replace(read, curves=curves)


def all_rules(task: Task, folder: Path | None) -> list[Judged]:
    """One unit under every rule."""
    one = measured(task, folder)
    return [_slim(judged(one, rule)) for rule in RULES]


def _slim(one: Judged) -> Judged:
    """Without the masks, which figures alone need."""
    return replace(one, verdicts=tuple((check, replace(verdict, mask=None)) for check, verdict in one.verdicts))


def tasks(good: int, faulty: int, first: int) -> list[Task]:
    """So many good units of each kit; faulty ones of both together, in turn from all faults with all their amounts."""
    made = [Task(kit, "", 1000 + first + n) for n in range(good) for kit in KITS]
    for kit in KITS:
        names = all_faults(job_of(kit).kit)
        step = _step(len(names))
        made += [Task(kit, names[n * step % len(names)], 5000 + n) for n in range(first, first + faulty // len(KITS))]
    return made


def _step(count: int) -> int:
    """Shares no divisor with a count, so that each of so many is met before any comes again."""
    return next(n for n in range(round(count * 0.618), count) if np.gcd(n, count) == 1)


def report(done: Sequence[Judged]) -> Iterator[str]:
    """Lines: counts by kit and rule, reasons, the least room, escapes."""
    for kit in KITS:
        for rule in RULES:
            own = [one for one in done if (one.task.kit, one.rule) == (kit, rule)]
            for words, some in (
                ("good", [one for one in own if not one.task.fault]),
                ("faulty", [one for one in own if one.task.fault]),
            ):
                if some:
                    count = Counter(one.outcome for one in some)
                    told = ", ".join(f"{count[outcome]} {outcome}" for outcome in ("pass", "fail", "void"))
                    yield f"{kit:<16}{rule:<9}{len(some):>5} {words}: {told}"
    yield from _reasons([one for one in done if not one.task.fault])
    yield from _least_room([one for one in done if not one.task.fault and one.rule == "simple"])
    escaped = [one for one in done if one.task.fault and one.outcome == "pass"]
    names: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one in escaped:
        names[one.task.kit, one.task.fault].append(one.rule)
    for (kit, fault), rules in sorted(names.items()):
        count = Counter(rules)
        yield f"  passes: {kit} {fault}: " + ", ".join(f"{rule} {n}" for rule, n in count.items())


def _reasons(good: Sequence[Judged]) -> Iterator[str]:
    for one in good:
        if one.outcome != "pass":
            for check, reason in one.reasons.items():
                if not reason.startswith(NOT_DONE):
                    yield f"  {one.task.kit} {one.task.number} {one.rule} {one.outcome}: {check}: {reason}"


def _least_room(good: Sequence[Judged]) -> Iterator[str]:
    """Of all verdicts of good units those whose margins come nearest to their uncertainty (k = 2)."""
    room: dict[tuple[str, str, str, str], list[tuple[float, float]]] = defaultdict(list)
    for one in good:
        for check, verdict in one.verdicts:
            if np.isfinite(verdict.margin):
                room[one.task.kit, check, verdict.quantity, verdict.subject].append(
                    (verdict.margin, 2 * verdict.uncertainty)
                )
    rows = []
    for (kit, check, quantity, subject), pairs in room.items():
        margin, wide = np.array(pairs).T
        short = int(np.sum(~(margin >= wide)))
        rows.append((short / len(pairs), kit, f"{check}: {quantity} {subject}", float(np.min(margin)), wide.mean()))
    for share, kit, words, least, wide in sorted(rows, reverse=True)[:TOLD]:
        yield f"  {kit:<16}{words:<52} least margin {least:8.3g}, U {wide:.3g}, {100 * share:.1f} % nearer than U"


def main() -> None:
    """Simulate, judge, report."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--good", type=int, default=300, help="of each kit")
    parser.add_argument("--faulty", type=int, default=0, help="of both together")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--kept", type=Path)
    options = parser.parse_args()
    if options.kept:
        options.kept.mkdir(parents=True, exist_ok=True)
    # A new process now and then: each keeps captures of the units that it has seen.
    with Pool(options.jobs, maxtasksperchild=20) as pool:
        wanted = tasks(options.good, options.faulty, options.first)
        done = [one for some in pool.imap_unordered(partial(all_rules, folder=options.kept), wanted) for one in some]
    done.sort(key=lambda one: (one.task.kit, one.task.fault, one.task.number, one.rule))
    print("\n".join(report(done)))


if __name__ == "__main__":
    main()
