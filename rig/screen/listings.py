"""Listings of what stands on the disk, for commands that compute nothing: they need no check and no words of one."""

from collections.abc import Iterable

from rich.table import Table
from rich.text import Text

from rig.screen.shapes import verdict_text
from rig.store.run_json import Record
from rig.values.names import NOT_DONE


def record_table(records: Iterable[Record]) -> Table:
    """Records, a line each."""
    table = Table()
    for name in ("kit", "serial", "no.", "begun, UTC", "plan", "verdict", "what failed or is void"):
        # What names a record is broken rather than cut.
        table.add_column(name, overflow="fold", no_wrap=name == "verdict")
    for record in records:
        bad = [entry for entry in record.results if entry.outcome != "pass"]
        names = [entry.check for entry in bad if not entry.reason.startswith(NOT_DONE)]
        if not names and record.stopped:
            names = [record.stopped]
        table.add_row(
            Text(record.kit.name),
            Text(record.serial),
            str(record.run_number),
            # A run is named after its begin, 2026-03-04T101500Z and so on.
            Text(f"{record.run[:13].replace('T', ' ')}:{record.run[13:15]}"),
            Text(record.plan),
            verdict_text(record.outcome),
            Text(", ".join(names)),
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
