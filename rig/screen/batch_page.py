"""A batch on one page of a terminal."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from rig.screen.console import open_console
from rig.study.batch import Counted
from rig.study.batch_readings import Spread
from rig.study.batch_study import BatchStudy
from rig.study.batch_words import (
    ENOUGH,
    change_sentence,
    index_words,
    odd_sentences,
    overview,
    percent,
    reading_name,
    remarks,
    worst_first,
)
from rig.values.names import counted

#: Rows of what failed, of each kind, of readings, and of odd units; layout.
MOST_FAILED, MOST_READINGS, MOST_ODD = 3, 6, 4
#: Before what changed, what is odd, and what is in order.
CHANGED, ODD, STEADY = "■", "▲", "●"


def show(study: BatchStudy, problems: Sequence[str], report: Path) -> None:
    """Print the page."""
    console = open_console()
    head = Table.grid(padding=(0, 2))
    head.add_column(no_wrap=True)
    head.add_column()
    for name, words in overview(study):
        head.add_row(Text(name), Text(words))
    console.print(head)
    for words in (*problems, *remarks(study)):
        console.print(f"- {words}", highlight=False)
    _show_failures(study)
    if study.is_charted:
        console.print(readings_table(study))
        console.print()
        for sentence in (change_sentence(study, cause) for cause in study.causes):
            console.print(f"{CHANGED} {sentence}", highlight=False)
        if not study.causes:
            console.print(f"{STEADY} nothing changed on the way, in {len(study.drift.series)} charts", highlight=False)
        odd = odd_sentences(study)
        for sentence in odd[:MOST_ODD]:
            console.print(f"{ODD} odd: {sentence}", highlight=False)
        if len(odd) > MOST_ODD:
            console.print(f"  and {counted(len(odd) - MOST_ODD, 'more odd unit')}, in the report", highlight=False)
    console.print(f"figures and tables: {report}", soft_wrap=True, highlight=False)


def _show_failures(study: BatchStudy) -> None:
    failures = study.failures
    kinds: Iterable[tuple[str, list[Counted], str]] = (
        ("failed, by check", failures.checks, "{0}"),
        ("by reading", failures.readings, "{0}: {1} {2}"),
        ("by finding", failures.findings, "{0} {1}"),
        ("void, by reason", failures.void, "{0} [{1}]"),
    )
    drawn = Table(show_header=False, box=None, padding=(0, 2, 0, 0))
    drawn.add_column(no_wrap=True)
    drawn.add_column(justify="right")
    drawn.add_column()
    for name, found, words in kinds:
        for place, one in enumerate(found[:MOST_FAILED]):
            said = words.format(*one.words).removesuffix(" []").strip()
            drawn.add_row(Text("" if place else name), Text(counted(one.units, "unit")), Text(said))
        if len(found) > MOST_FAILED:
            drawn.add_row("", "", f"and {len(found) - MOST_FAILED} more")
    if drawn.row_count:
        open_console().print(drawn, highlight=False)


def readings_table(study: BatchStudy) -> Table:
    """Readings with the least room in their limits."""
    ranked = [one for one in worst_first(study.spreads) if one.index]
    tight = [one for one in ranked if one.index and one.index.ppk.value < ENOUGH]
    shown = ranked[: max(MOST_READINGS // 2, min(len(tight), MOST_READINGS))]
    drawn = Table(title=f"Room in the limits: Ppk, {ENOUGH:g} and more is enough", title_justify="left")
    drawn.add_column("reading")
    for name in ("Ppk (95 %)", "out", "rig's part"):
        drawn.add_column(name, justify="right")
    drawn.add_column("normal")
    for one in shown:
        drawn.add_row(*_cells(one))
    more = len(tight) - len(shown)
    words = f"{more} more below {ENOUGH:g}; " if more > 0 else ""
    drawn.caption = f"{words}{len(ranked)} readings and curves with an index in all"
    return drawn


def _cells(one: Spread) -> list[Text]:
    assert one.index is not None
    share = percent(one.rig_share) if one.rig_share == one.rig_share else "–"
    name = reading_name(one.key, one.at_hz)
    normal = "yes" if one.index.is_normal else "no, bootstrap"
    return [Text(words) for words in (name, index_words(one.index.ppk), str(one.outside), share, normal)]
