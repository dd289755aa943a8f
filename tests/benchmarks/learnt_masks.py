"""How wide learnt masks are over what good units need, and how many good units lie outside: thousands in minutes.

    python tests/benchmarks/learnt_masks.py [--designs closed-two,...] [--builds 3,20] [--sets 2] [--units 300]
        [--first 1] [--misfits 30]

Units of foreign physics (`tests/strangers`) without a bench: their curves are solved, and noise is added as the rig has
it. Of each design and seed some units are builds that the rig learns from, once for each set, and all others are good
units that the masks are held against.

width           half width of a mask over the half width that 99.5 % of good units keep to at all points at once, median
                over frequency
outside         good units that leave a mask of impedance or level, or leave more over than `parts` allows (the first
                `--misfits` of them)
"""

import argparse
import os
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np
from scipy.stats import beta

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "benchmarks")]

from learnt_values import curves, in_the_free_field
from strangers.designs import DESIGNS
from strangers.kits import write_kit

from rig.circuit.nearest import nearest_good_unit
from rig.commands.learn import mask_grid, on_grid
from rig.design.kit import Kit
from rig.study.builds import learn_design
from rig.study.learning import Learnt, learn, share_rejects
from rig.study.spreads import IMPEDANCE, LEVEL, Key, spreads_of_units
from rig.values.readings import Curve

#: As `kitproof learn` has them.
REJECTS, CONFIDENCE, DRAWS = 0.005, 0.95, 10000
#: What `parts` is judged over.
PARTS_HZ = (20.0, 20000.0)


def masks_of(kit: Kit, builds: dict[str, list[Curve]]) -> tuple[list[Learnt], Kit]:
    """What `kitproof learn` makes of builds: masks, and the kit with its learnt design."""
    taught = kit.with_learnt(learn_design(kit, builds, dict.fromkeys(builds, "a run"), ""))
    spreads, masks = spreads_of_units(taught, DRAWS, 1), []
    for kind, unit_name in ((IMPEDANCE, "ohm"), (LEVEL, "dB SPL")):
        key = (*kind, "box")
        own = {serial: of_key(found, key) for serial, found in builds.items()}
        grid = mask_grid(kit, key, list(own.values()))
        if grid is not None:
            held = {serial: on_grid(grid, one) for serial, one in own.items()}
            masks.append(learn(key, unit_name, grid, held, spreads[key], rejects=REJECTS, confidence=CONFIDENCE))
    return share_rejects(masks, REJECTS), taught


def of_key(found: Sequence[Curve], key: Key) -> Curve:
    """The curve of a quantity."""
    return next(curve for curve in found if curve.quantity == key[1])


def width_ratio(mask: Learnt, units: np.ndarray) -> float:
    """Half width over what 99.5 % of the units keep to at all points, median over frequency."""
    middle = np.mean(units, axis=0)
    off = units / middle - 1 if mask.unit == "ohm" else units - middle
    sigma = np.std(off, axis=0)
    needed = np.quantile(np.max(np.abs(off) / sigma, axis=1), 0.995)
    return float(np.median(mask.half_width / (needed * sigma)))


def is_misfit(kit: Kit, found: Sequence[Curve]) -> bool:
    """Whether a good unit leaves more over of its impedance than builds have taught that one may."""
    model = kit.model("box")
    magnitude, phase = found[0], found[1]
    keep = (magnitude.frequency_hz > PARTS_HZ[0]) & (magnitude.frequency_hz < PARTS_HZ[1])
    ohm = (magnitude.value * np.exp(1j * np.radians(phase.value)))[keep]
    left = nearest_good_unit(model, magnitude.frequency_hz[keep], ohm).left_over
    assert model.population is not None
    return float(100 * np.sqrt(np.mean(np.abs(left) ** 2))) > model.population.misfit_percent


def measure(name: str, options: argparse.Namespace, totals: dict[str, list[float]]) -> None:
    """Print the figures of one design, and add them to those of all."""
    design, seed = DESIGNS[name], options.first
    units = [curves(design, seed, f"ST-{n:04d}") for n in range(options.units)]
    random = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder:
        kit = write_kit(design, Path(folder))
        for builds in map(int, options.builds.split(",")):
            ratios, outside, seconds = defaultdict(list), [], []
            for _ in range(options.sets):
                chosen = random.choice(len(units), builds, replace=False)
                began = time.process_time()
                masks, taught = masks_of(kit, {f"ST-{n:04d}": units[n] for n in chosen})
                seconds.append(time.process_time() - began)
                rest = np.setdiff1d(np.arange(len(units)), chosen)
                leaves = np.zeros((2, len(rest)), bool)
                for mask in masks:
                    values = np.array([on_grid(mask.frequency_hz, of_key(one, mask.key)) for one in units])
                    ratios[mask.key[1]].append(width_ratio(mask, values))
                    leaves[0] |= np.any((values < mask.lower) | (values > mask.upper), axis=1)[rest]
                for n, at in enumerate(rest[: options.misfits]):
                    leaves[1, n] = is_misfit(taught, units[at])
                outside.append(leaves)
            whole = np.concatenate(outside, axis=1)
            counts = np.sum(whole, axis=1)
            for quantity, found in ratios.items():
                totals[f"{quantity}, {builds} builds"] += found
            totals[f"outside, {builds} builds"] += list(whole[0])
            misfits = [of_set[1, : options.misfits] for of_set in outside]
            totals[f"misfit, {builds} builds"] += list(np.concatenate(misfits))
            widths = "; ".join(f"{q} {' '.join(f'{ratio:.2f}' for ratio in found)}" for q, found in ratios.items())
            print(
                f"{name:12}{builds:3} builds: {widths}; outside {counts[0]} of {whole.shape[1]}, misfit {counts[1]}"
                f" of {options.sets * options.misfits}; {np.mean(seconds):.1f} s to learn",
                flush=True,
            )


def main() -> None:
    """Learn, hold good units against the masks, report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--designs", default=",".join(DESIGNS))
    parser.add_argument("--builds", default="3,20")
    parser.add_argument("--sets", type=int, default=2, help="sets of builds of each design")
    parser.add_argument("--units", type=int, default=300)
    parser.add_argument("--misfits", type=int, default=30)
    parser.add_argument("--first", type=int, default=1, help="the seed")
    options = parser.parse_args()
    in_the_free_field()
    totals: dict[str, list[float]] = defaultdict(list)
    for name in options.designs.split(","):
        measure(name, options, totals)
    for what, found in totals.items():
        if what.startswith(("outside", "misfit")):
            bad = int(np.sum(found))
            low, high = beta.ppf([0.025, 0.975], bad + 0.5, len(found) - bad + 0.5)
            print(f"{what}: {bad} of {len(found)}, {100 * low:.2f} to {100 * high:.2f} % (95 %)")
        else:
            low, middle, high = np.quantile(found, [0.0, 0.5, 1.0])
            print(f"{what}: width {low:.2f} to {high:.2f}, median {middle:.2f}")


if __name__ == "__main__":
    main()
