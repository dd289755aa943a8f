"""How a long soak behaves: memory over eight simulated hours, and what is lost when it is killed at random moments.

    python tests/benchmarks/soak_endurance.py --hours 8 --kills 100

Memory is the resident set of the process, at the first tenth of the rows and at the end. A kill is one by force
(SIGKILL) of a process that walks a soak with its journal and says each row that is on the disk; lost is what it had
said and what is not there afterwards.
"""

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from soaks import PROGRAMME, rows

from rig.run import (
    journal,
)
from rig.run.verify import job
from rig.simulated.bench import SimulatedBench
from rig.store.homes import now
from rig.store.recordings import LogWriter, read_rows
from rig.store.run_json import About
from rig.values.run import Logged, StageReached, Started
from rig.verdict.guard import GuardWatch

CHILD = "import sys; sys.path[:0] = sys.argv[3:]; import soak_endurance; soak_endurance.walk(sys.argv[1], sys.argv[2])"


def resident_mb() -> float:
    """Resident memory of this process."""
    words = Path("/proc/self/status").read_text(encoding="utf-8").split("VmRSS:")[1].split()
    return float(words[0]) / 1024


def memory(hours: float) -> None:
    """Watch and log a programme on the simulated unit, and print how memory goes."""
    kit = job(ROOT, "booth-two", "heat").kit
    programme = next(r for r in job(ROOT, "booth-two", "heat").schedule.requests if hasattr(r, "noise"))
    programme = replace(programme, seconds=hours * 3600, early_end_after_s=None)
    bench = SimulatedBench(kit, "BT-0001")
    watch = GuardWatch(programme)
    began_s, count, first_mb, most_mb = time.monotonic(), 0, float("nan"), 0.0
    whole = programme.seconds / programme.every_s
    with tempfile.TemporaryDirectory() as folder, bench.stage("soak") as player:
        writer = LogWriter(Path(folder), 1)
        for row in player.soak(programme):
            row, stop = watch.add(row)
            assert stop is None, stop
            writer.append(row)
            count += 1
            if count == round(whole / 10):
                first_mb = resident_mb()
            most_mb = max(most_mb, resident_mb()) if count % 500 == 0 else most_mb
        writer.close()
    print(f"{hours:g} h, {count} rows in {time.monotonic() - began_s:.0f} s: {first_mb:.1f} MB at a tenth, ", end="")
    print(f"{resident_mb():.1f} MB at the end, {most_mb:.1f} MB at most; growth {most_mb - first_mb:.1f} MB")


def walk(folder: str, seed: str) -> None:
    """In a process of its own: log a soak, saying each row once it is on the disk."""
    work = job(ROOT, "booth-two", "heat")
    keeper = journal.Journal(Path(folder), work.kit, f"BT-{seed}", About(started_at=now()))
    programme = replace(PROGRAMME, every_s=1.0, seconds=20000.0)
    watch = GuardWatch(programme)

    def events() -> "object":
        yield StageReached("soak", "")
        yield Started(programme, 1, 1, 1)
        for row in rows(programme):
            yield Logged(programme, watch.add(row)[0], ())

    for event in keeper.keep(events()):
        if isinstance(event, Logged):
            print(event.row.seconds, flush=True)


def kills(count: int, seed: int) -> None:
    """Kill so many walks at random moments, and count what is lost."""
    chance, lost, half_written, rows_seen = random.Random(seed), 0, 0, 0
    for n in range(count):
        with tempfile.TemporaryDirectory() as folder:
            paths = [str(ROOT), str(ROOT / "tests"), str(Path(__file__).parent)]
            command = [sys.executable, "-c", CHILD, folder, str(n), *paths]
            with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
                assert child.stdout
                child.stdout.readline()
                time.sleep(chance.uniform(0.0, 0.6))
                child.send_signal(signal.SIGKILL)
                said = [line for line in child.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
            found = read_rows(Path(folder), 1)
            journal.load(Path(folder))
            # One line was read before the rest.
            lost += max(len(said) + 1 - len(found), 0)
            half_written += sum(not path.read_bytes().endswith(b"\n") for path in Path(folder).glob("logs/*.csv"))
            rows_seen += len(found)
    print(f"{count} kills, {rows_seen} rows on the disk: {lost} lost that had been said, {half_written} half written")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.hours:
        memory(options.hours)
    if options.kills:
        kills(options.kills, options.seed)


if __name__ == "__main__":
    main()
