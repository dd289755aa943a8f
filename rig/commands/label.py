"""`kitproof label`."""

from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE, OfKit, Workspace, newest
from rig.files.disk import why
from rig.files.errors import RecordError, TableError
from rig.report.label import write_label
from rig.screen.console import say


def label_command(
    serial: str,
    width: Annotated[float, typer.Option("--width", help="Millimetres.")] = 50.0,
    height: Annotated[float, typer.Option("--height", help="Millimetres.")] = 25.0,
    *,
    workspace: Workspace = HERE,
    kit: OfKit = "",
    to: Annotated[Path, typer.Option("--to", help="Folder that the files go into.")] = HERE,
) -> None:
    """Write the label of a unit, with its serial as a code, newest verdict and date, as PDF and PNG."""
    record = newest(workspace, serial, kit)
    if not (5 <= height <= 300 and 5 <= width <= 300):
        raise TableError(f"--width, --height: found {width:g} by {height:g} mm; allowed: 5 to 300 mm")
    try:
        for path in write_label(to, record, (width, height)):
            say(path)
    except ValueError as error:
        raise TableError(f"--width, --height: found {width:g} by {height:g} mm; allowed: {error}") from None
    except OSError as error:
        raise RecordError(f"{to}: the label could not be written: {why(error)}") from None
