"""Whether builds belong together: how often good ones are refused, and how often a faulty one among three is named.

    python tests/benchmarks/belonging.py [--updates 20] [--sets 1000] [--units 30] [--faulty 8]
        [--kinds reversed,...] [--designs closed-two,...] [--first 1]

The demo kits' builds are drawn from their tolerances, impedance and level as the lumped model has them; strangers
(`tests/strangers`) are measured on the simulated bench, and sets drawn of the good ones. The design is learnt from the
builds themselves: for false alarms once from three, for a faulty one among three from all three. One that moves the
other way round is named by its signs.

updates         how much the masks of a demo kit have changed after so many updates with ten units each that passed the
                mask that stood, from thirty builds on: the mask's half width over what it was, least, median and most
                over frequency; and over that of as many builds that nothing was cut off of
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from strangers.bench import StrangerBench
from strangers.designs import DESIGNS, Design
from strangers.faults import Fault, all_faults
from strangers.kits import write_kit

from rig.calibration.known_load import calibrate_known_load
from rig.commands.learn import BELONGING_DRAWS, mask_grid, on_grid
from rig.design.kit import load_kit
from rig.run import sequencer
from rig.run.verify import Job, job
from rig.study.builds import learn_design
from rig.study.learning import Learnt, Passed, departures_of_builds, learn
from rig.study.spreads import IMPEDANCE, LEVEL, Key, Spread, spreads_of_units
from rig.values.names import CHANNEL_POLARITY, DRIVER_POLARITY
from rig.values.readings import Curve
from rig.values.run import Finished

BUILDS = (2, 3, 5, 10)
#: Faults that a builder may have in a build that he vouches for.
KINDS = ("tenth", "tenfold", "reversed", "leaking", "blocked")
#: Frequencies, and values of shape (units, n).
Curves = Mapping[Key, tuple[np.ndarray, np.ndarray]]


def false_alarms(curves: Curves, spreads: Mapping[Key, Spread], sets: int, seed: int) -> list[float]:
    """Share of sets of good builds that are refused, for each number of builds; NaN where there are too few units."""
    units, random = len(next(iter(curves.values()))[1]), np.random.default_rng(seed)
    shares = []
    for builds in BUILDS:
        if units < builds:
            shares.append(float("nan"))
            continue
        chosen = np.array([random.choice(units, builds, replace=False) for _ in range(sets)])
        far = departures_of_builds({key: (hz, values[chosen]) for key, (hz, values) in curves.items()}, spreads)
        shares.append(float(np.mean(np.max(list(far.values()), axis=(0, -1)) > 1)))
    return shares


def drawn(name: str, sets: int, seed: int) -> list[float]:
    """False alarms of a demo kit whose builds are drawn anew."""
    kit = load_kit(ROOT, name)
    known, units = (spreads_of_units(kit, BELONGING_DRAWS, one) for one in (1, 1000 + seed))
    curves = {
        key: (s.frequency_hz, s.centre * (1 + s.deviations) if key[:2] == IMPEDANCE else s.centre + s.deviations)
        for key, s in units.items()
    }
    return false_alarms(curves, known, sets, seed)


def updated(name: str, updates: int, limits: float) -> None:
    """Print what updates with units of the same population do to the masks of a demo kit's first channel.

    Units pass what is `limits` times as wide as the mask that stands.
    """
    kit = load_kit(ROOT, name)
    known, units = spreads_of_units(kit, 10000, 1), spreads_of_units(kit, 400 + 20 * updates * 10, 77)
    for kind in (IMPEDANCE, LEVEL):
        key = (*kind, kit.channels[0].name)
        spread, relative = units[key], kind == IMPEDANCE
        drawn = spread.centre * (1 + spread.deviations) if relative else spread.centre + spread.deviations
        builds = {f"B{n}": drawn[n] for n in range(30)}

        def learnt(taken: dict[str, np.ndarray], passed: Passed | None = None, key: Key = key) -> Learnt:
            unit = "ohm" if key[:2] == IMPEDANCE else "dB SPL"
            return learn(
                key, unit, units[key].frequency_hz, taken, known[key], rejects=0.005, confidence=0.95, passed=passed
            )

        first = mask = learnt(builds)
        taken, at = dict(builds), 30
        for update in range(updates):
            half = limits * (mask.upper - mask.centre)
            lower, upper = mask.centre - half, mask.centre + half
            while len(taken) < 30 + 10 * (update + 1):
                if np.all((drawn[at] > lower) & (drawn[at] < upper)):
                    taken[f"P{at}"] = drawn[at]
                at += 1
            mask = learnt(taken, Passed([serial for serial in taken if serial[0] == "P"], lower, upper))
        whole = learnt({f"B{n}": drawn[n] for n in range(len(taken))})
        over = [(mask.upper - mask.lower) / (other.upper - other.lower) for other in (first, whole)]
        told_of = ["{:.3f} {:.3f} {:.3f}".format(*np.quantile(ratio, [0, 0.5, 1])) for ratio in over]
        passing = (len(taken) - 30) / (at - 30)
        print(f"{name} {key[1]}, {100 * passing:.0f} % passing: {told_of[0]}; over all builds {told_of[1]}", flush=True)


def measured(
    work: Job, design: Design, seed: int, serial: str, faults: Sequence[Fault] = ()
) -> tuple[list[Curve], dict[str, float]]:
    """The curves of one stranger, and the signs that were read of it."""
    bench, load_ohm = StrangerBench(work.kit, design, seed, serial, faults), 8.2
    bench.known_load = calibrate_known_load(bench.known_load_capture(load_ohm), load_ohm, "2026-01-01T12:00:00+00:00")
    for event in sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True):
        if isinstance(event, Finished):
            run = event.run
    signs = {
        f"{one.quantity} {one.subject}": one.value
        for result in run.results
        for one in result.read.readings
        if one.quantity in (DRIVER_POLARITY, CHANNEL_POLARITY) and not one.trouble
    }
    return [curve for result in run.results for curve in result.read.curves], signs


def curves_of(work: Job, units: Sequence[Sequence[Curve]]) -> Curves:
    """What `kitproof learn` compares of them."""
    found = {}
    for key in ((*kind, "box") for kind in (IMPEDANCE, LEVEL)):
        own = [next(c for c in unit if (c.quantity, c.subject) == key[1:]) for unit in units]
        grid = mask_grid(work.kit, key, own)
        if grid is not None:
            found[key] = grid, np.array([on_grid(grid, one) for one in own])
    return found


def spreads(work: Job, builds: Sequence[Sequence[Curve]]) -> dict[Key, Spread]:
    """How units spread around the design that these builds teach."""
    named = {f"ST-{n:04d}": curves for n, curves in enumerate(builds)}
    design = learn_design(work.kit, named, dict.fromkeys(named, ""), "")
    return spreads_of_units(work.kit.with_learnt(design), BELONGING_DRAWS, 1, by_tolerances=True)


def stranger(design: Design, options: argparse.Namespace) -> tuple[int, int]:
    """Print the figures of one design; how many faulty builds there were, and how many were named."""
    with tempfile.TemporaryDirectory() as folder:
        write_kit(design, Path(folder))
        work, seed = job(Path(folder), design.name), options.first
        both = [measured(work, design, seed, f"ST-8{n:03d}") for n in range(options.units)]
        good, usual = [curves for curves, _ in both], both[0][1]
        alarms = false_alarms(curves_of(work, good), spreads(work, good[:3]), options.sets, seed)
        random, missed, tried, by_signs = np.random.default_rng(seed), [], 0, 0
        faults = [fault for fault in all_faults(design) if fault.kind in options.kinds.split(",")]
        for n, at in enumerate(random.permutation(len(faults))[: options.faulty]):
            odd, signs = measured(work, design, seed, f"ST-7{n:03d}", [faults[at]])
            if len(odd) < len(good[0]):
                # A gate ended its run before anything was heard: it cannot be learnt from.
                continue
            tried += 1
            if any(signs[what] != usual[what] for what in signs.keys() & usual.keys()):
                by_signs += 1
                continue
            three = [odd, *(good[i] for i in random.choice(len(good), 2, replace=False))]
            far = np.max(list(departures_of_builds(curves_of(work, three), spreads(work, three)).values()), axis=0)
            if np.argmax(far) != 0 or far[0] <= 1:
                missed.append(f"{faults[at]} ({np.round(far, 2)})")
    named = f"named {tried - len(missed)} of {tried}, {by_signs} by signs"
    print(f"{design.name:14}{told(alarms)}   {named} {'; '.join(missed)}", flush=True)
    return tried, tried - len(missed)


def told(shares: Sequence[float]) -> str:
    """Shares in percent."""
    return "".join(f"{100 * share:8.2f}" for share in shares)


def main() -> None:
    """Measure and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=1000)
    parser.add_argument("--units", type=int, default=30, help="good units of each stranger")
    parser.add_argument("--faulty", type=int, default=8, help="faulty builds of each stranger")
    parser.add_argument("--kinds", default=",".join(KINDS), help="of faults")
    parser.add_argument("--designs", default=",".join(DESIGNS))
    parser.add_argument("--first", type=int, default=1, help="the seed")
    parser.add_argument("--updates", type=int, default=0)
    options = parser.parse_args()
    for limits in (1.0, 0.7) if options.updates else ():
        updated("booth-two", options.updates, limits)
    print(f"{'false alarms, %':14}{''.join(f'{n:8}' for n in BUILDS)} builds")
    for name in ("booth-two", "rehearsal-three"):
        print(f"{name:14}{told(drawn(name, options.sets, options.first))}", flush=True)
    counts = [stranger(DESIGNS[name], options) for name in filter(None, options.designs.split(","))]
    if counts:
        tried, named = np.sum(counts, axis=0)
        print(f"named {named} of {tried}, {100 * named / tried:.1f} %")


if __name__ == "__main__":
    main()
