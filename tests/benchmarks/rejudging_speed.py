"""What judging stored runs anew costs: by the readings in their records, from captures, by how many processes.

    .venv/bin/python tests/benchmarks/rejudging_speed.py FOLDER --template RUN_FOLDER --runs 400
    .venv/bin/python tests/benchmarks/rejudging_speed.py FOLDER --template RUN_FOLDER --runs 400 --dask 1 2 4

RUN_FOLDER is a run of a kit that stands in FOLDER/limits, by this version: `kitproof verify booth-two BT-0101 --yes
--workspace FOLDER` makes one. Its files are linked to by every run of the store. Says milliseconds of the processor
for each run, then seconds of the clock for all; a machine that is busy otherwise shows in the latter alone.
"""

import argparse
import contextlib
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from stored_runs import stored_runs

from rig.design.kit import Kit, load_kit
from rig.design.limits import Limit, limit_key
from rig.files.parallel import in_processes
from rig.store.recorded import read_curve
from rig.store.records import read_in_place
from rig.study.cluster import on_cluster
from rig.study.rejudged import Asked, StoredRun, UnitRejudged, rejudged

#: So many runs a share.
SHARE = 16


def narrower(limit: Limit) -> Limit:
    """A limit that every reading must be held against anew."""
    if limit.upper is not None:
        return limit.model_copy(update={"upper": limit.upper * 1.001})
    if limit.lower is not None:
        return limit.model_copy(update={"lower": limit.lower - 0.001})
    return limit.model_copy(update={"within": [[a, b, c * 0.99, d * 0.99] for a, b, c, d in limit.within]})


def with_narrower(kit: Kit, *checks: str) -> Kit:
    """A kit with other limits for some checks."""
    tried = {
        check: {key: narrower(limit) for key, limit in limits.items()} if check in checks else limits
        for check, limits in kit.limits.items()
    }
    return kit.model_copy(update={"limits": tried})


def read(workspace: Path, kit: Kit, runs: Sequence[StoredRun]) -> None:
    """Read what judging needs of stored runs: records, and every curve that has a limit."""
    for run in runs:
        record = read_in_place(workspace / "results" / kit.name / run.serial / run.run)
        for result in record.results:
            limits = kit.limits.get(result.check, {})
            for curve in result.curves:
                if limit_key(limits, curve.quantity, curve.subject) in limits:
                    read_curve(record, curve)


def each_ms(work: Callable[[], object], count: int) -> float:
    """Milliseconds of the processor for each of so many, of three times the quickest."""
    taken = []
    for _ in range(3):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return 1000 * min(taken) / count


@contextlib.contextmanager
def cluster(workers: int) -> Iterator[tuple[str, list[int]]]:
    """The address of a scheduler with so many worker processes of one thread each, and their process ids."""
    from distributed import Client

    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        named = Path(folder) / "scheduler.json"
        begun: list[subprocess.Popen[bytes]] = []

        def begin(*words: str) -> int:
            options = (*words, "--scheduler-file", str(named), "--no-dashboard")
            quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
            begun.append(subprocess.Popen([sys.executable, "-m", "dask", *options], cwd=folder, **quiet))
            return begun[-1].pid

        def end() -> None:
            for one in begun:
                one.kill()
                one.wait()

        stack.callback(end)
        begin("scheduler", "--host", "127.0.0.1", "--port", "0")
        while not named.is_file():
            time.sleep(0.05)
        pids = [begin("worker", "--nthreads", "1", "--no-nanny") for _ in range(workers)]
        with Client(scheduler_file=str(named), set_as_default=False) as client:
            client.wait_for_workers(workers)
            address = client.scheduler.address
        yield address, pids


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--template", type=Path, required=True)
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--workers", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--dask", type=int, nargs="*", default=[])
    parser.add_argument("--from-captures", action="store_true")
    asked = parser.parse_args()
    kit = load_kit(asked.workspace, asked.template.parents[1].name)
    with tempfile.TemporaryDirectory(dir=asked.workspace) as folder:
        store = Path(folder)
        made = list(stored_runs(store, asked.runs, asked.template, files=True, retests=0))
        measure(store, kit, [StoredRun(one.parent.name, one.name, "") for one in made], asked)


def measure(store: Path, kit: Kit, runs: Sequence[StoredRun], asked: argparse.Namespace) -> None:
    """Print what it costs over the runs of a store."""
    print("load", os.getloadavg(), "processors", os.cpu_count(), "runs", len(runs))
    some = runs[:40]
    reading_ms = each_ms(lambda: read(store, kit, some), len(some))
    print(f"reading what limits are for          {reading_ms:8.1f} ms a run")
    for words, checks in (("limits of impedance differ", ("impedance",)), ("all limits differ", tuple(kit.limits))):
        judge = partial(rejudged, Asked(store, with_narrower(kit, *checks)))
        took_ms = each_ms(lambda judge=judge: judge(some), len(some))
        print(f"judged, {words:28s} {took_ms:8.1f} ms a run, {took_ms / reading_ms:.2f} times reading")
    judge = partial(rejudged, Asked(store, kit, all_again=True))
    print(f"judged, all from captures            {each_ms(lambda: judge(some[:2]), 2):8.1f} ms a run")
    wanted = Asked(store, with_narrower(kit, *kit.limits), all_again=asked.from_captures)
    judge = partial(rejudged, wanted)
    shares = [runs[start : start + SHARE] for start in range(0, len(runs), SHARE)]
    first: list[list[UnitRejudged]] = []
    for workers in asked.workers:
        first = timed(f"{workers} processes", lambda workers=workers: list(in_processes(judge, shares, workers)), first)
    for workers in asked.dask:
        with cluster(workers) as (address, _):
            # Once before, so that each worker has loaded what computes.
            list(on_cluster(judge, shares[: 2 * workers], address))
            first = timed(
                f"{workers} workers of Dask", lambda address=address: list(on_cluster(judge, shares, address)), first
            )
    print("load", os.getloadavg())


def children_s() -> float:
    """Seconds of the processor that processes begun here have used, once they have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def timed(
    words: str, work: Callable[[], list[list[UnitRejudged]]], first: list[list[UnitRejudged]]
) -> list[list[UnitRejudged]]:
    """What some work gives, its time printed, which must be what it first gave."""
    began, own_s, others_s = time.perf_counter(), time.process_time(), children_s()
    found = work()
    took_s, own_s, others_s = time.perf_counter() - began, time.process_time() - own_s, children_s() - others_s
    busy = f"; of the processor {own_s:.2f} s here, {others_s:.2f} s by processes that have ended"
    print(f"{words:20s} {took_s:8.2f} s of the clock{busy}", flush=True)
    assert not first or repr_of(found) == repr_of(first)
    return found


def repr_of(found: list[list[UnitRejudged]]) -> list[str]:
    """Every figure to the last bit, without the times."""
    return [repr((one.serial, one.now, one.changes, one.problem)) for some in found for one in some]


if __name__ == "__main__":
    main()
