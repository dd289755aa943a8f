"""`kitproof stop`."""

import os
import signal

from rig.commands.common import HERE, Workspace
from rig.files.errors import BenchSetupError
from rig.run.journal import under_way
from rig.screen.console import say


def stop_command(workspace: Workspace = HERE) -> None:
    """End the sound and the run under way in this workspace, as Ctrl-C at its terminal or Esc on its page does."""
    found = under_way(workspace)
    if not found:
        say("nothing is under way here")
    for folder, process in found.items():
        if os.name == "nt":
            raise BenchSetupError(f"{folder}: press Ctrl-C at its terminal, or Esc on its page")
        os.kill(process, signal.SIGINT)
        say(f"stopped: {folder}")
