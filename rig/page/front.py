"""What the main thread, which measures, has of the windows: it asks their person, and changes what they show."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from rig.calibration.desk import Guide
from rig.page.view import View, sounding
from rig.values.requests import Sweep

#: So many of the lines that a calibration says stay in sight; layout.
LINES = 4


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

    def guide(self) -> Guide:
        """The person, as calibrations know one."""
        return Guide(self.ask, self.say, self.confirm, self.plays)

    def say(self, words: str) -> None:
        """Show a line that has no answer."""
        self.change(lambda view: replace(view, said=(*view.said, words)[-LINES:]))

    def plays(self, request: Sweep) -> None:
        """Show what sounds now, outside of a run."""
        self.change(lambda view: sounding(view, request))
