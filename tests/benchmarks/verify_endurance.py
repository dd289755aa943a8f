"""Hours of units in a loop, the page open beside: memory, open files, threads and processes, as slopes over the units.

    python tests/benchmarks/verify_endurance.py --minutes 120

Units are judged in turn by the page's own process, by `kitproof verify` in a new process each, and by the command in
this process again and again. All of them go into one store, windows of the page listen all the time, and its other
pages are read between units. Watched are the page's process (Linux, /proc), this one, and the most memory of each new
process. A slope is that of a straight line through the means of twenty stretches of the units, without the first tenth
of them, with its 95 % interval (Student's t); flat is what has zero in its interval, or lies below what is named.
"""

import argparse
import contextlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from unittest import mock

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import numpy as np
import scipy

from rig import cli
from rig.page.station import SHOWN_S

KIT = "shelf-one"
BENCH = 'kind = "simulated"\n\n[simulated]\nfaster = 200\n'
FAULT = "open:box:C1"
#: Of the page: what is read between units, in turn.
READ = ("/", "/units", f"/units/{KIT}/SO-0002", "/batch", "/calibrations", "/levels", "/static/page.js")
WINDOWS, STRETCHES, DEADLINE_S = 3, 20, 600.0
#: Of the units by the page and by one process for each new process, which takes as long as several of those.
PLANS = ("bench", "heat", "quick")


def of_process(process: int) -> dict[str, float]:
    """What a process has: resident memory, open files, threads, child processes."""
    folder = Path("/proc", str(process))
    status = dict(line.split(":", 1) for line in (folder / "status").read_text().splitlines())
    children = (folder / "task" / str(process) / "children").read_text().split()
    return {
        "memory, kB": float(status["VmRSS"].split()[0]),
        "open files": len(list((folder / "fd").iterdir())),
        "threads": float(status["Threads"]),
        "processes": len(children),
    }


class Window:
    """A window of the page: its stream is read by a thread, as a browser does."""

    def __init__(self, port: int, name: str) -> None:
        self.port, self.name, self.key, self.shown = port, name, "", {"phase": "", "question": 0}
        self.key = re.search(r'data-key="([^"]+)"', self.read("/")).group(1)  # type: ignore[union-attr]
        threading.Thread(target=self._listen, daemon=True).start()

    def read(self, path: str) -> str:
        """One page."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=DEADLINE_S)
        with contextlib.closing(connection):
            connection.request("GET", path)
            answer = connection.getresponse()
            assert answer.status == 200, (path, answer.status)
            return answer.read().decode()

    def send(self, change: str, **more: object) -> None:
        """What a key or a scan does."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=DEADLINE_S)
        with contextlib.closing(connection):
            headers = {"X-Kitproof-Key": self.key, "Origin": f"http://127.0.0.1:{self.port}"}
            connection.request("POST", f"/do/{change}", json.dumps({"window": self.name, **more}), headers)
            assert connection.getresponse().status == 200

    def _listen(self) -> None:
        connection = HTTPConnection("127.0.0.1", self.port)
        connection.request("GET", f"/events?window={self.name}")
        stream = connection.getresponse()
        for line in iter(stream.readline, b""):
            if line.startswith(b"data: "):
                self.shown = json.loads(line[6:])

    def until(self, *phases: str) -> dict[str, Any]:
        """What the page shows once it shows one of these."""
        until_s = time.monotonic() + DEADLINE_S
        while (shown := self.shown)["phase"] not in phases:
            assert time.monotonic() < until_s, shown
            time.sleep(0.02)
        return shown

    def judge(self, serial: str, plan: str) -> None:
        """One unit from its scan to its verdict."""
        self.send("take-over")
        self.send("scan", text=serial, question=0)
        self.until("chosen")
        self.send("plan", plan=plan)
        self.send("go", question=0)
        while True:
            shown = self.until("asking", "done")
            if shown["phase"] == "done":
                return
            # An answer counts once its question has stood for a while; it may come before that. By then the unit may be
            # done, where "go" without a question takes it again.
            time.sleep(SHOWN_S + 0.05)
            self.send("go", question=shown["question"])


def here(words: list[str]) -> int:
    """A command in this process."""
    with mock.patch.object(sys, "argv", ["kitproof", *words]), quiet():
        try:
            cli.main()
        except SystemExit as left:
            return int(left.code or 0)
    raise AssertionError("a command that does not exit")


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Nothing of it on the screen."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        yield


def in_process(words: list[str]) -> tuple[int, float]:
    """A command in a new process: its exit status, and the most memory that it took, kB."""
    command = [sys.executable, "-m", "rig", *words]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
        # What the system counts for a process that has ended has that of this one in it, from before it became another.
        most = 0.0
        while child.poll() is None:
            with contextlib.suppress(OSError, IndexError):
                most = float(Path(f"/proc/{child.pid}/status").read_text("utf-8").split("VmHWM:")[1].split()[0])
            time.sleep(0.05)
    return child.returncode, most


@contextlib.contextmanager
def page(workspace: Path) -> Iterator[tuple[int, int]]:
    """The page in a process of its own: its process, its port."""
    command = [sys.executable, "-m", "rig", "page", "--port", "0", "--workspace", str(workspace)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as served:
        assert served.stdout
        told = served.stdout.readline()
        try:
            yield served.pid, int(told.rsplit(":", 1)[1].strip("/\n"))
        finally:
            served.kill()


def slope(values: list[float]) -> tuple[float, float]:
    """Of a straight line through the means of the stretches, a thousand units; half of its 95 % interval."""
    kept = np.asarray(values)[len(values) // 10 :]
    parts = np.array_split(np.arange(kept.size), min(STRETCHES, kept.size))
    at, mean = (np.array([of[part].mean() for part in parts]) for of in (np.arange(kept.size), kept))
    line = scipy.stats.linregress(at, mean)
    return 1000 * line.slope, 1000 * line.stderr * scipy.stats.t.ppf(0.975, at.size - 2)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=120.0)
    asked = parser.parse_args()
    watched: dict[str, list[float]] = {}
    ends: Counter[tuple[str, int]] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        workspace = Path(folder)
        shutil.copytree(ROOT / "tests" / "archive" / "limits", workspace / "limits")
        (workspace / "bench.toml").write_text(BENCH, encoding="utf-8")
        with page(workspace) as (process, port):
            windows = [Window(port, f"window-{n}") for n in range(WINDOWS)]
            until_s, n = time.monotonic() + 60 * asked.minutes, 0
            while time.monotonic() < until_s:
                n += 1
                # Serials come again: units are measured more than once; every seventh has a fault.
                serial = f"SO-{(n % 997) + 1:04d}"
                words = ["verify", KIT, serial, "--workspace", str(workspace)] + ["--fault", FAULT] * (n % 7 == 0)
                for plan in PLANS:
                    windows[n % WINDOWS].read(READ[n % len(READ)])
                    windows[n % WINDOWS].judge(serial, plan)
                    ends["page", 0] += 1
                    ends["this process", here([*words, "--plan", plan])] += 1
                status, most = in_process(words)
                ends["new process", status] += 1
                found = {f"page: {name}": value for name, value in of_process(process).items()}
                found |= {f"one process: {name}": value for name, value in of_process(os.getpid()).items()}
                for name, value in (found | {"new process: most memory, kB": most}).items():
                    watched.setdefault(name, []).append(value)
                if n % 2 == 0:
                    print(n, " ".join(f"{values[-1]:.0f}" for values in watched.values()), flush=True)
    print(f"{ends.total()} units: {dict(ends)}")
    print(f"of 1000 rounds, {len(PLANS)} units each by the page and by this process, one by a new process:")
    for name, values in watched.items():
        change, half = slope(values)
        print(f"{name:34s} {values[len(values) // 10]:10.0f} to {values[-1]:10.0f}: {change:+.2f} +- {half:.2f}")


if __name__ == "__main__":
    main()
