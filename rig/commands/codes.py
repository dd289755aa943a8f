"""`kitproof codes`."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.files.disk import why
from rig.files.errors import RecordError
from rig.page.scans import ACTION_WORDS, CODES
from rig.report.label import write_code_sheet
from rig.screen.console import say


def codes_command(
    to: Annotated[Path, typer.Argument(help="The file that is written.")] = Path("codes.pdf"),
) -> None:
    """Write the sheet of codes that are scanned at the bench's page: go on, stop, rework, skip."""
    codes = {ACTION_WORDS[action]: code for code, action in CODES.items()}
    try:
        say(write_code_sheet(to, codes, datetime.now().astimezone()))
    except OSError as error:
        raise RecordError(f"{to}: could not be written: {why(error)}") from None
