"""Going on with an interrupted run: what is on the disk is given back by what was asked, whatever the order."""

from pathlib import Path

import numpy as np

from rig.run.journal import Interrupted
from rig.run.resume import ResumedBench, ResumedPlayer
from rig.store.run_json import About
from rig.values.captures import Calibration, Capture
from rig.values.requests import Sweep


def asked(channel: str) -> Sweep:
    return Sweep("soak", channel, channel, 1.0, 1.0, 100.0, 1000.0, 1.0, moment="cold")


def captured(request: Sweep, flags: tuple[str, ...] = ()) -> Capture:
    return Capture(request, np.zeros((1, 8), np.float32), ("microphone",), 48e3, Calibration({}, 1.0), flags=flags)


class LiveBench:
    def play(self, requests):
        for request in requests:
            yield captured(request, ("live",))


def test_only_what_is_not_on_the_disk_is_played() -> None:
    # A former version asked for the channels in another order, and for two of them alone.
    stored = tuple(captured(asked(channel)) for channel in ("right", "left"))
    facts = {"kit": "", "serial": "", "kit_sha256": "", "about": About(started_at="")}
    before = Interrupted(**facts, folder=Path(), captures=stored, files=("b", "a"), logs={})
    player = ResumedPlayer(ResumedBench(before, LiveBench()), LiveBench())
    found = list(player.play([asked(channel) for channel in ("left", "middle", "right")]))
    assert [(one.request.channel, one.flags) for one in found] == [("left", ()), ("middle", ("live",)), ("right", ())]
