"""What a bench has and what all benches stored, as one answer; and said where the store could not be asked."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from rig.store.delivery import waiting
from rig.store.shared_store import StoreError, ask_store

if TYPE_CHECKING:
    from rig.bench.store_settings import StoreSettings

#: Rows of runs, newest first, and how many there are.
Answer = tuple[list[dict[str, Any]], int]


def joined(
    workspace: Path,
    store: "StoreSettings",
    here: Answer,
    question: Callable[[sa.Connection], Answer],
    tell: Callable[[str], object],
) -> Answer:
    """The answer of this bench and the store's to the same question, each run once, newest first.

    Parameters
    ----------
    here
        What this workspace's own index answers.
    question
        Is asked of the store.
    tell
        Is told what the store does not know yet, and that it could not be asked.
    """
    behind = waiting(workspace / "results")
    try:
        rows, of = ask_store(store, question)
    except StoreError as error:
        words = f"; {behind.words}" if behind.words else ""
        tell(f"what other benches measured is not known here: {error}{words}")
        return here
    if behind.words:
        tell(behind.words)
    known = {_name(row): row for row in (*here[0], *rows)}
    found = sorted(known.values(), key=lambda row: (row["ordered"], row["run"]), reverse=True)
    stored = {_name(row) for row in rows}
    unsent = {tuple(entry.path.split("/")[:3]) for entry in behind.entries if entry.is_run}
    return found, max(len(found), of + sum(_name(row) in unsent - stored for row in here[0]))


def _name(row: dict[str, Any]) -> tuple[str, str, str]:
    return row["kit"], row["serial"], row["run"]
