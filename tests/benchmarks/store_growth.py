"""What a store takes of room and time as it grows: a unit's share is measured, years and benches are computed from it.

    .venv/bin/python tests/benchmarks/store_growth.py FOLDER --template RUN_FOLDER --runs 2000

RUN_FOLDER is a run with its paper, of a kit that stands in FOLDER/limits; the store that is measured is made of copies
of its run.json. Seconds are of one processor.
"""

import argparse
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from rejudging_speed import with_narrower
from stored_runs import stored_runs

from rig.design.kit import load_kit
from rig.store import index
from rig.store.selection import Selection, listed, newest
from rig.study.rejudged import Asked, StoredRun, rejudged

BENCHES, UNITS_A_DAY, DAYS_A_YEAR = (1, 20, 1000), 100, 250


def used_s() -> float:
    """Seconds of processors that this process and those that it has waited for have used."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in both)


def took_s(work: Callable[[], object]) -> float:
    """Seconds of processors that some work takes."""
    began = used_s()
    work()
    return used_s() - began


def main() -> None:
    """Measure and compute."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--template", type=Path, required=True)
    parser.add_argument("--runs", type=int, default=2000)
    asked = parser.parse_args()
    template: Path = asked.template
    kit = load_kit(asked.workspace, template.parents[1].name)
    unit_bytes = sum(path.stat().st_size for path in template.rglob("*") if path.is_file())
    captures_bytes = sum(path.stat().st_size for path in (template / "captures").iterdir())
    own = [StoredRun(template.parent.name, template.name, "")]
    tried = Asked(asked.workspace, with_narrower(kit, *kit.limits))
    rejudged(tried, own)
    readings_s = min(took_s(lambda: rejudged(tried, own * 10)) / 10 for _ in range(3))
    captures_s = took_s(lambda: rejudged(Asked(asked.workspace, kit, all_again=True), own))
    with tempfile.TemporaryDirectory(dir=asked.workspace) as folder:
        store = Path(folder)
        for _ in stored_runs(store, asked.runs, template):
            pass
        index_s = took_s(lambda: index.rebuild(store, lambda words: None)) / asked.runs
        listing_s = took_s(lambda: index.ask(store, lambda one: listed(one, newest(Selection(), 50))))
        added = stored_runs(store, 6, template, seed=time.time_ns(), prefix="SN")
        index.ask(store, lambda connection: None)
        caught_s = min(took_s(lambda: (next(added), index.ask(store, lambda c: None))) for _ in range(5))
        path = store / "results" / index.NAME
        index_bytes = path.stat().st_size / asked.runs
        with sqlite3.connect(path) as found:
            tables = [name for (name,) in found.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            rows = sum(found.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in tables) / asked.runs
    print(f"a unit: {unit_bytes / 1e6:.2f} MB, of which captures {captures_bytes / 1e6:.2f} MB")
    print(f"in the index: {rows:.0f} rows, {index_bytes / 1e3:.1f} kB, made anew in {1000 * index_s:.2f} ms")
    print(f"a listing of 50 rows: {1000 * listing_s:.0f} ms; one run more and caught up: {1000 * caught_s:.0f} ms")
    print(f"judged anew by its readings: {1000 * readings_s:.0f} ms, from its captures: {captures_s:.1f} s")
    for benches in BENCHES:
        day, year = benches * UNITS_A_DAY, benches * UNITS_A_DAY * DAYS_A_YEAR
        print(f"\n{benches} benches: {day} runs and {day * unit_bytes / 1e9:.1f} GB a day")
        whole_tb, without_tb = (year * size / 1e12 for size in (unit_bytes, unit_bytes - captures_bytes))
        print(f"  in 250 days {year} runs, {whole_tb:.2f} TB, without captures {without_tb:.2f} TB")
        index_gb, million_rows = year * index_bytes / 1e9, year * rows / 1e6
        print(f"  index {index_gb:.1f} GB, {million_rows:.1f} million rows, anew in {year * index_s / 3600:.2f} h")
        by_readings_h, by_captures_h = year * readings_s / 3600, year * captures_s / 3600
        print(f"  judged anew by readings in {by_readings_h:.1f} h, from captures in {by_captures_h:.0f} h")


if __name__ == "__main__":
    main()
