"""What the index costs over a store of many runs: made anew, caught up, asked.

    .venv/bin/python tests/benchmarks/index_speed.py FOLDER --runs 100000

Says seconds of the clock and of the processor (both of several processes where they share the work), and how loaded
the machine was: a machine that is busy otherwise shows in the first alone.
"""

import argparse
import os
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from stored_runs import stored_runs

from rig.store import index, records
from rig.store.homes import make_home, run_names, run_number
from rig.store.selection import Selection, listed, newest

KIT = "shelf-one"
SELECTIONS = {
    "all": Selection(),
    "kit": Selection(kit=KIT),
    "serial": Selection(serial=("SO-050000",)),
    "range of serials": Selection(serial=("SO-040000..SO-041000",)),
    "since": Selection(since="2025-01-01"),
    "until": Selection(until="2024-01-05"),
    "outcome": Selection(outcome="void"),
    "check": Selection(check="leads"),
    "finding": Selection(finding="tenth"),
    "finding, words": Selection(finding="wrong value"),
    "finding, none": Selection(finding="nothing has these words"),
    "plan": Selection(plan="no such plan"),
    "bench": Selection(bench="bench two"),
    "by": Selection(by=("Ada",)),
    "batch": Selection(batch="lot 1"),
    "many": Selection(kit=KIT, bench="bench two", by=("Ada", "jig"), outcome="fail", check="leads", batch="lot 7"),
}


def measured(words: str, work: Callable[[], object], times: int = 1) -> float:
    """Do it so many times and print how long the quickest and the slowest took; seconds of the quickest."""
    taken, used = [], []
    for _ in range(times):
        before, began = _processor_s(), time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
        used.append(_processor_s() - before)
    print(f"{words:32s} {min(taken):9.4f} s (slowest {max(taken):.4f}), processor {min(used):9.4f} s", flush=True)
    return min(taken)


def _processor_s() -> float:
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in both)


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--runs", type=int, default=100_000)
    asked = parser.parse_args()
    workspace = asked.workspace
    print("load", os.getloadavg(), "processors", os.cpu_count())
    if not (workspace / "results").is_dir():
        measured(f"making {asked.runs} runs", lambda: sum(1 for _ in stored_runs(workspace, asked.runs)))
    taken = measured("making the index anew", lambda: index.rebuild(workspace, print))
    print(f"{asked.runs / taken:.0f} runs a second; {(workspace / 'results' / index.NAME).stat().st_size / 1e6:.0f} MB")
    measured("nothing new", lambda: index.ask(workspace, lambda connection: None), 9)
    for words, selection in SELECTIONS.items():
        question = newest(selection, 50)
        measured(f"50 rows, {words}", lambda asked=question: index.ask(workspace, lambda one: listed(one, asked)), 5)
    home = workspace / "results" / KIT / "SO-000050"
    measured("history of a serial", lambda: [one.outcome for one in records.unit_records(workspace, home.name)], 5)
    measured("its newest, undamaged", lambda: records.damages(next(records.newest_first(workspace, home.name))), 5)
    measured("next number", lambda: 1 + max(map(run_number, run_names(home)), default=0), 5)
    measured("a new unit's folder", lambda: make_home(home.with_name(f"SO-9{time.time_ns()}")), 5)
    added = stored_runs(workspace, 20, seed=time.time_ns(), prefix="SN")

    def one_more() -> None:
        path = next(added)
        began = time.perf_counter()
        index.ask(workspace, lambda connection: None)
        print(f"    caught up with {path.name} in {time.perf_counter() - began:.4f} s")

    for _ in range(8):
        one_more()
    print("load", os.getloadavg())


if __name__ == "__main__":
    main()
