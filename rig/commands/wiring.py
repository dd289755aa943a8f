"""`kitproof wiring`."""

from pathlib import Path
from typing import Annotated

import typer

from rig.screen.console import say


def wiring_command(folder: Annotated[Path, typer.Argument(help="Where to write the figures.")]) -> None:
    """Draw the wiring of the bench as figures."""
    from rig.report.wiring import draw_all

    folder.mkdir(parents=True, exist_ok=True)
    for path in draw_all(folder):
        say(path)
