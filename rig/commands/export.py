"""`kitproof export`: tidy tables of runs, readings and curves, for whatever reads tables."""

from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE, Workspace
from rig.commands.filters import refuse_unknown_kit, with_filters
from rig.files.errors import TableError
from rig.screen.console import say, warn
from rig.store.selection import Selection
from rig.study.export import TABLES, refuse_without_parquet, write_tables


@with_filters
def export_command(
    folder: Annotated[Path, typer.Argument(help="Where the tables are written; it is made if it is not there.")],
    *,
    workspace: Workspace = HERE,
    table: Annotated[
        list[str] | None, typer.Option("--table", help=f"Only this of {', '.join(TABLES)}; again.")
    ] = None,
    parquet: Annotated[bool, typer.Option("--parquet", help="As Parquet too; needs kitproof[parquet].")] = False,
    selection: Selection,
) -> None:
    """Write tidy tables of runs, readings and curves as CSV or Parquet, with what each column is and in which unit."""
    refuse_unknown_kit(workspace, selection.kit)
    for name in table or ():
        if name not in TABLES:
            raise TableError(f"--table: found {name!r}; allowed: {', '.join(TABLES)}")
    if parquet:
        refuse_without_parquet()
    names = [name for name in TABLES if name in (table or TABLES)]
    for path, rows in write_tables(workspace, selection, folder, names, parquet=parquet, tell=warn):
        say(f"{path}: {rows} rows")
