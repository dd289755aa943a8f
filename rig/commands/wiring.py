"""`kitproof wiring`."""

from pathlib import Path
from typing import Annotated

import typer

from rig.screen.console import say

#: The figures of `rig/report/wiring`, in the order in which a bench is wired.
FIGURES = ("leads-return", "leads-source", "known-load", "playing", "bridged", "soak")
DRAWN = Path(__file__).parents[1] / "report" / "wiring"


def wiring_command(folder: Annotated[Path, typer.Argument(help="Where to write the figures.")]) -> None:
    """Draw the wiring of the bench as figures."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in FIGURES:
        path = folder / f"{name}.svg"
        path.write_bytes((DRAWN / path.name).read_bytes())
        say(path)
