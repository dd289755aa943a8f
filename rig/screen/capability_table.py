"""A study of the rig in a terminal: the limits that it sees worst, and what to do about it."""

from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from rig.screen.console import open_console
from rig.study.capability import GOOD_PERCENT, Capability, LimitStudy
from rig.study.capability_words import (
    MEANING,
    categories,
    found,
    interval,
    name,
    percent,
    remarks,
    rows_to_show,
    too_tight,
)

SHAPES = {"good": "●", "usable": "◐", "too tight": "■", "unknown": "▲"}
STYLES = {"good": "bold blue", "usable": "bold", "too tight": "bold dark_orange", "unknown": "bold"}


def show(capability: Capability, unreadable: Sequence[str], page: Path | None) -> None:
    """Print what was found, the ranked table, and a sentence for each limit that is too tight."""
    console = open_console()
    console.print(found(capability), highlight=False)
    for words in (*unreadable, *remarks(capability)):
        console.print(f"- {words}", highlight=False)
    if not capability.is_study:
        return
    console.print(table(capability))
    for words in capability.disagreements:
        console.print(f"{SHAPES['unknown']} the runs disagree: {words}", highlight=False)
    tight = too_tight(capability.limits)
    for words in tight:
        console.print(f"{SHAPES['too tight']} {words}", highlight=False)
    if not tight:
        console.print(f"{SHAPES['good']} no limit is tighter than this rig can see")
    for grade, words in MEANING.items():
        console.print(f"  {SHAPES[grade]} {words}", highlight=False)
    console.print(f"figures and every band: {page}", soft_wrap=True)


def table(capability: Capability) -> Table:
    """Limits from the worst on; those that are seen clearly are counted only."""
    rows = rows_to_show(capability.limits)
    shown = [row for row in rows if row.grade != "good"] or rows[:5]
    drawn = Table(title="%GRR: spread of the rig in percent of each limit's width", title_justify="left")
    drawn.add_column("check")
    for column, justify in (("limit", "left"), ("%GRR", "right"), ("95 % interval", "right"), ("categories", "right")):
        drawn.add_column(column, justify=justify)  # type: ignore[arg-type]
    drawn.add_column("")
    for row in shown:
        drawn.add_row(*_cells(row))
    hidden = len(rows) - len(shown)
    if hidden:
        drawn.caption = f"{hidden} more limits lie under {GOOD_PERCENT:g} %"
    return drawn


def _cells(row: LimitStudy) -> list[Text]:
    grade = Text(f"{SHAPES[row.grade]} {row.grade}", style=STYLES[row.grade])
    if row.study is None:
        return [Text(row.check), Text(f"{name(row)}\n{row.reason}"), Text("–"), Text(""), Text("–"), grade]
    cells = (row.check, name(row), percent(row.percent.value), interval(row.percent), categories(row.study))
    return [*(Text(words) for words in cells), grade]
