"""How long a run takes beside its sound: what the computer's own work adds, on a bench that takes true time.

    python tests/benchmarks/run_overhead.py --kit booth-two --units 3

Each unit is walked on the simulated bench as a sound card's stream would give its captures: one stimulus behind the
other, the next one sounding while the caller works. Time is counted, not waited for: a sound lasts as long as it lasts,
and work takes the processor time of its thread, so that a busy machine changes little. What the simulation itself costs
is left out. Captures are written by the journal as in a run, in a thread of its own which works while the next one
sounds; its processor time is told beside, and `--unwritten` leaves it out. The first unit pays for what a process works
out once; `--rehearsed` lets that happen before it.
"""

import argparse
import sys
import tempfile
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from rig.bench.base import Then, allowed_delay_s, cable_role, capture_frames, delay_frames
from rig.bench.player import ASKED_EARLY_S
from rig.design.kit import Kit
from rig.run import sequencer
from rig.run.journal import Journal
from rig.run.opening import simulated
from rig.run.schedule import with_codes
from rig.run.verify import job
from rig.simulated.bench import SimulatedBench
from rig.store.records import now
from rig.store.run_json import About
from rig.values.captures import Capture
from rig.values.requests import Sweep

#: From writing a stimulus to its sounding, and how long after a capture silence may lie in the past: as on a card.
LEAD_S, UNMOVED_S = 0.06, 0.3


class CountedTime:
    """A bench on a clock of its own."""

    def __init__(self, bench: SimulatedBench) -> None:
        self.bench = bench
        self.now_s, self._worked_s = 0.0, time.thread_time()
        self.first_s, self.last_stop_s, self.written_s = float("nan"), -1.0, 0.0
        self.describe, self.refuse, self.session = bench.describe, bench.refuse, bench.session

    def work(self) -> float:
        """The moment, the work since it was asked for last included."""
        worked_s = time.thread_time()
        self.now_s, self._worked_s = self.now_s + worked_s - self._worked_s, worked_s
        return self.now_s

    @contextmanager
    def stage(self, name: str) -> Iterator["CountedTime"]:
        with self.bench.stage(name) as player:
            self._player, self._delay = player, None
            yield self

    def play(self, requests: Sequence[Sweep], then: Then | None = None) -> Iterator[Capture]:
        """The captures of requests that sound one behind the other from now on."""
        begins_s = self.work()
        if begins_s - self.last_stop_s < UNMOVED_S:
            begins_s += LEAD_S - requests[0].layout(48000.0).mark_before / 48000.0
        begins_s = max(begins_s, self.written_s)
        if self.first_s != self.first_s:
            self.first_s = begins_s
        waiting, rest_s = deque(requests), 0.0
        while waiting:
            self.work()
            (capture,) = self._player.play([waiting.popleft()])
            self._worked_s = time.thread_time()
            if capture.request.spacing and capture.request.spacing.joined:
                plan = capture.layout
                begins_s -= (plan.mark_before + plan.mark_frames) / capture.sample_rate_hz + rest_s
            rest_s = capture.layout.rest / capture.sample_rate_hz
            # The simulated bench records as long as a player that knows no delay yet.
            delay_s = None if self._delay is None else self._delay / capture.sample_rate_hz
            frames = capture_frames(capture.layout, False, allowed_delay_s(delay_s))
            cable = capture.samples[capture.inputs.index(cable_role(capture.inputs))]
            self._delay = self._delay or delay_frames(cable, capture.layout, frames)
            stop_s = begins_s + frames / capture.sample_rate_hz
            begins_s += capture.layout.total_s
            self.written_s, self.last_stop_s = begins_s, stop_s
            self.now_s = max(self.now_s, stop_s - ASKED_EARLY_S if then and not waiting else 0.0)
            if then and not waiting and self.now_s < stop_s:
                asked, then = then, None
                waiting.extend(asked())
                self.work()
            self.now_s = max(self.now_s, stop_s)
            yield capture
            self.work()


class Writing(Journal):
    """A journal that knows how long its thread worked, s."""

    def __init__(self, kit: Kit, serial: str, folder: Path) -> None:
        super().__init__(folder, kit, serial, About(started_at=now()))
        self.worked_s = 0.0

    def _put_down(self, *stands: Any) -> None:
        began_s = time.thread_time()
        super()._put_down(*stands)
        self.worked_s += time.thread_time() - began_s


def main() -> None:
    """Print sound, length of the run, what is between, and how long the last verdict takes."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kit", default="booth-two")
    parser.add_argument("--units", type=int, default=3)
    parser.add_argument("--rehearsed", action="store_true")
    parser.add_argument("--unwritten", action="store_true")
    asked = parser.parse_args()
    work = job(ROOT, asked.kit, "bench")
    if asked.rehearsed:
        from rig.run.rehearsal import rehearse

        rehearse(work.kit, work.checks)
    channels = len(work.kit.channels)
    for n in range(asked.units):
        serial = work.kit.serial_example[:-1] + str(n + 1)
        bench = CountedTime(simulated(None, work.kit, serial, []))
        schedule = with_codes(work.schedule, f"run {n}")
        events = sequencer.run(schedule, work.checks, work.kit, bench, lambda words: True)
        with tempfile.TemporaryDirectory() as folder, closing(Writing(work.kit, serial, Path(folder))) as journal:
            for event in events if asked.unwritten else journal.keep(events):
                run = getattr(event, "run", None)
            whole_s, sound_s = (bench.work() - bench.first_s) / channels, run.timing.sound_s / channels
            verdict_s = bench.now_s - bench.last_stop_s
        print(f"{serial} {run.outcome}; a channel: {sound_s:.2f} s of sound, {whole_s:.2f} s in all, ", end="")
        print(f"overhead {whole_s - sound_s:.2f} s; last sample to last verdict {verdict_s:.2f} s", end="")
        print(f"; writing {journal.worked_s / channels:.2f} s")


if __name__ == "__main__":
    main()
