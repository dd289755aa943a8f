"""All charts of a batch together: how often a clean batch is cried over, and how soon a step is found.

    .venv/bin/python tests/benchmarks/batch_charts.py --batches 200

A batch has rows of readings (of boxes and quantities that hang together, some skewed, some rounded) in the order of
its units. Clean batches have nothing else; in the others one row steps by two standard deviations with fifteen units
still to come, and counts as found where a change is told in that row.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from rig.statistics.proportion import clopper_pearson
from rig.study.batch_drift import Series, drift

#: Units after the step, and its size in standard deviations.
AFTER, STEP = 15, 2.0


def rows_of(rows: int, units: int, dice: np.random.Generator) -> np.ndarray:
    """Rows of clean units, shape (rows, units), as a kit's readings are: in fives that share half of their variance."""
    own, shared = dice.standard_normal((rows, units)), dice.standard_normal((-(-rows // 5), units))
    found = np.sqrt(0.5) * (own + np.repeat(shared, 5, axis=0)[:rows])
    found[1::5] = np.exp(0.5 * found[1::5])
    found[2::5] = np.round(3 * found[2::5]) / 3
    found[3::5] = -np.log(-np.log(0.5 + 0.499 * np.tanh(found[3::5])))
    return found


def told(rows: np.ndarray, orders: int) -> tuple[list[int], int]:
    """Rows in which a change is told, and how many units are called odd."""
    units = pd.DataFrame({"started_at": pd.date_range("2026-03-02", periods=rows.shape[1], freq="h", tz="UTC")})
    units = units.assign(serial=[str(n) for n in units.index], bench="one")
    series = [Series(("check", str(n), ""), "Hz", row) for n, row in enumerate(rows)]
    found = drift(series, units, {}, orders)
    return [int(one.series.key[1]) for one in found.changes], len(found.odd)


def main() -> None:
    """Measure both."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--batches", type=int, default=200)
    parser.add_argument("--rows", type=int, default=60)
    parser.add_argument("--units", type=int, default=60, help="units of a batch before the step")
    parser.add_argument("--orders", type=int, default=1000, help="drawn for the limits")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    asked = parser.parse_args()
    cried = found = 0
    for seed in range(asked.first, asked.first + asked.batches):
        dice = np.random.default_rng(seed)
        rows = rows_of(asked.rows, asked.units + AFTER, dice)
        changed, odd = told(rows, asked.orders)
        cried += bool(changed or odd)
        # A row of plain readings.
        rows[0, asked.units :] += STEP
        found += 0 in told(rows, asked.orders)[0]
    for words, count in (("clean batches with an alarm", cried), ("steps found in time", found)):
        low, high = clopper_pearson(count, asked.batches)
        share, least, most = (100 * x for x in (count / asked.batches, low, high))
        print(f"{words}: {count} of {asked.batches}, {share:.1f} % ({least:.1f} to {most:.1f})")


if __name__ == "__main__":
    main()
