"""`kitproof batch KIT`: how a batch went: yields, what fails, room in the limits, what changed on the way."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE, AsJson, Workspace
from rig.commands.filters import refuse_unknown_kit, with_filters
from rig.files.disk import why, write
from rig.files.errors import RecordError
from rig.store.records import now
from rig.store.selection import Selection
from rig.study.batch_study import BatchStudy, study


@with_filters
def batch_command(
    kit: Annotated[str, typer.Argument(help="The kit whose units are looked at.")],
    *,
    workspace: Workspace = HERE,
    as_json: AsJson = False,
    selection: Selection,
) -> None:
    """Tell how a batch went: what passes at the first try, what fails, room in the limits, what changed on the way."""
    refuse_unknown_kit(workspace, kit)
    problems: list[str] = []
    found = study(workspace, replace(selection, kit=kit), _once(problems))
    folder = _written(workspace, found, problems)
    if as_json:
        from rig.study.batch_words import document

        print(json.dumps(document(found) | {"problems": problems, "report": str(folder / "report.html")}))
    else:
        from rig.screen.batch_page import show

        show(found, problems, folder / "report.html")


def _once(problems: list[str]) -> Callable[[str], None]:
    def tell(words: str) -> None:
        if words not in problems:
            problems.append(words)

    return tell


def _written(workspace: Path, found: BatchStudy, problems: list[str]) -> Path:
    """The report and its tables, in a folder beside the units of `results/` that is none."""
    from rig.report.batch_report import page
    from rig.study.batch_tables import tables_of
    from rig.study.export import csv_text

    folder = workspace / "results" / ".batch" / f"{found.batch.kit}-{datetime.now().astimezone():%Y-%m-%dT%H%M%S}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, table in tables_of(found).items():
            write(folder / f"{name}.csv", csv_text(table))
        write(folder / "report.html", page(found, problems, now()))
    except OSError as error:
        raise RecordError(f"{folder}: the report could not be written: {why(error)}") from None
    return folder
