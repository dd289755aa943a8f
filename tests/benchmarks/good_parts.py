"""How often `parts` fails good strangers once three builds have taught it, by design and part, and what it catches.

    python tests/benchmarks/good_parts.py [--designs skew-two,...] [--units 20] [--seeds 1] [--first 1] [--builds 3]
        [--faults] [--jobs 1] [--keep FOLDER]

No run is played: builds teach by what a bench would read of them (`learnt_values.curves`), units are judged by the
same. Of each batch: how many units fail, and how many of them lie outside of the learnt masks of impedance and of
level, or exceed the limits of the evidence of a wrong part and of the misfit; root mean square of all pulls (1 where
the spread is right). With
`--faults` neighbouring E6 values (of parts that move the impedance by more than 8 % anywhere) and tenths of resistors
are judged as well: how many pass.
"""

import argparse
import os
import pickle
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import zip_longest
from multiprocessing import Pool
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests/benchmarks")]

from learnt_masks import masks_of, of_key
from learnt_values import U_Z, curves, in_the_free_field
from strangers.designs import DESIGNS, Design
from strangers.faults import all_faults, faulty
from strangers.kits import write_kit
from strangers.population import unit

from rig.circuit.channel import Channel
from rig.circuit.nearest import Nearest, largest_pull, nearest_good_unit, pulls_of_parts
from rig.commands.learn import on_grid
from rig.study.learning import Learnt
from rig.values.readings import Curve

#: As `parts` judges on: its band, a twelfth of an octave.
HERTZ = np.geomspace(20.0, 19000.0, 120)
#: A neighbouring value is to be seen where it moves the impedance by this much anywhere.
MOVES_PART = 0.08


@dataclass(frozen=True, eq=False)
class Judged:
    """One unit; no fault: empty."""

    fault: str
    nearest: Nearest
    pulls: dict[str, float]
    misfit_percent: float
    #: How far outside of each learnt mask it lies (impedance, level), over the mask's half width: above 1 it fails.
    masks: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Batch:
    """All of a design and seed."""

    design: str
    seed: int
    model: Channel
    units: tuple[Judged, ...]


def outside(masks: Sequence[Learnt], measured: Sequence[Curve]) -> tuple[float, ...]:
    """Largest distance from each mask's middle, over its half width."""
    found = []
    for mask in masks:
        value = on_grid(mask.frequency_hz, of_key(measured, mask.key))
        found.append(float(np.max(np.abs(2 * value - mask.upper - mask.lower) / (mask.upper - mask.lower))))
    return tuple(found)


def judged(model: Channel, design: Design, seed: int, serial: str, fault: str, ohm: np.ndarray) -> Judged:
    """Hold one unit's impedance against what builds taught."""
    random = np.random.default_rng([seed, *design.name.encode(), *serial.encode()])
    noise = U_Z * (random.standard_normal(HERTZ.size) + 1j * random.standard_normal(HERTZ.size))
    nearest = nearest_good_unit(model, HERTZ, ohm * (1 + noise))
    pulls = pulls_of_parts(nearest, model, HERTZ, np.full(HERTZ.size, U_Z))
    return Judged(fault, nearest, pulls, float(100 * np.sqrt(np.mean(np.abs(nearest.left_over) ** 2))), ())


def batch(task: tuple[str, int], options: argparse.Namespace) -> Batch:
    """Learn from builds, judge good units and, if asked, faulty ones."""
    name, seed = task
    design = DESIGNS[name]
    with tempfile.TemporaryDirectory() as folder:
        kit = write_kit(design, Path(folder))
        held = {f"ST-9{n:03d}": curves(design, seed, f"ST-9{n:03d}") for n in range(options.builds)}
        masks, taught = masks_of(kit, held)
        model = taught.model("box")
    units = []
    for serial in (f"ST-{n:04d}" for n in range(options.units)):
        one = judged(model, design, seed, serial, "", unit(design, seed, serial).impedance_ohm("box", HERTZ))
        units.append(replace(one, masks=outside(masks, curves(design, seed, serial))))
    for n, fault in enumerate(all_faults(design) if options.faults else ()):
        serial = f"ST-5{n:03d}"
        good, bad = (
            made.impedance_ohm("box", HERTZ)
            for made in (unit(design, seed, serial), faulty(design, seed, serial, [fault]))
        )
        is_next = fault.kind in ("next-up", "next-down") and np.max(np.abs(np.abs(bad / good) - 1)) > MOVES_PART
        if is_next or (fault.kind == "tenth" and fault.what[0].startswith("R")):
            units.append(judged(model, design, seed, serial, str(fault), bad))
    found = Batch(name, seed, model, tuple(units))
    if options.keep:
        (Path(options.keep) / f"{name}-{seed}.pickle").write_bytes(pickle.dumps(found))
    report([found], name, seed)
    return found


def report(batches: Sequence[Batch], *head: object) -> None:
    """A line of these batches."""
    good = beyond = misfits = faults = passing = fails = 0
    by_mask = [0, 0]
    parts: Counter[str] = Counter()
    slipped, pulls = [], []
    for one in batches:
        learnt = one.model.population
        assert learnt is not None
        for of_unit in one.units:
            most = largest_pull(len(of_unit.pulls), learnt.units)
            far = [name for name, pull in of_unit.pulls.items() if abs(pull) > most]
            left_over = of_unit.misfit_percent > learnt.misfit_percent
            if of_unit.fault:
                faults += 1
                if not far and not left_over:
                    passing += 1
                    slipped.append(of_unit.fault)
                continue
            good, beyond, misfits = good + 1, beyond + bool(far), misfits + left_over
            by_mask = [n + (far_out > 1) for n, far_out in zip_longest(by_mask, of_unit.masks, fillvalue=0)]
            fails += bool(far) or left_over or any(far_out > 1 for far_out in of_unit.masks)
            pulls += of_unit.pulls.values()
            parts.update(far)
    rms = np.sqrt(np.mean(np.square(pulls))) if pulls else np.nan
    largest = max(map(abs, pulls), default=np.nan)
    print(
        f"{' '.join(map(str, head)):22} good {good:4}: fail {fails}: impedance {by_mask[0]}, level {by_mask[1]}, "
        f"evidence {beyond} {dict(parts)}, misfit {misfits}; "
        f"pulls rms {rms:.2f}, at most {largest:.1f}; faulty {faults}, passing {passing} {' '.join(slipped)}",
        flush=True,
    )


def main() -> None:
    """Learn, judge, report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--designs", default=",".join(DESIGNS))
    parser.add_argument("--units", type=int, default=20)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--builds", type=int, default=3)
    parser.add_argument("--faults", action="store_true")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", default="", help="a folder for all that was judged")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    tasks = [(name, seed) for seed in seeds for name in options.designs.split(",")]
    in_the_free_field()
    with Pool(options.jobs) as pool:
        done = list(pool.imap_unordered(partial(batch, options=options), tasks))
    for name in options.designs.split(","):
        report([one for one in done if one.design == name], name)
    report(done, "all")


if __name__ == "__main__":
    main()
