"""The run in a terminal: stage, what is sounding, time left, verdicts, and at the end the margins as a table.

Every verdict is shown by a word and a shape of its own; colour only repeats them.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.panel import Panel
from rich.status import Status
from rich.table import Table
from rich.text import Text

from rig.report.unproved import void_reason
from rig.report.words import MEANINGS, time_words
from rig.screen.console import open_console
from rig.screen.record_page import findings_words
from rig.screen.shapes import SHAPES, STYLES, verdict_text
from rig.screen.soak_progress import SoakScreen, Watched, hot_words, programme_words
from rig.store.run_json import Record
from rig.values.findings import Finding
from rig.values.names import NOT_DONE
from rig.values.requests import Programme, Request
from rig.values.run import Asked, Captured, DiskWaits, Event, Foretold, Judged, Logged, Run, StageReached, Started
from rig.values.verdicts import CheckResult

if TYPE_CHECKING:
    from rig.bench.devices import ListedDevice


class RunScreen:
    """Draws the events of a run as it is told of them.

    While a person is asked something the status line is taken away, so that the question stands alone.
    """

    def __init__(self, requests: Sequence[Request], console: Console) -> None:
        self._requests, self._console = requests, console
        self._status = Status("", console=console)
        self._soak: SoakScreen | None = None

    def show(self, event: Event) -> None:
        """Draw an event."""
        if self._soak and not isinstance(event, Logged):
            self._soak.stop()
        hot = hot_words(self._soak.watched) if self._soak else ""
        match event:
            case StageReached(stage, words):
                self._status.stop()
                self._console.print(Panel(Text(words.strip()), title=f"stage: {stage}", title_align="left"))
                if hot:
                    self._console.print(f"When last read: {hot}", style="bold reverse")
            case Asked(words) | Foretold(words) | DiskWaits(words):
                self._status.stop()
                self._console.print(words.strip())
            case Started(request) if isinstance(request, Programme):
                self._status.stop()
                self._console.print(programme_words(request))
                self._soak = SoakScreen(Watched(request), self._console)
            case Started():
                self._status.update(Text(" ".join(filter(None, (hot, _sounding(event, self._requests))))))
                self._status.start()
            case Logged() if self._soak:
                self._soak.show(event)
            case Captured(capture, troubles) if troubles:
                text = f"  disturbed, attempt {capture.attempt}: {capture.request}: {'; '.join(troubles)}"
                self._console.print(text)
            case Judged(result):
                self._console.print(_line(result))

    def stop(self) -> None:
        """Let go of the terminal."""
        self._status.stop()
        if self._soak:
            self._soak.stop()


def _sounding(event: Started, requests: Sequence[Request]) -> str:
    left_s = sum(sound_s(request) for request in requests[event.number - 1 :])
    again = f", attempt {event.attempt}" if event.attempt > 1 else ""
    return f"{event.number} of {event.of}: {event.request}{again}; {duration(left_s)} of sound left"


def sound_s(request: Request) -> float:
    """How long a request sounds, silences included."""
    if isinstance(request, Programme):
        return request.seconds
    return request.layout(48000.0).total_s


def duration(seconds: float) -> str:
    """A time in words: seconds, then minutes, then hours and minutes."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _line(result: CheckResult) -> Text:
    line = Text("  ") + verdict_text(result.outcome) + Text(f"  {result.title}")
    if result.reason:
        # Why a run was stopped stands at its end; not once more at every check.
        line += Text(": not done" if result.reason.startswith(NOT_DONE) else f": {result.reason}")
    return line


def closing(run: Run) -> Panel:
    """The verdict of the run, large, with what it means and how the time went."""
    words = Text(f"{SHAPES[run.outcome]} {run.outcome.upper()}", style=STYLES[run.outcome])
    words += Text(f"  {MEANINGS[run.outcome]}\n", style="none")
    if run.stopped or run.outcome == "void":
        words += Text(f"{void_reason(run)}\n")
    if run.bench_advice:
        words += Text(f"{run.bench_advice}\n")
    if run.timing.sound_s:
        words += Text(f"{time_words(run.timing)}\n")
    words.rstrip()
    return Panel(words, expand=False)


def demo_table(done: Sequence[tuple[str, str, Run, Record]]) -> Table:
    """The units of the demo: what was built into each, and what the rig said."""
    table = Table(title="Demo", title_justify="left")
    for name in ("serial", "what it is", "verdict", "what fails"):
        table.add_column(name)
    for serial, words, run, _ in done:
        # Readings of different units cannot be ranked: the first bad one of each check tells enough.
        bad = [[v for v in result.verdicts if v.outcome == "fail"][:1] for result in run.results]
        lines = [f"{v.quantity} {v.subject}: {v.reason}" for found in bad for v in found]
        table.add_row(serial, words, verdict_text(run.outcome), "\n".join(lines) or "all inside their limits")
    return table


def device_table(devices: Sequence["ListedDevice"]) -> Table | Text:
    """Sound devices with the words that bench.toml must use, and whether they fit."""
    if not devices:
        return Text("no sound device is there: is one plugged in, and may this user open it?")
    table = Table()
    for name in ("host_api", "name", "inputs", "outputs", "sample_rate_hz", "bench.toml"):
        table.add_column(name)
    for row in devices:
        device = row.device
        counts = (str(device.inputs), str(device.outputs), f"{device.sample_rate_hz:g}")
        table.add_row(Text(device.host_api), Text(device.name), *counts, "fits" if row.fits else Text(row.remark))
    return table


def show_findings(findings: Sequence[Finding]) -> None:
    """Print findings on a console of their own."""
    open_console().print(findings_words(findings))
