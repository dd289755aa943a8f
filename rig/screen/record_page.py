"""A record in a terminal, and the findings of a run: what is shown without a check being loaded."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rig.report.findings_text import LEADING, titled
from rig.screen.margins import recorded_margins
from rig.screen.shapes import verdict_text
from rig.store.homes import minute_words, stamp
from rig.store.run_json import Record
from rig.values.findings import Finding

if TYPE_CHECKING:
    from rig.store.unit_history import History


def record_page(record: Record, damages: Sequence[str], columns: int) -> Group:
    """One record: what it says, and what does not fit any more; for a terminal of so many columns."""
    head = Text(f"{record.kit.title}, revision {record.kit.revision}, serial {record.serial}\n")
    head += verdict_text(record.outcome)
    plan = f", by the plan {record.plan}" if record.plan else ""
    head += Text(f"  run {record.run}, number {record.run_number} of this serial{plan}")
    head += Text("".join(f"\n{words}" for words in (record.stopped, record.bench_advice, *record.foretold) if words))
    state = Text("every file is what it was" if not damages else "ALTERED: " + "; ".join(damages))
    state += Text("".join(f"\n{words}" for words in (*record.set_aside, *record.clock)))
    return Group(
        head,
        recorded_margins(record.results, columns),
        findings_words(record.findings),
        state,
    )


def history_table(told: "History") -> Table:
    """What other benches measured of a unit and did to it, oldest first."""
    table = Table(title="at other benches", title_justify="left")
    for name in ("when, UTC", "bench, or by whom", "verdict", "what failed or is void, or was done"):
        table.add_column(name, overflow="fold", no_wrap=name in ("when, UTC", "verdict"))
    rows = [(run.run, (Text(run.bench), verdict_text(run.outcome), Text(run.wrong))) for run in told.runs]
    rows += [(stamp(note.at), (Text(note.by), Text("rework"), Text(note.words))) for note in told.reworks]
    for when, cells in sorted(rows, key=lambda row: row[0]):
        table.add_row(minute_words(when), *cells)
    return table


def findings_words(findings: Sequence[Finding]) -> Text:
    """What is probably wrong, where to look and what to measure; nothing at all where nothing was found."""
    text = Text()
    for title, entries in titled(findings):
        text += Text(f"{title}\n", style="italic")
        for head, lines in entries:
            text += Text(f"{head}\n", style="bold" if title == LEADING else "none")
            for name, words in lines:
                text += Text(f"  {name}: {words}\n")
    return text
