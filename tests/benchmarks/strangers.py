"""What the rig does on units of foreign physics, after so many good builds: what fails, what passes, what is named.

    python tests/benchmarks/strangers.py [--designs closed-two,bass-box] [--units 6] [--good 2] [--seeds 1] [--first 1]
        [--builds 3] [--limits learn] [--widths 0] [--jobs 2] [--each]

For each design and seed a builder vouches for some builds: they are verified, become the reference, and `kitproof
learn` learns from them (`--limits windows`: only the reference). Then good and faulty units of the same batch are
verified in memory. Where the rig refuses to learn, the windows around the reference stay, and the table says so.

passing         of faulty units: the fault got through
told            units that fail, or of which something is told
first           the first finding is the fault, or lists it in a group of at most three that cannot be told apart
three           one of the first three is
wrong 90        the first finding is another cause, and is said with more than 90 %
bench           something is said to be wrong with the bench, which is right
value           the part's value is told within 10 %, of those whose part is named with its value
mask            half width of the learnt impedance mask over the half width that 99.5 % of good units keep to at all
                points at once, median over frequency (--widths: how many units that is found from)
reliability     of the first findings that name a cause, by the probability that they were said with: how many there
                were, what was said on the average, and how many were right
"""

import argparse
import contextlib
import math
import os
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from multiprocessing import Pool
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np
from scipy.stats import beta

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from strangers.bench import StrangerBench
from strangers.designs import DESIGNS, Design
from strangers.faults import Fault, all_faults, faulty
from strangers.kits import learnt_limits, windows, write_kit
from strangers.population import unit

from rig.calibration.known_load import calibrate_known_load
from rig.run import sequencer
from rig.run.verify import Job, job, verify
from rig.values.findings import Finding
from rig.values.run import Finished

LOAD_OHM = 8.2
#: Of the builds' largest misfit, what a builder who has looked at a few of them writes as its limit.
MISFIT_TIMES = 1.5
#: A neighbouring value of the series is to be seen where it moves the impedance by this much anywhere.
MOVES_PART = 0.08
#: Causes that cannot be told apart count as named when they are no more than this.
GROUP = 3
SURE = 0.9
VALUE_WITHIN = 0.10
#: Probabilities that findings are sorted by, for the reliability diagram.
SAID = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)
#: Kind of a stranger's fault -> kind of finding.
CALLED = {
    "tenth": "value",
    "tenfold": "value",
    "next-up": "value",
    "next-down": "value",
    "swapped": "exchanged",
    "quiet": "gain",
    "leaking": "leak",
    "blocked": "blocked port",
}


@dataclass(frozen=True)
class Scored:
    """What became of one unit."""

    design: str
    seed: int
    serial: str
    fault: Fault | None
    row: str
    outcome: str
    #: Of the right cause among the findings, from 0; None: it is not there.
    place: int | None
    found: tuple[Finding, ...]
    #: What is said of the bench, which is right in every run; empty: nothing.
    blamed: str


@dataclass(frozen=True)
class Batch:
    """All of one design and seed."""

    design: str
    seed: int
    #: Why the rig did not learn; empty: it did, or was not asked to.
    refused: str
    misfit_percent: float
    #: Learnt mask over what good units need; NaN where it is not known.
    mask_ratio: float
    units: tuple[Scored, ...] = field(default=())


def bench_of(work: Job, design: Design, seed: int, serial: str, faults: Sequence[Fault] = ()) -> StrangerBench:
    """The bench of a seed with a unit on it, its inputs calibrated."""
    bench = StrangerBench(work.kit, design, seed, serial, faults)
    bench.known_load = calibrate_known_load(bench.known_load_capture(LOAD_OHM), LOAD_OHM, "2026-01-01T12:00:00+00:00")
    return bench


def taught(design: Design, seed: int, builds: int, limits: str, workspace: Path) -> tuple[Job, str, float]:
    """The job of a kit whose limits rest on good builds, why it learnt nothing, and the builds' largest misfit."""
    write_kit(design, workspace)
    serials = [f"ST-9{n:03d}" for n in range(builds)]
    misfits = []
    for serial in serials:
        work = job(workspace, design.name)
        bench = bench_of(work, design, seed, serial)
        run, _ = verify(workspace, work, serial, bench, lambda words: True, lambda event: None)
        read = [r for result in run.results for r in result.read.readings if r.quantity == "parts misfit"]
        misfits += [reading.value for reading in read if math.isfinite(reading.value)]
    misfit = MISFIT_TIMES * max(misfits, default=100.0)
    done = kitproof(workspace, "reference", design.name, *serials)
    assert done.returncode == 0, done.stderr
    refused = ""
    if limits == "learn":
        done = kitproof(workspace, "learn", design.name, *serials)
        refused = done.stderr.strip()
    write_kit(
        design,
        workspace,
        windows(design, misfit) if refused or limits != "learn" else learnt_limits(design, workspace),
    )
    return job(workspace, design.name), refused, misfit


def kitproof(workspace: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command of the rig in a workspace."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "rig", *words]
    return subprocess.run(command, cwd=workspace, env=environment, capture_output=True, text=True, check=False)


def batch(task: tuple[str, int], options: argparse.Namespace) -> Batch:
    """Teach the rig one design and seed, and verify its units."""
    name, seed = task
    design = DESIGNS[name]
    with tempfile.TemporaryDirectory() as folder:
        work, refused, misfit = taught(design, seed, options.builds, options.limits, Path(folder))
        ratio = mask_ratio(work, design, seed, options.widths)
        faults: list[Fault | None] = [*drawn_faults(design, seed, options.units), *[None] * options.good]
        units = tuple(scored(work, design, seed, f"ST-{n:04d}", fault) for n, fault in enumerate(faults))
    return Batch(name, seed, refused, misfit, ratio, units)


def drawn_faults(design: Design, seed: int, units: int) -> list[Fault]:
    """Faults spread evenly over the kinds, and over the parts inside a kind."""
    by_kind: dict[str, list[Fault]] = defaultdict(list)
    for fault in all_faults(design):
        by_kind[fault.kind].append(fault)
    random = np.random.default_rng([seed, sum(map(ord, design.name))])
    kinds = list(by_kind)
    order = [kinds[n] for n in random.permutation(len(kinds))]
    return [
        by_kind[kind][int(random.integers(len(by_kind[kind])))]
        for kind in (order[n % len(order)] for n in range(units))
    ]


def scored(work: Job, design: Design, seed: int, serial: str, fault: Fault | None) -> Scored:
    """Verify one unit and look for its fault among the findings."""
    bench = bench_of(work, design, seed, serial, [fault] if fault else [])
    for event in sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True):
        if isinstance(event, Finished):
            run = event.run
    found = run.findings
    place = next((n for n, finding in enumerate(found) if fault and is_right(design, fault, finding)), None)
    row = row_of(design, seed, serial, fault)
    return Scored(design.name, seed, serial, fault, row, run.outcome, place, found, run.bench_advice)


def row_of(design: Design, seed: int, serial: str, fault: Fault | None) -> str:
    """The row of the table that a unit counts in."""
    if fault is None:
        return "good"
    if fault.kind not in ("next-up", "next-down"):
        return fault.kind
    at_hz = np.geomspace(20.0, 20000.0, 400)
    good, bad = (
        made.impedance_ohm("box", at_hz) for made in (unit(design, seed, serial), faulty(design, seed, serial, [fault]))
    )
    moves = np.max(np.abs(np.abs(bad / good) - 1))
    return f"next E6, moves {'more' if moves > MOVES_PART else 'less'} than {100 * MOVES_PART:.0f} %"


def is_right(design: Design, fault: Fault, finding: Finding) -> bool:
    """Whether a finding names a fault, or a group of at most three with it among them."""
    kind = CALLED.get(fault.kind, fault.kind)
    if fault.kind == "reversed" and len(design.drivers) == 1:
        wanted: tuple[str, frozenset[str]] = ("reversed", frozenset())
    else:
        wanted = (kind, frozenset(fault.what))
    alike = [(other, frozenset(what)) for other, what in finding.alike_causes]
    return (finding.kind, frozenset(finding.what)) == wanted or (wanted in alike and len(alike) < GROUP)


def value_error(design: Design, one: Scored) -> float:
    """Relative error of the value told of a part that was named; NaN where none was."""
    if one.fault is None or one.place != 0 or one.found[0].kind != "value" or len(one.fault.what) != 1:
        return math.nan
    if one.fault.kind in ("open", "short"):
        return math.nan
    parts = faulty(design, one.seed, one.serial, [one.fault]).parts
    true = {part.name: part.value for part in parts}[one.fault.what[0]]
    return one.found[0].value / true - 1


def mask_ratio(work: Job, design: Design, seed: int, units: int) -> float:
    """Half width of the impedance mask over that which 99.5 % of good units keep to at all points at once."""
    limit = work.kit.limits["impedance"].get("impedance box")
    if not units or limit is None or limit.mask is None:
        return math.nan
    mask = np.loadtxt(work.kit.folder / limit.mask, delimiter=",", skiprows=1)
    drawn = np.abs([unit(design, seed, f"good {n}").impedance_ohm("box", mask[:, 0]) for n in range(units)])
    off = drawn / np.mean(drawn, axis=0) - 1
    sigma = np.std(off, axis=0)
    whole = np.quantile(np.max(np.abs(off) / sigma, axis=1), 0.995)
    return float(np.median((mask[:, 2] - mask[:, 1]) / (mask[:, 2] + mask[:, 1]) / (whole * sigma)))


def report(done: Sequence[Batch], each: bool) -> None:
    """The table by kind of fault, what the rig learnt, and on demand every unit that was not told rightly."""
    rows: dict[str, Counter[str]] = defaultdict(Counter)
    for one in (one for of_one in done for one in of_one.units):
        for row in (one.row, *(["all faulty"] if one.fault else [])):
            rows[row] += tally(one)
    columns = (
        "units",
        "pass",
        "void",
        "fail",
        "told",
        "first",
        "three",
        "wrong 90",
        "unknown",
        "values",
        "value ok",
        "bench",
    )
    print(f"{'':26}" + "".join(f"{name:>9}" for name in columns))
    for row in sorted(rows, key=lambda name: (name == "all faulty", name != "good", name)):
        print(f"{row:26}" + "".join(f"{rows[row][name]:9}" for name in columns))
    faults, good = rows["all faulty"], rows["good"]
    if faults["told"]:
        shares = ", ".join(
            f"{name} {100 * faults[name] / faults['told']:.0f} %" for name in ("first", "three", "wrong 90")
        )
        print(f"of {faults['told']} that fail or are told of: {shares}")
    if good["units"]:
        failing, void = (100 * good[outcome] / good["units"] for outcome in ("fail", "void"))
        print(f"good units: {failing:.1f} % fail, {void:.1f} % void")
    reliability([one for of_one in done for one in of_one.units])
    print(f"learning was refused for {sum(bool(one.refused) for one in done)} of {len(done)} batches")
    for of_one in done:
        ratio = f", mask {of_one.mask_ratio:.2f} of what good units need" if math.isfinite(of_one.mask_ratio) else ""
        limit = f"misfit limit {of_one.misfit_percent:.1f} %"
        print(f"  {of_one.design} {of_one.seed}: {limit}{ratio} {of_one.refused[-120:]}")
    if each:
        for one in (one for of_one in done for one in of_one.units):
            if (one.fault and (one.outcome == "pass" or one.place != 0)) or (not one.fault and one.outcome != "pass"):
                told = "; ".join(f"{finding.probability:.2f} {finding.words}" for finding in one.found[:3])
                print(f"  {one.design} {one.seed} {one.fault or 'good'}: {one.outcome} | {told}")
            if one.blamed:
                print(
                    f"  {one.design} {one.seed} {one.fault or 'good'}: {one.outcome} | {' '.join(one.blamed.split())}"
                )


def reliability(units: Sequence[Scored]) -> None:
    """Print how often first findings are right, by the probability that they were said with."""
    said = [(one.found[0].probability, one.place == 0) for one in units if one.found and one.found[0].kind != "unknown"]
    print(f"{'said':>16}{'n':>6}{'mean':>8}{'right':>8}   95 % interval")
    for low, high in pairwise(SAID):
        own = [(p, right) for p, right in said if low <= p < high or high == p == 1.0]
        if own:
            right, n = sum(right for _, right in own), len(own)
            # Of Jeffreys (L. D. Brown, T. T. Cai and A. DasGupta, Statistical Science 16 (2001)).
            least, most = beta.ppf([0.025, 0.975], right + 0.5, n - right + 0.5)
            mean = np.mean([p for p, _ in own])
            interval = f"{100 * least:5.0f} to {100 * most:.0f} %"
            print(f"{low:7.2f} to {high:.2f}{n:6}{mean:8.3f}{right / n:8.3f}   {interval}")


def tally(one: Scored) -> Counter[str]:
    """What one unit counts for in its row."""
    told = one.outcome == "fail" or bool(one.found)
    wrong = bool(one.found) and one.place != 0 and one.found[0].kind != "unknown"
    error = value_error(DESIGNS[one.design], one)
    return Counter(
        {
            "units": 1,
            one.outcome: 1,
            "told": told,
            "first": one.place == 0,
            "three": one.place is not None and one.place < 3,
            "wrong 90": wrong and one.found[0].probability > SURE,
            "unknown": bool(one.found) and one.found[0].kind == "unknown",
            "values": math.isfinite(error),
            "value ok": abs(error) <= VALUE_WITHIN,
            "bench": bool(one.blamed),
        }
    )


def main() -> None:
    """Teach, verify, report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--designs", default=",".join(DESIGNS))
    parser.add_argument("--units", type=int, default=6, help="faulty units of each design and seed")
    parser.add_argument("--good", type=int, default=2, help="good units of each design and seed")
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--builds", type=int, default=3)
    parser.add_argument("--limits", choices=("learn", "windows"), default="learn")
    parser.add_argument("--widths", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--each", action="store_true", help="list the units that were not told rightly")
    options = parser.parse_args()
    tasks = [
        (name, seed)
        for seed in range(options.first, options.first + options.seeds)
        for name in options.designs.split(",")
    ]
    with contextlib.ExitStack() as stack:
        run = stack.enter_context(Pool(options.jobs, maxtasksperchild=4)).imap if options.jobs > 1 else map
        done = list(run(partial(batch, options=options), tasks))
    report(done, options.each)


if __name__ == "__main__":
    main()
