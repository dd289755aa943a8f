"""What the main thread, which measures, has of the windows: it asks their person, and changes what they show.

What is loaded here is loaded before the page is there: no check, and nothing that computes.
"""

import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from rig.bench.settings import BenchSettings
from rig.files.disk import where_and_why
from rig.files.errors import KitproofError
from rig.page.view import View, sounding
from rig.values.requests import Sweep
from rig.verdict.check import unforeseen

if TYPE_CHECKING:
    from rig.calibration.desk import Guide

#: So many of the lines that a calibration says stay in sight; layout.
LINES = 4


@dataclass(frozen=True)
class Place:
    """The bench that a page is for."""

    workspace: Path
    settings: BenchSettings | None
    by: str
    #: Another bench than the workspace's own; None: that.
    file: Path | None = None
    #: What is odd about a kit, by its hash, once that was looked for and its checks were rehearsed.
    warnings: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Front:
    """The windows, as one person at the bench."""

    #: Ask whether something is done; ask for what has to be typed.
    confirm: Callable[[str], bool]
    ask: Callable[[str], str]
    #: Do something to what is shown.
    change: Callable[[Callable[[View], View]], None]
    #: From here on nothing may be interrupted any more.
    close: Callable[[], None]

    def guide(self) -> "Guide":
        """The person, as calibrations know one."""
        from rig.calibration.desk import Guide

        return Guide(self.ask, self.say, self.confirm, self.plays)

    def say(self, words: str) -> None:
        """Show a line that has no answer."""
        self.change(lambda view: replace(view, said=(*view.said, words)[-LINES:]))

    def plays(self, request: Sweep) -> None:
        """Show what sounds now, outside of a run."""
        self.change(lambda view: sounding(view, request))


def error_told(error: BaseException) -> str:
    """An error that ended what was done, in words for the windows; one that nobody foresaw whole for the terminal."""
    if isinstance(error, KitproofError | OSError):
        return where_and_why(error)
    traceback.print_exception(error)
    return f"{unforeseen(error)}. Nothing sounds, and the page goes on."


def load_early() -> None:
    """Load what a run and its history need while nobody waits for it; what cannot be is told where it is needed."""
    with suppress(Exception):
        for name in ("rig.page.unit_run", "rig.store.selection", "rig.page.bench_tasks"):
            import_module(name)
        import_module("rig.run.verify").load_what_computes()
