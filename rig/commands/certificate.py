"""`kitproof certificate`."""

from typing import Annotated

import typer

from rig.commands.common import HERE, OfKit, Workspace, newest
from rig.files.errors import (
    PaperError,
    RecordError,
)
from rig.report.paper import make_certificate, not_on_paper
from rig.screen.console import say


def certificate_command(
    serial: str,
    workspace: Workspace = HERE,
    kit: OfKit = "",
    run: Annotated[int, typer.Option("--run", help="The number of the run; else the newest.")] = 0,
) -> None:
    """Make the certificate of a unit's newest record again, from what is recorded alone."""
    record = newest(workspace, serial, kit, number=run)
    try:
        say(make_certificate(record))
        if words := not_on_paper(record):
            say(words)
    except PaperError as error:
        raise RecordError(f"{record.folder}: {error}") from None
