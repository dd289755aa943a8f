"""`kitproof stop`."""

import os
import signal
import time
from contextlib import suppress

from rig.commands.common import HERE, Workspace
from rig.files.errors import BenchError, BenchSetupError
from rig.run.under_way import is_claimed, under_way
from rig.screen.console import say

#: What was told to stop is silent at once; so long it has to judge what it recorded; our choice.
ENDS_S = 15.0
LOOKS_S = 0.02


def stop_command(workspace: Workspace = HERE) -> None:
    """End the sound and whatever is under way in this workspace, as Ctrl-C at its terminal or Esc on its page does."""
    found = under_way(workspace)
    if not found:
        say("nothing is under way here")
    if found and os.name == "nt":
        raise BenchSetupError(
            f"{'; '.join(what for _, what in found.values())}: press Ctrl-C at its terminal, or Esc on its page"
        )
    for process, _ in found.values():
        with suppress(ProcessLookupError):
            os.kill(process, signal.SIGINT)
    until_s = time.monotonic() + ENDS_S
    while (going_on := [lock for lock in found if is_claimed(lock)]) and time.monotonic() < until_s:
        time.sleep(LOOKS_S)
    for lock, (_, what) in found.items():
        if lock not in going_on:
            say(f"stopped: {what}")
    if going_on:
        whats = "; ".join(found[lock][1] for lock in going_on)
        raise BenchError(
            f"{whats}: was told to stop and has not ended. Switch the amplifier off, then press Ctrl-C at its "
            "terminal, or Esc on its page"
        )
