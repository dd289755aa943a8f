"""`kitproof verify`."""

import json

import typer

from rig.commands.common import HERE, AsJson, BenchFile, By, Faults, Plan, Workspace, Yes
from rig.commands.walking import certified, confirming, is_card, open_for, show_run, shown, status_of, walked
from rig.run.verify import job, with_connection
from rig.screen.console import open_console, say
from rig.store import records
from rig.study.narrow_limits import without_room


def verify_command(
    kit: str,
    serial: str,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    plan: Plan = "",
    as_json: AsJson = False,
    yes: Yes = False,
    fault: Faults = None,
    by: By = "",
) -> None:
    """Measure one unit of a kit, judge it, write its record and certificate."""
    console = open_console(as_json)
    work = job(workspace, kit, plan)
    records.refuse_bad_serial(work.kit, serial)
    for line in without_room(work.kit):
        console.print(f"warning: {line}", style="yellow", markup=False, highlight=False)
    opened, settings = open_for(workspace, bench, work.kit, serial, fault or [])
    work, confirm = with_connection(work, settings), confirming(console, yes or not is_card(settings))
    run, record = walked(workspace, work, serial, opened, confirm, console, by)
    for words in (*record.set_aside, *record.clock):
        say(words, to_stderr=True)
    if as_json:
        shown(lambda: print(json.dumps({"folder": str(record.folder), **records.document_of(record)})))
    else:
        shown(lambda: show_run(console, run))
    certified(console, record)
    raise typer.Exit(status_of(run))
