"""`kitproof wiring`."""

from pathlib import Path
from typing import Annotated

import typer

from rig.files.disk import read_bytes, write
from rig.report import WIRING
from rig.screen.console import say

#: The figures of `rig/report/wiring`, in the order in which a bench is wired.
FIGURES = ("leads-return", "leads-source", "known-load", "playing", "bridged", "soak")


def wiring_command(folder: Annotated[Path, typer.Argument(help="Where to write the figures.")]) -> None:
    """Draw the wiring of the bench as figures."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in FIGURES:
        path = folder / f"{name}.svg"
        write(path, read_bytes(WIRING / path.name))
        say(path)
