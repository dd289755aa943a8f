"""Listings of what stands on the disk, for commands that compute nothing: they need no check and no words of one."""

from collections.abc import Iterable, Mapping
from typing import Any

from rich.table import Table
from rich.text import Text

from rig.screen.shapes import verdict_text


def run_table(runs: Iterable[Mapping[str, Any]]) -> Table:
    """Runs, a line each, from the rows of the index."""
    table = Table()
    for name in ("kit", "serial", "no.", "begun, UTC", "plan", "verdict", "what failed or is void"):
        # What names a record is broken rather than cut.
        table.add_column(name, overflow="fold", no_wrap=name in ("begun, UTC", "verdict"))
    for run in runs:
        table.add_row(
            Text(run["kit"]),
            Text(run["serial"]),
            str(run["run_number"]),
            # A run is named after its begin, 2026-03-04T101500Z and so on.
            Text(f"{run['run'][:13].replace('T', ' ')}:{run['run'][13:15]}"),
            Text(run["plan"]),
            verdict_text(run["outcome"]),
            Text(run["wrong"]),
        )
    return table


def two_columns(left: str, right: str, rows: Iterable[tuple[str, str]]) -> Table:
    """A plain list of names and what they are."""
    table = Table()
    table.add_column(left, no_wrap=True)
    table.add_column(right)
    for name, words in rows:
        table.add_row(Text(name), Text(words))
    return table
