"""`kitproof deliver`: what this bench closed goes to the store that benches share."""

import os
from typing import Annotated

import typer

from rig.bench.store_settings import StoreOfBench, store_of
from rig.commands.common import HERE, BenchFile, Workspace
from rig.files.errors import TableError
from rig.screen.console import say
from rig.values.names import counted

#: Below what measures: another run may be under way meanwhile; common practice, no source.
NICENESS = 10


def deliver_command(
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Look for records that were put here, or put back, by hand, too.")
    ] = False,
    behind: Annotated[
        bool, typer.Option("--behind", help="Beside a run: with what it leaves of the processor.")
    ] = False,
) -> None:
    """Deliver what this bench measured to the store that benches share, and say how far behind it is."""
    from rig.store.delivery import deliver, waiting
    from rig.store.shared_store import StoreError, place_of

    known = known_store(workspace, bench)
    if behind and hasattr(os, "nice"):
        os.nice(NICENESS)
    results = workspace / "results"
    try:
        count = deliver(results, known, everything)
    except StoreError as error:
        words = waiting(results).words
        raise StoreError(f"{words}: {error}" if words else str(error)) from None
    left = waiting(results).words
    say(f"{counted(count, 'file')} of runs and notes delivered to {place_of(known.store)}; {left or 'nothing waits'}")


def known_store(workspace: Workspace, bench: BenchFile) -> StoreOfBench:
    """The store of a workspace's bench.

    Raises
    ------
    TableError
        If it has none.
    """
    found = store_of(workspace, bench)
    if found is None:
        path = bench or workspace / "bench.toml"
        raise TableError(
            f"{path}: store: missing; allowed: a table [store] with the url of a database that benches share"
        )
    return found
