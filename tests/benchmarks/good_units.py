"""How many good units the check `rub_and_buzz` fails: a study that goes on for as long as it is let, a line a unit.

    python tests/benchmarks/good_units.py LOG [--upto 9000] [--seed 1] [--only KIND] [--tally]

Units are numbered; what each is hangs on the seed and its number alone. Those that LOG has a line of are not played
again, so that a study that was ended goes on where it was. Kinds come in turn: units of `tests/checks/buzzing.py` in
noise of 35, 45 and 55 dB SPL, with more of the low harmonics, in a room, with a cone that breaks up, and with regular
harmonics up to high orders besides; and strangers in rooms of their own (`tests/strangers`), every other one behind a
cone that breaks up. `--tally` reads the log alone: outcomes of each kind, and the part that fails with its exact 95 %
interval.
"""

import argparse
import csv
import os
import sys
import tempfile
from collections import Counter
from functools import lru_cache
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "checks")]

import buzzing
from captures import one_driver_kit
from strangers.bench import StrangerBench
from strangers.designs import DESIGNS
from strangers.kits import write_kit

from checks import rub_and_buzz
from rig.design.kit import Kit
from rig.design.limits import Limit
from rig.signals.impulse_kinds import SIGNIFICANT
from rig.statistics.proportion import clopper_pearson
from rig.values.captures import Capture
from rig.verdict.judge import judge

KIT = one_driver_kit()
LIMITS = {rub_and_buzz.EVIDENCE: Limit(upper=SIGNIFICANT)}
#: Ambient noise in dB SPL -> the level that a good unit must be proved to.
PROVED_DB = {35: -40.0, 45: -35.0, 55: -25.0}
KINDS = (
    *(f"smooth, {ambient_db} dB SPL" for ambient_db in PROVED_DB),
    "low harmonics",
    "room",
    "break-up",
    "harmonics and break-up",
    "stranger",
    "stranger, break-up",
)


def made(kind: str, random: np.random.Generator) -> tuple[Capture, Kit, float]:
    """A capture of a good unit, its kit, and the level that it must be proved to."""
    if kind.startswith("stranger"):
        return stranger(random, "break-up" in kind)
    ambient_db = int(kind.split()[1]) if kind.startswith("smooth") else 35
    unit = buzzing.unit_pa()
    if kind == "low harmonics":
        unit = buzzing.unit_pa(*np.round(random.uniform(0.0, 0.03, 2), 3))
    if kind == "room":
        unit = buzzing.in_a_room(random, unit, random.uniform(0.2, 0.8), random.uniform(0.3, 1.5))
    if "break-up" in kind:
        unit = buzzing.unit_pa(0.01, 0.005, 4000.0)
        if "harmonics" in kind:
            unit = unit + buzzing.harmonics_pa(random, random.uniform(-80, -60), random.uniform(1.5, 5.0))
        unit = buzzing.breaking_up(random, unit)
    return buzzing.captured(unit + buzzing.pink_pa(random, ambient_db)), KIT, PROVED_DB[ambient_db]


@lru_cache(maxsize=len(DESIGNS))
def stranger_kit(name: str) -> Kit:
    """Kit of a design."""
    return write_kit(DESIGNS[name], Path(tempfile.mkdtemp(prefix="good-units-")))


def stranger(random: np.random.Generator, breaks_up: bool) -> tuple[Capture, Kit, float]:
    """A unit of foreign physics in a room of its own."""
    name = str(random.choice(sorted(DESIGNS)))
    kit = stranger_kit(name)
    bench = StrangerBench(kit, DESIGNS[name], int(random.integers(1 << 30)), "ST-0001")
    capture = bench.play_one(kit.sweep("playing", "box", position="on axis"), random.uniform(200.0, 1500.0))
    if breaks_up:
        row = capture.inputs.index("microphone")
        capture.samples[row] = buzzing.breaking_up(random, capture.samples[row])
    return capture, kit, 0.0


def judged(number: int, seed: int) -> dict[str, object]:
    """One line of the log."""
    kind = KINDS[number % len(KINDS)]
    capture, kit, proved_db = made(kind, np.random.default_rng([seed, number]))
    read = rub_and_buzz.read([capture], rub_and_buzz.Settings(prove_db=proved_db), kit)
    verdict = judge(read, LIMITS, ROOT, rub_and_buzz.NAME)[0]
    evidence = read.readings[0]
    return {
        "seed": seed,
        "number": number,
        "kind": kind,
        "kit": kit.name,
        "outcome": verdict.outcome,
        "evidence": f"{evidence.value:.3f}",
        "said": evidence.said,
        "trouble": evidence.trouble,
    }


def tally(lines: list[dict[str, str]]) -> None:
    """Outcomes of each kind, and the part that fails."""
    for kind in (*KINDS, ""):
        own = [line for line in lines if kind in ("", line["kind"])]
        counts = Counter(line["outcome"] for line in own)
        low, high = clopper_pearson(counts["fail"], len(own))
        interval = f"{1e4 * low:.1f} to {1e4 * high:.1f} of 10,000"
        print(f"{kind or 'all':24s} {len(own):6d} units: {dict(counts)}; fail: {interval}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("log", type=Path)
    parser.add_argument("--upto", type=int, default=9000, help="number of the last unit, less one")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=KINDS)
    parser.add_argument("--tally", action="store_true")
    options = parser.parse_args()
    lines = []
    if options.log.exists():
        with options.log.open(newline="", encoding="utf-8") as file:
            lines = list(csv.DictReader(file))
    if options.tally:
        return tally(lines)
    done = {(int(line["seed"]), int(line["number"])) for line in lines}
    with options.log.open("a", newline="", encoding="utf-8") as file:
        for number in range(options.upto):
            if (options.seed, number) in done or (options.only and KINDS[number % len(KINDS)] != options.only):
                continue
            line = judged(number, options.seed)
            table = csv.DictWriter(file, line)
            if not file.tell():
                table.writeheader()
            table.writerow(line)
            file.flush()
    return None


if __name__ == "__main__":
    main()
