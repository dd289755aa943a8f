"""`kitproof check-paper`."""

import re
from typing import Annotated

import typer

from rig.commands.common import HERE, OfKit, Workspace
from rig.files.errors import FAIL, PASS, TableError
from rig.screen.console import say
from rig.store import records

#: Fewer digits could belong to several records; more than the paper prints are in its code (choice of the command);
#: our choice.
FEWEST_DIGITS = 16


def check_paper_command(
    serial: str,
    fingerprint: Annotated[str, typer.Argument(help="What the paper prints beside its code, or all in the code.")],
    workspace: Workspace = HERE,
    kit: OfKit = "",
) -> None:
    """Tell whether a paper in hand belongs to a record that is stored here, unchanged."""
    digits = re.sub(r"[\s-]", "", fingerprint).lower()
    if not re.fullmatch(rf"[0-9a-f]{{{FEWEST_DIGITS},64}}", digits):
        raise TableError(
            f"fingerprint: found {fingerprint!r}; allowed: {FEWEST_DIGITS} to 64 digits, 0 to 9 and a to f"
        )
    home = records.home_of(workspace, serial, kit)
    found, odd = records.readable(home) if home else ([], [])
    for record in found:
        if records.sha256(record.folder / "run.json").startswith(digits):
            damages = records.damages(record)
            say(f"it belongs to run {record.run_number} of {serial}: {record.outcome}, {record.finished_at}")
            say("every file of the record is what it was" if not damages else f"ALTERED: {'; '.join(damages)}")
            raise typer.Exit(FAIL if damages else PASS)
    for words in odd:
        say(f"not held against it: {words}")
    say(f"no record of {serial} here has this fingerprint: the paper is of another record, or not from here")
    raise typer.Exit(FAIL)
