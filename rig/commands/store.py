"""`kitproof store`: the store that benches share, and making it."""

from typing import TYPE_CHECKING, Annotated

import typer

from rig.commands.common import HERE, BenchFile, Workspace
from rig.commands.deliver import known_store
from rig.files.errors import VOID, TableError
from rig.screen.console import say

if TYPE_CHECKING:
    from rig.bench.store_settings import StoreSettings


def store_command(
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    make: Annotated[
        bool, typer.Option("--make", help="Make its tables, or bring them up to this version, and let benches add.")
    ] = False,
    owner: Annotated[str, typer.Option("--owner", help="With --make: the user of the database who owns them.")] = "",
    user: Annotated[
        list[str] | None, typer.Option("--user", help="With --make: a bench's user, beside the one in bench.toml.")
    ] = None,
) -> None:
    """Tell what the store that benches share holds and whether it is whole; with --make, make its tables."""
    from rig.store.delivery import waiting
    from rig.store.shared_store import ask_store, place_of, state_words

    store = known_store(workspace, bench).store
    if make:
        _make(store, owner, user or [])
    elif owner or user:
        raise TableError("--owner and --user: found without --make")
    lines, broken = ask_store(store, state_words)
    say(f"{place_of(store)}\n" + "\n".join(lines))
    if words := waiting(workspace / "results").words:
        say(f"of this workspace {words}; kitproof deliver")
    if broken:
        raise typer.Exit(VOID)


def _make(store: "StoreSettings", owner: str, users: list[str]) -> None:
    from rig.store.shared_store import connected, user_of
    from rig.store.store_making import bring_up, grant

    if not owner or owner == user_of(store):
        raise TableError(
            f"--owner: found {owner!r}; allowed: a user of the database who may make tables, another than the "
            "benches', such as postgres; a password of this user stands in PGPASSWORD or ~/.pgpass"
        )
    with connected(store, owner) as connection, connection.begin():
        bring_up(connection)
        grant(connection, [user_of(store), *users])
