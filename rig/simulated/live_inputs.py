"""The inputs of the simulated bench while nothing plays."""

import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rig.bench.listening import LiveInput
from rig.bench.shuttle import Block
from rig.design.kit import Kit
from rig.simulated.bench import SimulatedBench
from rig.values.captures import Calibration

#: First what is recorded of a box that plays, then what is at bare leads.
ROLES = ("microphone", "loopback", "drive", "sense")


class SimulatedListener:
    """What the simulated bench's inputs hear, at true speed.

    Parameters
    ----------
    kit : whose first box the microphone and the clips are at
    bench : with its room and its inputs
    """

    inputs: Sequence[LiveInput] = tuple(LiveInput(number, False, (role,)) for number, role in enumerate(ROLES, 1))
    sample_rate_hz: float

    def __init__(self, kit: Kit, bench: SimulatedBench) -> None:
        self._bench = bench
        first, place = kit.channels[0].name, kit.positions[0].name
        self._playing = replace(kit.silence(first, place, 1.0), marks=None)
        self._leads = replace(kit.sweep("leads", first, quiet=True), level_v=0.0)
        #: What was computed and is yet to be heard.
        self._rows: list[Block] = []
        self._heard_s = time.monotonic()
        self.calibration: Calibration | None = None
        self._capture()

    def heard(self, seconds: float) -> Block:
        """What all inputs hear in the next so many seconds, shape (inputs, frames)."""
        frames = round(seconds * self.sample_rate_hz)
        while min((row.size for row in self._rows), default=0) < frames:
            self._capture()
        self._heard_s = max(self._heard_s + seconds, time.monotonic())
        time.sleep(max(self._heard_s - time.monotonic(), 0.0))
        found = np.stack([row[:frames] for row in self._rows])
        self._rows = [row[frames:] for row in self._rows]
        return found

    def _capture(self) -> None:
        """Compute some more."""
        rows = []
        for request in (self._playing, self._leads):
            with self._bench.stage(request.stage) as player:
                capture = next(iter(player.play([request])))
            rows += [capture.samples[capture.inputs.index(role)] for role in ROLES if role in capture.inputs]
            self.sample_rate_hz = capture.sample_rate_hz
            if request.stage == "playing":
                self.calibration = capture.calibration
        frames = min(row.size for row in rows)
        before = self._rows or [row[:0] for row in rows]
        self._rows = [np.concatenate((old, row[:frames])) for old, row in zip(before, rows, strict=True)]
