"""`kitproof results`."""

import json
from typing import Annotated

import typer

from rig.commands.common import HERE, AsJson, OfKit, Workspace
from rig.files.errors import TableError
from rig.run import journal
from rig.screen.console import open_console, say
from rig.screen.listings import record_table
from rig.store import records


def results_command(
    workspace: Workspace = HERE,
    kit: OfKit = "",
    serial: Annotated[str | None, typer.Option(help="Only this serial.")] = None,
    outcome: Annotated[str, typer.Option(help="Only pass, fail or void.")] = "",
    as_json: AsJson = False,
) -> None:
    """List the records of this workspace."""
    if outcome not in ("", "pass", "fail", "void"):
        raise TableError(f"--outcome: found {outcome!r}; allowed: pass, fail, void")
    if kit:
        from rig.design.kit import load_kit

        load_kit(workspace, kit)
    readable, unreadable = records.all_records(workspace, kit, serial)
    found = [record for record in readable if outcome in ("", record.outcome)]
    for words in unreadable:
        say(words, to_stderr=True)
    if as_json:
        keys = ("run", "run_number", "serial", "outcome", "finished_at")
        print(json.dumps([{"kit": one.kit.name, **{key: getattr(one, key) for key in keys}} for one in found]))
        return
    console = open_console()
    console.print(record_table(found))
    for folder in records.unfinished(workspace):
        if journal.is_running(folder):
            console.print(f"under way: {folder}")
        elif (folder / journal.CHECKPOINT).is_file():
            console.print(f"interrupted in its soak; kitproof resume goes on or closes it: {folder}")
        else:
            console.print(f"ended while being written, counts for nothing: {folder}")
