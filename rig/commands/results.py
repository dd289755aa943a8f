"""`kitproof results`."""

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import sqlalchemy as sa
import typer

from rig.bench.store_settings import StoreOfBench, store_of
from rig.commands.common import HERE, AsCsv, AsJson, Workspace
from rig.commands.filters import refuse_unknown_kit, with_filters
from rig.files.cells import write_csv
from rig.files.errors import TableError
from rig.screen.console import open_console, warn
from rig.screen.listings import run_table
from rig.store.homes import UNFINISHED
from rig.store.index import ask
from rig.store.index_tables import unfinished
from rig.store.selection import Selection, count, listed, newest, unread

#: What a listing for programs has of each run.
COLUMNS = (
    *("kit", "serial", "run", "run_number", "started_at", "finished_at", "plan", "by", "batch", "bench", "outcome"),
    *("wrong", "stopped", "revision", "runs_untouched", "sound_s", "cycle_s", "operator_s"),
)
#: So many of the newest runs are shown on a screen; layout.
ROWS = 50


@with_filters
def results_command(
    *,
    workspace: Workspace = HERE,
    rows: Annotated[int | None, typer.Option(min=0, max=10**9, help="Only so many of the newest runs; 0: all.")] = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    here: Annotated[
        bool, typer.Option("--here", help="Of this workspace alone, whatever other benches stored.")
    ] = False,
    selection: Selection,
) -> None:
    """List the records of this workspace, and those of the store that it shares with other benches."""
    refuse_unknown_kit(workspace, selection.kit)
    if as_json and as_csv:
        raise TableError("found --json and --csv; allowed: one of them")
    wanted = (0 if as_json or as_csv else ROWS) if rows is None else rows
    shared = None if here else store_of(workspace)
    found, of, odd, unfinished = _asked(workspace, shared, selection, wanted)
    for words in odd:
        warn(words)
    chosen = [{column: row[column] for column in COLUMNS} for row in found]
    if as_json:
        print(json.dumps(chosen))
    elif as_csv:
        write_csv(sys.stdout, COLUMNS, (row.values() for row in chosen))
    else:
        console = open_console()
        console.print(run_table(found, with_bench=shared is not None))
        if len(found) < of:
            console.print(f"the newest {len(found)} of {of} runs; --rows 0 lists all")
        for folder in unfinished:
            console.print(_state(workspace / "results" / folder))


def _asked(
    workspace: Path, shared: StoreOfBench | None, selection: Selection, rows: int
) -> tuple[list[dict[str, Any]], int, list[str], list[Path]]:
    """The runs, oldest first, how many there are, what could not be read here, and what has not ended here."""

    def question(connection: sa.Connection) -> tuple[list[dict[str, Any]], int]:
        return listed(connection, newest(selection, rows)), count(connection, selection)

    (found, of), odd, unfinished = ask(
        workspace, lambda connection: (question(connection), *_odd(connection, selection.kit)), warn
    )
    if shared:
        from rig.store.both import joined

        found, of = joined(workspace, shared.store, (found, of), question, warn)
    return found[: rows or None][::-1], of, odd, unfinished


def _odd(connection: sa.Connection, kit: str) -> tuple[list[str], list[Path]]:
    """What could not be read, and what has not ended."""
    begun = sa.select(unfinished).where(unfinished.c.name.startswith(UNFINISHED)).order_by(*unfinished.c)
    folders = [Path(*row) for row in connection.execute(begun)]
    return unread(connection, kit), folders


def _state(folder: Path) -> str:
    """What became of a run whose record is not whole."""
    from rig.run import journal

    if journal.is_running(folder):
        return f"under way: {folder}"
    if journal.is_interrupted(folder):
        return f"interrupted; kitproof resume goes on or closes it: {folder}"
    return f"ended before anything was recorded, counts for nothing: {folder}"
