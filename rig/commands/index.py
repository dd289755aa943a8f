"""`kitproof index`: the index over the records, which may be thrown away at any moment."""

from typing import Annotated

import sqlalchemy as sa
import typer

from rig.commands.common import HERE, Workspace
from rig.screen.console import say
from rig.store.index import NAME, ask, rebuild
from rig.store.index_tables import runs, units, unreadable


def index_command(
    workspace: Workspace = HERE,
    again: Annotated[bool, typer.Option("--rebuild", help="Throw it away and read every record again.")] = False,
) -> None:
    """Bring the index up to the folders, looking at every one, and tell what it holds; nothing rests on it."""

    def tell(words: str) -> None:
        say(words, to_stderr=True)

    if again:
        rebuild(workspace, tell)

    def counted(connection: sa.Connection) -> list[int]:
        return [connection.scalar(sa.select(sa.func.count(table.c.kit))) or 0 for table in (runs, units, unreadable)]

    of_runs, of_units, odd = ask(workspace, counted, tell, everything=not again)
    words = f"{workspace / 'results' / NAME}: {of_runs} runs of {of_units} units"
    say(f"{words}; {odd} records cannot be read, kitproof results names them" if odd else words)
