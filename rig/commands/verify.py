"""`kitproof verify`."""

import json
from typing import Annotated

import typer
from rich.console import Console

from rig.commands.common import HERE, AsJson, BenchFile, By, Faults, Plan, Workspace, Yes, sent
from rig.commands.walking import certified, confirming, is_card, open_for, show_run, shown, status_of, walked
from rig.report.findings_text import history_words
from rig.run.journal import is_interrupted
from rig.run.rehearsal import ready_by_the_first_answer, rehearse
from rig.run.verify import Job, job, with_connection
from rig.run.walk import Confirm
from rig.screen.console import open_console, warn
from rig.store import records
from rig.study.kit_warnings import kit_warnings


def verify_command(
    kit: str,
    serial: str,
    *,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    plan: Plan = "",
    as_json: AsJson = False,
    yes: Yes = False,
    fault: Faults = None,
    by: By = "",
    batch: Annotated[str, typer.Option("--batch", help="The lot of units that it belongs to.")] = "",
) -> None:
    """Measure one unit of a kit, judge it, write its record and certificate."""
    console = open_console(as_json)
    work = job(workspace, kit, plan)
    records.refuse_bad_serial(work.kit, serial)
    opened, settings = open_for(workspace, bench, work.kit, serial, fault or [])
    unattended = yes or not is_card(settings)
    work, confirm = with_connection(work, settings), confirming(console, unattended)
    confirm = _prepared(work, confirm, console, not unattended)
    if any(map(is_interrupted, (workspace / "results" / work.kit.name / serial).glob(f"{records.UNFINISHED}*"))):
        warn(f"note: a run of {serial} was interrupted; kitproof resume {serial} goes on with it")
    run, record = walked(workspace, work, serial, opened, confirm, console, by=by, batch=batch, settings=settings)
    for words in (*record.set_aside, *record.clock, *history_words(record)):
        warn(words)
    if as_json:
        shown(lambda: print(json.dumps({"folder": str(record.folder), **records.document_of(record)})))
    else:
        shown(lambda: show_run(console, run))
    certified(console, record)
    sent(workspace, settings, bench)
    raise typer.Exit(status_of(run))


def _prepared(work: Job, confirm: Confirm, console: Console, somebody_reads: bool) -> Confirm:
    """Asks as `confirm`; looks meanwhile for limits that are too narrow, and while somebody reads works out what a run
    works out once. From now on, for the bench takes its time to open too.
    """
    lines: list[str] = []

    def look() -> None:
        lines.extend(kit_warnings(work.kit))
        if somebody_reads:
            rehearse(work.kit, work.checks)

    ready = ready_by_the_first_answer(confirm, look, lines.append)

    def ask(words: str) -> bool:
        goes_on = ready(words)
        for line in lines:
            console.print(f"warning: {line}", style="yellow", markup=False, highlight=False)
        lines.clear()
        return goes_on

    return ask
