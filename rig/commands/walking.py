"""One run at the terminal: opening its bench, walking it on the screen, and what is said at its end."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rich.console import Console

from rig.bench.base import Bench
from rig.bench.settings import BenchSettings, bench_settings
from rig.commands.common import STATUS
from rig.design.kit import Kit
from rig.files.errors import BENCH, BenchSetupError, PaperError
from rig.report.paper import make_certificate, not_on_paper
from rig.run import opening
from rig.run.verify import Job, verify
from rig.run.walk import Confirm
from rig.screen import terminal
from rig.screen.console import warn, yes_or_no
from rig.screen.margins import verdict_margins
from rig.screen.record_page import findings_words
from rig.store.run_json import Record
from rig.values.run import Run


def walked(
    workspace: Path,
    work: Job,
    serial: str,
    bench: Bench,
    confirm: Confirm,
    console: Console,
    **named: Any,
) -> tuple[Run, Record]:
    """Walk one run while the screen draws it; the run and its record. `named`: by whom, batch, bench's settings."""
    screen = terminal.RunScreen(work.schedule.requests, console)
    try:
        return verify(workspace, work, serial, bench, confirm, screen.show, **named)
    finally:
        shown(screen.stop)


def shown(show: Callable[[], object]) -> None:
    """Show what is on the record already; where that goes wrong the record and the exit status stay what they are."""
    try:
        show()
    except Exception as error:
        warn(f"it could not be shown here: {type(error).__name__}: {error}")


def certified(console: Console, record: Record) -> None:
    """Make the certificate of a record and say where it is, or why there is none."""
    try:
        path = make_certificate(record)
    except PaperError as error:
        serial = record.serial
        warn(f"{error}\nThe record is whole: {record.folder}")
        warn(f"kitproof certificate {serial} makes its certificate when that is mended")
    else:
        lines = [f"certificate: {path}", *filter(None, [not_on_paper(record)])]
        shown(lambda: console.print("\n".join(lines), soft_wrap=True))


def status_of(run: Run) -> int:
    """The exit status that a run ends in."""
    return BENCH if run.bench_failed else STATUS[run.outcome]


def open_for(
    workspace: Path, file: Path | None, kit: Kit, serial: str, faults: list[str]
) -> tuple[Bench, BenchSettings | None]:
    """The bench for one unit, and its settings; no settings: the simulated bench."""
    settings = bench_settings(workspace, file)
    return opening.open_bench(workspace, settings, kit, serial, faults), settings


def is_card(settings: BenchSettings | None) -> bool:
    """Whether a bench is a sound card."""
    return settings is not None and settings.kind == "soundcard"


def confirming(console: Console, unattended: bool) -> Confirm:
    """What asks the person at the bench whether something is done."""
    if not unattended and not sys.stdin.isatty():
        raise BenchSetupError("nobody can answer at this terminal; --yes answers every prompt")

    def ask(words: str) -> bool:
        return yes_or_no(console, "  done? type y to go on, n to stop: ")

    return (lambda words: True) if unattended else ask


def show_run(console: Console, run: Run) -> None:
    """Print a run's verdicts, findings and closing line."""
    console.print(verdict_margins(run.results, console.width))
    if run.findings:
        console.print(findings_words(run.findings))
    console.print(terminal.closing(run))
