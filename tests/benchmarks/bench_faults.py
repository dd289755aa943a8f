"""How often `kitproof check-bench` tells a fault of the bench rightly, and how often it blames the bench wrongly.

    python tests/benchmarks/bench_faults.py [--seeds 3] [--units 0] [--jobs 2] [--only KIND,KIND] [--without-loopback]
                                              [--former-silences]
    python tests/benchmarks/bench_faults.py --runs | --outcomes [...]

Every kind of bench fault, in several severities, on both demo kits and on several benches; then good benches with good
units of both and of one box of each, and with every faulty unit of them that `kitproof faults` lists (`--units N`:
every N-th, 0: none).

rightly    what was built in is told, and nothing else is said to be wrong with the bench
and more   it is told, beside something that is not there
wrongly    something else is told
not told   nothing is

A faulty unit counts as blamed on the bench when something is told as the bench's own. "Bench or unit" tells both and
how to find out which; it is counted by itself.

With `--runs` no bench check is made: the quiet sweeps of `kitproof verify` are, and counted is what the run says before
anything loud sounds.

told       the run says that the bench looks wrong, and what to do
stopped    the run ends at its gates, for a reason that says nothing of the kind
neither    the run would go on to full level

With `--outcomes` whole runs are made, by somebody who goes on whatever the bench says.

void       nothing that the fault spoils was judged
pass       everything was judged, as it should be where a fault changes no reading
fail       the unit is blamed for the bench
"""

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from multiprocessing import Pool
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import checks
from rig.bench_check.assessment import assess, requests
from rig.bench_check.bench_finding import BenchFinding
from rig.calibration.known_load import calibrate_known_load
from rig.design.fault_kinds import UNIT_FAULTS
from rig.design.fault_names import fault_names
from rig.design.kit import Kit, load_kit
from rig.run import sequencer
from rig.run.opening import SIMULATED_LOAD_OHM
from rig.run.schedule import plan, with_codes
from rig.run.walk import Confirm
from rig.simulated.bench import SimulatedBench
from rig.values.captures import Capture, KnownLoad
from rig.values.requests import Sweep
from rig.values.run import Finished, Run
from rig.verdict.check import ListedCheck, listed_checks

KITS = ("booth-two", "rehearsal-three")
#: Designs of one box: with it alone bench and box are hardest to tell apart.
ONE_BOX = ("booth-two:left", "rehearsal-three:left")
RATE_HZ = 48000.0

#: Kind of fault -> amounts, and what it may be told as. None: it takes no amount.
CASES: dict[str, tuple[tuple[float | None, ...], tuple[str, ...]]] = {
    "dropped-samples": ((8, 64, 500), ("lost samples",)),
    "inserted-samples": ((8, 64, 500), ("lost samples",)),
    "second-clock": ((20, 100, 300), ("clock",)),
    "wrong-rate": ((16000, 32000, 44100), ("sample rate",)),
    "resampled": ((4000, 8000, 16000, 20000, 22050), ("resampling",)),
    "automatic-gain": ((6, 12, 20), ("automatic gain",)),
    "noise-suppression": ((10, 20, 40), ("noise suppression",)),
    "clipping": ((3, 6, 20), ("input overdriven",)),
    "dead-microphone": ((None,), ("microphone silent",)),
    "turned-knob": ((-30, -12, -5, 5, 12), ("microphone level", "microphone gain")),
    "inverted-microphone": ((None,), ("microphone polarity",)),
    "far-microphone": ((-50, 40, 100, 300), ("microphone place",)),
    "loud-room": ((70, 80, 90), ("ambient",)),
    "speech": ((70, 80), ("ambient",)),
    "hum": ((30, 40, 50), ("hum",)),
    "microphone-hum": ((30, 40, 50), ("hum",)),
    "other-sound": ((1, 5, 50), ("other sound",)),
    "clips-off": ((None,), ("no current",)),
    "dead-sense": ((None,), ("no current",)),
    "dead-drive": ((None,), ("drive input silent",)),
    "dead-loopback": ((None,), ("loopback missing",)),
    "exchanged-inputs": ((None,), ("inputs exchanged",)),
    "exchanged-outputs": ((None,), ("outputs exchanged",)),
    "resistor-left-in": ((None,), ("resistor left in",)),
    "wrong-sense-resistor": ((1.0, 4.7, 22, 100), ("sense resistor",)),
    "muted": ((None,), ("output silent",)),
    "turned-output": ((-20, -6, -3, 3, 6), ("output level",)),
    "turned-loopback": ((-6, 6), ("loopback gain",)),
    "turned-sense": ((-6, -3, 3, 6), ("input gains",)),
}
#: What a bench without a loopback can tell no better.
WITHOUT_LOOPBACK: dict[str, tuple[str, ...]] = {
    "muted": ("output silent", "amplifier silent"),
    "turned-output": ("output level", "microphone level"),
}
NOT_WITHOUT_LOOPBACK = ("far-microphone", "exchanged-outputs", "turned-loopback", "dead-loopback")


@dataclass(frozen=True)
class Job:
    """One bench with one unit on it."""

    kit: str
    fault: str
    serial: str
    seed: int
    has_loopback: bool = True
    #: False: the longer silences that all had once.
    has_run_silences: bool = True


@lru_cache(maxsize=4)
def kit_of(name: str) -> Kit:
    """A demo kit, loaded once; behind a colon the only box of it that is meant."""
    folder, _, box = name.partition(":")
    kit = load_kit(ROOT, folder)
    return kit.model_copy(update={"channels": [kit.channel(box)]}) if box else kit


@lru_cache(maxsize=32)
def known_load(kit: str, seed: int) -> KnownLoad:
    """The comparison of a bench's two inputs, made the day before."""
    bench = SimulatedBench(kit_of(kit), kit_of(kit).serial_example, seed=seed)
    capture = bench.known_load_capture(SIMULATED_LOAD_OHM)
    return calibrate_known_load(capture, SIMULATED_LOAD_OHM, "2026-01-14T12:00:00+00:00")


def without_loopback(capture: Capture) -> Capture:
    """A capture as a bench with no loopback gives it."""
    kept = [n for n, role in enumerate(capture.inputs) if role != "loopback"]
    return replace(capture, samples=capture.samples[kept], inputs=tuple(capture.inputs[n] for n in kept))


def told_of(job: Job) -> list[BenchFinding]:
    """What is told of a bench, both stages."""
    kit = kit_of(job.kit)
    bench = SimulatedBench(kit, job.serial, [job.fault] if job.fault else [], seed=job.seed)
    bench.known_load = known_load(job.kit, job.seed)
    told = []
    for stage in ("leads", "playing"):
        asked = [_with_silences(job, request) for request in requests(kit, stage, RATE_HZ)]
        with bench.stage(stage) as player:
            captures = list(player.play(asked))
        if not job.has_loopback:
            captures = [without_loopback(capture) for capture in captures]
        told += assess(kit, captures)
    return told


def _with_silences(job: Job, request: Sweep) -> Sweep:
    return request if job.has_run_silences else replace(request, spacing=None)


def wrong(told: Sequence[BenchFinding]) -> list[BenchFinding]:
    """What is said to be wrong."""
    return [one for one in told if one.is_right is False]


def verdict(job: Job) -> tuple[str, str]:
    """How a bench fault was told, and as what."""
    kind = job.fault.split("=")[0]
    wanted = CASES[kind][1] if job.has_loopback else WITHOUT_LOOPBACK.get(kind, CASES[kind][1])
    names = {one.what for one in wrong(told_of(job))}
    said = ", ".join(sorted(names)) or "-"
    if not names:
        return "not told", said
    if names & set(wanted):
        return ("rightly" if names <= set(wanted) else "and more"), said
    return "wrongly", said


def serial_of(kit: str, number: int) -> str:
    """A serial of a kit."""
    return kit_of(kit).serial_example[:3] + f"{(4000 + number) % 10000:04d}"


def fault_text(kind: str, amount: float | None) -> str:
    """A fault as it is written."""
    return kind if amount is None else f"{kind}={amount:g}"


def bench_jobs(seeds: int, only: str = "", has_loopback: bool = True) -> list[Job]:
    """Every kind and severity on both kits and several benches, each with a unit of its own."""
    return [
        Job(kit, fault_text(kind, amount), serial_of(kit, seed), seed, has_loopback)
        for kind, (amounts, _) in CASES.items()
        if (not only or kind in only.split(",")) and (has_loopback or kind not in NOT_WITHOUT_LOOPBACK)
        for amount in amounts
        for kit in KITS
        for seed in range(seeds)
    ]


def unit_jobs(every: int, has_loopback: bool = True) -> list[Job]:
    """Every so many-th of the faults that a unit of the demo kits can have, on benches of their own."""
    jobs = []
    for kit in (*KITS, *ONE_BOX):
        names = [name for name, _ in fault_names(kit_of(kit)) if name.split(":")[0].split("=")[0] in UNIT_FAULTS]
        jobs += [Job(kit, name, serial_of(kit, n), 100 + n % 5, has_loopback) for n, name in enumerate(names[::every])]
    return jobs


def blame(job: Job) -> tuple[str, str]:
    """Whether a good bench is blamed, and for what."""
    found = wrong(told_of(job))
    blamed = [one.what for one in found if one.certainty != "bench or unit"]
    if blamed:
        return "blamed", ", ".join(blamed)
    return ("bench or unit", ", ".join(one.what for one in found)) if found else ("nothing", "-")


def before_loud(job: Job) -> tuple[str, str]:
    """What a run says of the bench before anything loud sounds, and in which words."""
    gates = [listed for listed in listed_checks(kit_of(job.kit), checks.ALL) if listed.check.GATE]
    run = run_of(job, gates, lambda words: sequencer.GO_ON not in words)
    if run.bench_advice:
        return "told", advice_of(run)
    return ("stopped", run.stopped) if run.stopped else ("neither", "-")


def outcome(job: Job) -> tuple[str, str]:
    """What a whole run comes to, which checks were judged, and what is said of the bench."""
    run = run_of(job, listed_checks(kit_of(job.kit), checks.ALL), lambda words: True)
    judged = {how: [r.name for r in run.results if r.outcome == how] for how in ("pass", "fail", "void")}
    words = "; ".join(f"{how}: {', '.join(names)}" for how, names in judged.items() if names)
    return run.outcome, f"{words}; {advice_of(run) or run.stopped or 'nothing said of the bench'}"


def run_of(job: Job, listed: Sequence[ListedCheck], confirm: Confirm) -> Run:
    """A run of some checks on a bench."""
    kit = kit_of(job.kit)
    bench = SimulatedBench(kit, job.serial, [job.fault] if job.fault else [], seed=job.seed)
    bench.known_load = known_load(job.kit, job.seed)
    schedule = plan(kit, listed)
    if job.has_run_silences:
        schedule = with_codes(schedule, f"{job.kit} {job.fault} {job.seed}")
    *_, last = sequencer.run(schedule, listed, kit, bench, confirm)
    assert isinstance(last, Finished)
    return last.run


def advice_of(run: Run) -> str:
    """What a run says of the bench, without what to do about it."""
    return " | ".join(line.split(". ")[0] for line in run.bench_advice.splitlines()[1:-1])


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--units", type=int, default=0)
    parser.add_argument("--good", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", default="")
    parser.add_argument("--without-loopback", action="store_true")
    parser.add_argument("--former-silences", action="store_true", help="the longer ones, to compare with")
    parser.add_argument("--first", type=int, default=200, help="of the good benches' seeds")
    parser.add_argument("--runs", action="store_true")
    parser.add_argument("--outcomes", action="store_true")
    options = parser.parse_args()
    loops = not options.without_loopback
    if (options.runs or options.outcomes) and not loops:
        parser.error("--runs and --outcomes have a loopback")
    told, blamed = (before_loud, before_loud) if options.runs else (verdict, blame)
    columns = ("told", "stopped", "neither") if options.runs else ("rightly", "and more", "wrongly", "not told")
    if options.outcomes:
        told, columns = outcome, ("void", "pass", "fail")

    def played(jobs: list[Job]) -> list[Job]:
        return [replace(job, has_run_silences=not options.former_silences) for job in jobs]

    with Pool(options.jobs) as pool:
        table(played(bench_jobs(options.seeds, options.only, loops)), pool, told, columns)
        if options.only or options.outcomes:
            return
        seeds = range(options.first, options.first + options.good)
        good = [Job(kit, "", serial_of(kit, seed - 200), seed, loops) for kit in (*KITS, *ONE_BOX) for seed in seeds]
        alarms("good units on good benches", played(good), pool, blamed)
        if options.units:
            alarms("faulty units on good benches", played(unit_jobs(options.units, loops)), pool, blamed)


Verdict = Callable[[Job], tuple[str, str]]


def table(jobs: list[Job], pool: "Pool", told: Verdict, columns: Sequence[str]) -> None:  # type: ignore[valid-type]
    """A row each kind, and what was not told rightly."""
    rows: dict[str, Counter[str]] = defaultdict(Counter)
    others = []
    for job, (how, said) in zip(jobs, pool.imap(told, jobs), strict=True):
        rows[job.fault.split("=")[0]][how] += 1
        if how != columns[0] or told is outcome:
            others.append(f"  {how}: {job.kit} {job.fault} seed {job.seed}: {said}")
            print(others[-1], file=sys.stderr, flush=True)
    print(f"{'kind':24}" + "".join(f"{name:>10}" for name in columns))
    for kind, counts in rows.items():
        print(f"{kind:24}" + "".join(f"{counts[name]:10}" for name in columns))
    total = sum(rows.values(), Counter())
    print(f"{'all ' + str(sum(total.values())):24}" + "".join(f"{total[name]:10}" for name in columns))
    print("\n".join(others), flush=True)


def alarms(title: str, jobs: list[Job], pool: "Pool", blamed: Verdict) -> None:  # type: ignore[valid-type]
    """How many of some benches without a fault are blamed."""
    counts: Counter[str] = Counter()
    rows = []
    for job, (how, said) in zip(jobs, pool.imap(blamed, jobs), strict=True):
        counts[how] += 1
        if how not in ("nothing", "stopped", "neither"):
            rows.append(f"  {how}: {job.kit} {job.fault or 'good'}: {said}")
            print(rows[-1], file=sys.stderr, flush=True)
    print(f"{title}: {len(jobs)}; " + ", ".join(f"{how} {count}" for how, count in counts.items()))
    print("\n".join(rows), flush=True)


if __name__ == "__main__":
    main()
