"""`kitproof show`."""

import json
from typing import Annotated

import typer

from rig.commands.common import HERE, AsJson, Workspace, newest
from rig.files.errors import PASS, VOID
from rig.report.paper import papers_of
from rig.screen.console import open_console
from rig.screen.record_page import record_page
from rig.store import records
from rig.store.archived import words_of


def show_command(
    serial: str, workspace: Workspace = HERE, kit: Annotated[str, typer.Option()] = "", as_json: AsJson = False
) -> None:
    """Print the newest record of a unit, and whether its files are still what they were."""
    record = newest(workspace, serial, kit)
    problems = records.damages(record)
    if as_json:
        print(
            json.dumps(
                {
                    "folder": str(record.folder),
                    "damages": problems,
                    "taken_out": words_of(record),
                    **records.document_of(record),
                }
            )
        )
    else:
        console = open_console()
        console.print(record_page(record, problems, console.width))
        console.print("\n".join(papers_of(record)), soft_wrap=True)
        if taken_out := words_of(record):
            console.print(taken_out)
    raise typer.Exit(VOID if problems else PASS)
