"""Listings of what stands on the disk, for commands that compute nothing: they need no check and no words of one."""

from collections.abc import Iterable, Mapping
from typing import Any

from rich.table import Table
from rich.text import Text

from rig.screen.shapes import verdict_text
from rig.store.homes import minute_words


def run_table(runs: Iterable[Mapping[str, Any]], with_bench: bool = False) -> Table:
    """Runs, a line each, from the rows of the index; of several benches with the bench, without number and plan."""
    table = Table()
    of_unit = ("begun, UTC", "bench") if with_bench else ("no.", "begun, UTC", "plan")
    for name in ("kit", "serial", *of_unit, "verdict", "what failed or is void"):
        # What names a record is broken rather than cut.
        table.add_column(name, overflow="fold", no_wrap=name in ("begun, UTC", "verdict"))
    for run in runs:
        begun = Text(minute_words(run["run"]))
        between = (begun, Text(run["bench"])) if with_bench else (str(run["run_number"]), begun, Text(run["plan"]))
        wrong = Text(run["wrong"])
        table.add_row(Text(run["kit"]), Text(run["serial"]), *between, verdict_text(run["outcome"]), wrong)
    return table


def two_columns(left: str, right: str, rows: Iterable[tuple[str, str]]) -> Table:
    """A plain list of names and what they are."""
    table = Table()
    table.add_column(left, no_wrap=True)
    table.add_column(right)
    for name, words in rows:
        table.add_row(Text(name), Text(words))
    return table
