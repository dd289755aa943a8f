"""Two batches against each other in a terminal: what differs, what cannot be told, what is the same."""

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from rig.screen.console import open_console
from rig.statistics.equivalence import RISK
from rig.study.batch_against import Against, Compared, sentence
from rig.study.batch_words import figures, reading_name
from rig.verdict.judge import delta_unit

SHAPES = {"different": "■", "cannot tell": "▲", "same": "●"}
#: Rows, and rows of what is the same; layout.
MOST_ROWS, SAME_ROWS = 14, 3
#: More units than this are no advice; our choice.
MOST_UNITS = 1000


def show(found: Against, problems: Sequence[str], report: Path) -> None:
    """Print what the comparison comes to, and its rows."""
    console = open_console()
    for words in problems:
        console.print(f"- {words}", highlight=False)
    console.print(sentence(found), highlight=False)
    drawn = Table()
    drawn.add_column("reading")
    for name in ("second less first (90 %)", "same within"):
        drawn.add_column(name, justify="right")
    drawn.add_column("")
    not_same = sum(one.verdict != "same" for one in found.rows)
    shown = found.rows[: min(not_same + SAME_ROWS, MOST_ROWS)]
    for one in shown:
        drawn.add_row(*map(Text, cells(one)))
    if len(found.rows) > len(shown):
        drawn.caption = f"and {len(found.rows) - len(shown)} more, in the report"
    console.print(drawn)
    console.print(f"figures and tables: {report}", soft_wrap=True, highlight=False)


def cells(one: Compared) -> list[str]:
    """A row: name, difference with interval, margin, verdict."""
    unit = delta_unit(one.unit)
    low, high = one.comparison.interval(1 - 2 * RISK)
    difference = f"{one.comparison.difference:+.2g} {unit}".rstrip() + f" ({low:+.2g} to {high:+.2g})"
    needed = f": {one.units_needed} units a side may" if 0 < one.units_needed < MOST_UNITS else ""
    margin = f"± {figures(one.margin, unit)}" if one.margin > 0 else "no limit"
    return [reading_name(one.key, one.at_hz), difference, margin, f"{SHAPES[one.verdict]} {one.verdict}{needed}"]
