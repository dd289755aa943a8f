"""`kitproof stop`."""

import os
import signal
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE
from rig.files.disk import is_done_in_time
from rig.files.errors import BenchError, BenchSetupError, RecordError
from rig.run.under_way import is_claimed, under_way, under_way_here
from rig.screen.console import say

#: What was told to stop is silent at once; so long it has to judge what it recorded; our choice.
ENDS_S = 15.0
LOOKS_S = 0.02
#: Locks with the process of each and what it does.
Found = Mapping[Path, tuple[int, str]]


def stop_command(
    workspace: Annotated[
        Path, typer.Option("--workspace", help="Folder with limits/, results/ and bench.toml.")
    ] = HERE,
) -> None:
    """End the sound and whatever is under way in this workspace, as Ctrl-C at its terminal or Esc on its page does."""
    # First what is found although the workspace is on a drive that hangs.
    found, there = _interrupt(under_way_here(workspace), {}), dict[Path, tuple[int, str]]()

    def look() -> None:
        with suppress(OSError):
            there.update(under_way(workspace))

    answers = is_done_in_time(look)
    found |= _interrupt(dict(there), found)
    if not found and not answers:
        raise RecordError(
            f"{workspace.absolute()}: does not answer, and no process of this computer has said that it sounds there. "
            "If something sounds: Ctrl-C at its terminal, Esc on its page, or the amplifier's switch"
        )
    if not found:
        say("nothing is under way here")
    _await_ends(found)


def _interrupt(found: Found, before: Found) -> dict[Path, tuple[int, str]]:
    """Interrupt the processes that were found, except those interrupted before; the locks of the new ones.

    Raises
    ------
    BenchSetupError
        If there are some on Windows, where only their own terminal can interrupt them.
    """
    processes = {process for process, _ in before.values()}
    new = {lock: one for lock, one in found.items() if one[0] not in processes}
    if new and os.name == "nt":
        raise BenchSetupError(
            f"{'; '.join(what for _, what in new.values())}: press Ctrl-C at its terminal, or Esc on its page"
        )
    for process, _ in new.values():
        with suppress(ProcessLookupError):
            os.kill(process, signal.SIGINT)
    return new


def _await_ends(found: Found) -> None:
    """Wait until what was told to stop has ended, and say what has.

    Raises
    ------
    BenchError
        If something has not.
    """
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
