"""`kitproof index`: the index over the records, which may be thrown away at any moment."""

from pathlib import Path
from typing import Annotated

import sqlalchemy as sa
import typer

from rig.commands.common import HERE, Workspace
from rig.files.errors import VOID
from rig.screen.console import say, warn
from rig.store.index import NAME, ask, rebuild
from rig.store.index_tables import runs, units
from rig.store.selection import unread


def index_command(
    workspace: Workspace = HERE,
    again: Annotated[bool, typer.Option("--rebuild", help="Throw it away and read every record again.")] = False,
    prove: Annotated[
        bool, typer.Option("--prove", help="Hold every file of every record against its SHA-256: of a backup too.")
    ] = False,
) -> None:
    """Bring the index up to the folders, looking at every one, and tell what it holds; nothing rests on it."""

    if again:
        rebuild(workspace, warn)

    def counted(connection: sa.Connection) -> list[int]:
        of_runs, of_units = (connection.scalar(sa.select(sa.func.count(table.c.kit))) or 0 for table in (runs, units))
        return [of_runs, of_units, len(unread(connection))]

    of_runs, of_units, odd = ask(workspace, counted, warn, everything=not again)
    words = f"{workspace / 'results' / NAME}: {of_runs} runs of {of_units} units"
    say(f"{words}; {odd} records cannot be read, kitproof results names them" if odd else words)
    if prove and _damages(workspace / "results"):
        raise typer.Exit(VOID)


def _damages(results: Path) -> int:
    """Say all that is not what it was, in every record and of what the chains name; how much that is."""
    from rig.store.bench_chain import chain_problems, names_in
    from rig.store.records import damages, readable, wrong_with

    problems, proved, named = chain_problems(results), set(), names_in(results)
    for home in sorted(path for path in results.glob("[!.]*/[!.]*") if path.is_dir()):
        found, odd = readable(home)
        problems += [*odd, *(f"{record.folder}: {words}" for record in found for words in damages(record))]
        proved |= {f"{home.parent.name}/{home.name}/{record.run}/run.json" for record in found}
        # What follows a file in its chain tells of it where its order file was lost.
        links = [record.link for record in found if record.link and record.link.before]
        wrong = {
            link.before: wrong_with(results / link.before, link.sha256) for link in links if link.before not in named
        }
        problems += [f"{results / path} {words}" for path, words in wrong.items() if words]
        named |= {link.before for link in links}
    problems = list(dict.fromkeys(problems))
    for words in problems:
        warn(words)
    say(f"{len(proved)} records held against their SHA-256: {len(problems) or 'nothing'} wrong")
    if unknown := len(proved - named):
        say(f"of {unknown} of them nothing tells whether their run.json itself was changed: no chain names it")
    return len(problems)
