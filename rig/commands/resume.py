"""`kitproof resume`."""

from typing import Annotated

import typer

from rig.bench.settings import bench_settings
from rig.commands.common import HERE, BenchFile, Workspace, Yes, sent
from rig.commands.walking import certified, confirming, is_card, open_for, show_run, shown, status_of
from rig.files.errors import (
    RecordError,
)
from rig.run import journal
from rig.run.verify import job, resume, with_connection
from rig.screen import terminal
from rig.screen.console import open_console, warn
from rig.store.homes import run_number


def resume_command(
    serial: Annotated[
        str | None, typer.Argument(help="Of the interrupted run; not needed where there is only one unit.")
    ] = None,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    close: Annotated[bool, typer.Option("--close", help="Do not go on: close the run as void.")] = False,
    yes: Yes = False,
) -> None:
    """Go on with a run that was interrupted by a crash or a power cut, or close it."""
    console = open_console()
    runs, problems = journal.load_all(workspace)
    for words in problems:
        warn(words)
    found = [run for run in runs if serial in (None, run.serial)]
    if len({(run.kit, run.serial) for run in found}) != 1:
        listed = ", ".join(f"{run.serial} ({run.kit}, {run.about.started_at})" for run in runs) or "none"
        raise RecordError(
            f"{len(found)} interrupted runs{'' if serial is None else f' of {serial!r}'}; there are: {listed}"
        )
    # Of one unit the newest; those before it are there still.
    before = max(found, key=lambda run: run_number(run.folder.name))
    work = job(workspace, before.kit, before.about.plan)
    opened, settings = (None, bench_settings(workspace, bench))
    if not close:
        opened, settings = open_for(workspace, bench, work.kit, before.serial, [])
    work = with_connection(work, settings)
    confirm = confirming(console, close or yes or not is_card(settings))
    screen = terminal.RunScreen(work.schedule.requests, console)
    try:
        run, record = resume(work, before, opened, confirm, screen.show, settings)
    finally:
        shown(screen.stop)
    shown(lambda: show_run(console, run))
    certified(console, record)
    sent(workspace, settings, bench)
    raise typer.Exit(status_of(run))
