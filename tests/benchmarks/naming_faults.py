"""How often a unit's fault is named rightly, how many faults get through, and how many good units fail.

    python tests/benchmarks/naming_faults.py [--units 200] [--good 50] [--jobs 2] [--first 0] [--figure confusion.svg]
        [--kept FOLDER]

With --kept each unit's results stand in a folder as they come, and what stands there is not simulated again; the
findings are always made anew.

Units of both demo kits, each with parts of its own inside tolerance, noise and room on. Faults are drawn in turn from
all that `kitproof faults` lists of the unit, with several amounts; each unit is verified as `kitproof verify` does it.

named first     the first finding is the fault, or lists it among those that nothing measured can tell from it
among three     one of the first three is, or does
escaped         the unit passes; for a fault with an amount the amount may be inside the limits on purpose
void            nothing is proved, and the unit does not pass either
"""

import argparse
import math
import os
import pickle
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from multiprocessing import Pool
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from confusion import confusion_svg

from rig.calibration.known_load import calibrate_known_load
from rig.design.fault_kinds import UNIT_FAULTS
from rig.design.fault_names import Fault, fault_names, parse_fault
from rig.design.kit import Kit
from rig.findings.search import findings
from rig.run import sequencer
from rig.run.verify import Job, job
from rig.simulated.bench import SimulatedBench
from rig.values.captures import KnownLoad
from rig.values.findings import Finding
from rig.values.run import Finished
from rig.values.verdicts import CheckResult

KITS = ("booth-two", "rehearsal-three")
LOAD_OHM = 8.2
#: Besides the one that a fault has of itself.
AMOUNTS: dict[str, tuple[float, ...]] = {
    "off": (-50, -33, -20, 50, 120, 370),
    "thin-wire": (1.0, 2.0),
    "wrong-impedance": (0.5,),
    "shorted-turns": (20, 45),
    "weak": (2, 5),
    "stiff": (-20, 35),
    "leak": (1, 3),
    "tuning": (-8, -15, 15),
    "undamped": (1.5, 3),
    "quiet": (3, 10, -6),
    "corner": (0.67, 2.0),
    "rub": (-34,),
    "buzz": (-34,),
    "particle": (-30,),
    "blowing": (-34,),
    "bent": (6,),
    "humming": (100,),
    "hissing": (60,),
}
#: A value told is right within this of the true one, as a ratio, or within the range that is told with it.
WITHIN = 1.25


@dataclass(frozen=True)
class Task:
    """One unit."""

    kit: str
    #: Empty: nothing is wrong with it.
    fault: str
    number: int


@dataclass(frozen=True)
class Scored:
    """What became of one unit."""

    task: Task
    outcome: str
    #: Of the right cause among the findings, from 0; None: it is not there.
    place: int | None
    found: tuple[Finding, ...]
    findings_s: float


@lru_cache(maxsize=4)
def job_of(kit: str) -> Job:
    """A demo kit's job, loaded once."""
    return job(ROOT, kit)


@lru_cache(maxsize=4)
def known_load(kit: str) -> KnownLoad:
    """The comparison of the bench's two inputs."""
    bench = SimulatedBench(job_of(kit).kit, job_of(kit).kit.serial_example)
    return calibrate_known_load(bench.known_load_capture(LOAD_OHM), LOAD_OHM, "2026-01-01T12:00:00+00:00")


def verified(task: Task, folder: Path | None) -> tuple[str, tuple[CheckResult, ...]]:
    """Outcome and results of one unit, from the folder if they stand there."""
    place = folder / f"{task.kit} {task.fault or 'good'} {task.number}" if folder else None
    if place and place.exists():
        return pickle.loads(place.read_bytes())  # type: ignore[no-any-return]
    known = simulated(task)
    if place:
        unfinished = place.with_name(place.name + ".unfinished")
        unfinished.write_bytes(pickle.dumps(known))
        unfinished.rename(place)
    return known


def simulated(task: Task) -> tuple[str, tuple[CheckResult, ...]]:
    """Outcome and results of one unit on the simulated bench."""
    work = job_of(task.kit)
    serial = work.kit.serial_example[:3] + f"{task.number:04d}"
    bench = SimulatedBench(work.kit, serial, [task.fault] if task.fault else [])
    bench.known_load = known_load(task.kit)
    for event in sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True):
        if isinstance(event, Finished):
            return event.run.outcome, event.run.results
    raise AssertionError("the sequencer's last event is Finished")


def is_right(kit: Kit, fault: Fault, finding: Finding) -> bool:
    """Whether a finding names a fault, or lists it among those that cannot be told from it."""
    wanted = expected(kit, fault)
    named = (finding.kind, finding.what)
    if fault.kind == "swapped":
        ends = {finding.channel, *finding.what}
        return (finding.kind == "swapped" and ends == {fault.channel, *fault.what}) or (
            finding.channel in (fault.channel, *fault.what) and any(k == "swapped" for k, _ in finding.alike_causes)
        )
    if finding.channel != fault.channel:
        return False
    if named == wanted and wanted[0] == "value":
        true = factor(fault) * finding.should_be
        return abs(math.log(finding.value / true)) < max(
            math.log(WITHIN), 2 * finding.value_uncertainty / finding.value
        )
    return named == wanted or wanted in finding.alike_causes


def expected(kit: Kit, fault: Fault) -> tuple[str, tuple[str, ...]]:
    """Kind and parts of the finding that names a fault."""
    drivers = [driver.name for driver in kit.channel(fault.channel).drivers]
    if fault.kind == "reversed" and len(drivers) == 1:
        return "reversed", ()
    places = UNIT_FAULTS[fault.kind].places
    at_driver = "driver" in places and fault.what and fault.what[0] in drivers
    return places["driver"] if at_driver else next(iter(places.values())), fault.what


def factor(fault: Fault) -> float:
    """What a part's value is multiplied by."""
    return {"tenth": 0.1, "tenfold": 10.0}.get(fault.kind, 1 + fault.amount / 100)


def scored(task: Task, folder: Path | None) -> Scored:
    """Verify one unit, name its fault, and see whether it is the right one."""
    kit = job_of(task.kit).kit
    outcome, results = verified(task, folder)
    began = time.process_time()
    found = findings(kit, results)
    took_s = time.process_time() - began
    return Scored(task, outcome, place_of(kit, task.fault, found), found, took_s)


def place_of(kit: Kit, fault: str, found: Sequence[Finding]) -> int | None:
    """Place of the right cause among the findings."""
    if not fault:
        return None
    wanted = parse_fault(kit, fault)
    return next((n for n, finding in enumerate(found) if is_right(kit, wanted, finding)), None)


def all_faults(kit: Kit) -> list[str]:
    """Every fault of the unit, with each of its amounts."""
    names = [name for name, _ in fault_names(kit) if name.split(":")[0] in UNIT_FAULTS]
    more = [f"{name.split('=')[0]}={amount:g}" for name in names for amount in AMOUNTS.get(name.split(":")[0], ())]
    return names + more


def tasks(units: int, good: int, first: int) -> list[Task]:
    """Faulty units, spread evenly over all faults of both kits, then good ones; `first` skips so many faults."""
    made = []
    for kit in KITS:
        names = all_faults(job_of(kit).kit)
        # A step that shares no divisor with their number meets every fault before any comes again.
        step = next(n for n in range(round(len(names) * 0.618), len(names)) if math.gcd(n, len(names)) == 1)
        for n in range(first, first + units // len(KITS)):
            made.append(Task(kit, names[n * step % len(names)], 1000 + n))
        made += [Task(kit, "", 6000 + first + n) for n in range(good // len(KITS))]
    return made


def report(done: Sequence[Scored]) -> None:
    """The table by kind, the rates, and what was named wrongly."""
    rows: dict[str, Counter[str]] = defaultdict(Counter)
    for one in done:
        kind = one.task.fault.split(":")[0] or "good"
        rows[kind][one.outcome] += 1
        if one.task.fault and (one.outcome == "fail" or one.found):
            rows[kind]["told of"] += 1
            rows[kind]["first"] += one.place == 0
            rows[kind]["three"] += one.place is not None and one.place < 3
    columns = ("pass", "void", "fail", "told of", "first", "three")
    print(f"{'kind':24}" + "".join(f"{name:>9}" for name in columns))
    for kind in sorted(rows):
        print(f"{kind:24}" + "".join(f"{rows[kind][name]:9}" for name in columns))
    faulty = sum((counts for kind, counts in rows.items() if kind != "good"), Counter())
    print(f"{'all faulty':24}" + "".join(f"{faulty[name]:9}" for name in columns))
    if faulty["told of"]:
        shares = [f"{100 * faulty[name] / faulty['told of']:.1f} %" for name in ("first", "three")]
        print(f"named first {shares[0]}, among three {shares[1]} of {faulty['told of']} that failed or were told of")
    good = rows["good"]
    print(f"good units: {good['pass']} pass, {good['fail']} fail, {good['void']} void")
    times = [one.findings_s for one in done if one.found]
    if times:
        print(f"findings: median {np.median(times):.2f} s, 95 % {np.quantile(times, 0.95):.2f} s of processor time")
    for one in done:
        if one.task.fault and (one.outcome == "fail" or one.found) and one.place != 0:
            print(f"  {one.task.kit} {one.task.fault} {one.task.number}, {one.outcome}, place {one.place}:")
            for finding in one.found[:3]:
                print(f"      {finding.probability:.2f} {finding.words} | {'; '.join(finding.alike)}")
        if one.outcome == "pass" and one.task.fault:
            print(f"  escaped: {one.task.kit} {one.task.fault} {one.task.number}")
        if one.outcome != "pass" and not one.task.fault:
            print(f"  good unit: {one.task.kit} {one.task.number} {one.outcome} {[f.words for f in one.found]}")


def figure(done: Sequence[Scored]) -> str:
    """Kind of fault against the kind that was told first, a look-alike counting as the right one."""
    told: Counter[tuple[str, str]] = Counter()
    for one in done:
        if one.task.fault and (one.outcome == "fail" or one.found):
            kit = job_of(one.task.kit).kit
            wanted = expected(kit, parse_fault(kit, one.task.fault))[0]
            first = one.found[0].kind if one.found else "nothing"
            told[wanted, wanted if one.place == 0 else f"{first} elsewhere" if first == wanted else first] += 1
    rows = sorted({row for row, _ in told})
    columns = rows + sorted({column for _, column in told} - set(rows))
    counts = np.array([[told[row, column] for column in columns] for row in rows])
    return confusion_svg(counts, rows, columns)


def main() -> None:
    """Simulate, name, report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=200)
    parser.add_argument("--good", type=int, default=50)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--figure", type=Path)
    parser.add_argument("--kept", type=Path)
    options = parser.parse_args()
    if options.kept:
        options.kept.mkdir(parents=True, exist_ok=True)
    wanted = tasks(options.units, options.good, options.first)
    # A new process now and then: each keeps captures of the units that it has seen.
    with Pool(options.jobs, maxtasksperchild=10) as pool:
        done = list(pool.imap_unordered(partial(scored, folder=options.kept), wanted, chunksize=4))
    done.sort(key=lambda one: (one.task.kit, one.task.fault, one.task.number))
    report(done)
    if options.figure:
        options.figure.write_text(figure(done), encoding="utf-8")


if __name__ == "__main__":
    main()
