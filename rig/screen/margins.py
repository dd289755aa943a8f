"""The margins of a run in a terminal: a table where there is room for one, else a list."""

import math
from collections.abc import Iterable, Iterator, Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from rig.circuit.notation import hertz
from rig.report import words
from rig.screen.shapes import verdict_text
from rig.store.run_json import ResultEntry
from rig.values.names import NOT_DONE
from rig.values.verdicts import BareVerdict, CheckResult, Verdict

#: In fewer columns the cells of a table break until nobody can read them; layout.
TABLE_COLUMNS = 120
UNCERTAINTY = "The figure after ± is the expanded uncertainty (k = 2), about 95 %."
#: Title of a check, its outcome, why it is void as a whole, and the verdicts to be shown.
Shown = tuple[str, str, str, Sequence[BareVerdict]]


def verdict_margins(results: Iterable[CheckResult], columns: int) -> Group:
    """Of each quantity the reading nearest to its limit, and every reading that did not pass."""
    return _margins([(r.title, r.outcome, r.reason, verdicts_to_show(r.verdicts)) for r in results], columns)


def recorded_margins(results: Iterable[ResultEntry], columns: int) -> Group:
    """Every reading of a record."""
    return _margins([(r.title, r.outcome, r.reason, r.verdicts) for r in results], columns)


def verdicts_to_show(verdicts: Sequence[Verdict]) -> list[Verdict]:
    """Of each quantity the passing verdict with the smallest margin, and every one that did not pass."""
    closest: dict[str, Verdict] = {}
    for verdict in verdicts:
        known = closest.get(verdict.quantity)
        if verdict.outcome == "pass" and (known is None or verdict.margin < known.margin):
            closest[verdict.quantity] = verdict
    return [v for v in verdicts if v.outcome != "pass" or v is closest[v.quantity]]


def _margins(shown: Sequence[Shown], columns: int) -> Group:
    done = [one for one in shown if one[3] or not one[2].startswith(NOT_DONE)]
    parts: list[RenderableType] = [_table(done)] if columns >= TABLE_COLUMNS else list(_lists(done))
    shown_values = [words.value_words(verdict) for *_, verdicts in done for verdict in verdicts]
    if any("±" in text for text in shown_values):
        parts.append(Text(UNCERTAINTY, style="italic"))
    if left := [title for title, *_ in shown if title not in {one[0] for one in done}]:
        # Why the run ended stands at its end; what it did not come to needs one line.
        parts.append(Text("Not done: ") + Text("; ".join(left)))
    return Group(*parts)


def _table(shown: Sequence[Shown]) -> Table:
    table = Table(title="Margins", title_justify="left")
    for name in ("check", "reading", "value", "limit", "margin", "verdict"):
        table.add_column(name, justify="right" if name in ("value", "margin") else "left")
    for title, outcome, reason, verdicts in shown:
        if not verdicts:
            table.add_row(Text(title), Text(reason), "", "", "", verdict_text(outcome))
        for n, verdict in enumerate(verdicts):
            reading = Text(_name(verdict))
            if verdict.reason and not verdict.said:
                reading += Text(f"\n{words.reason_words(verdict)}", style="italic")
            cells = (_value(verdict), words.limit_words(verdict), words.margin_words(verdict))
            table.add_row(Text("" if n else title), reading, *map(Text, cells), verdict_text(verdict.outcome))
        table.add_section()
    return table


def _lists(shown: Sequence[Shown]) -> Iterator[RenderableType]:
    yield Text("Margins", style="italic")
    for title, outcome, reason, verdicts in shown:
        yield Text(title, style="bold")
        lines = Table.grid(padding=(0, 1))
        lines.add_column(no_wrap=True)
        lines.add_column()
        if not verdicts:
            lines.add_row(Text("  ") + verdict_text(outcome), Text(reason))
        for one, text in _verdict_lines(verdicts):
            lines.add_row(Text("  ") + verdict_text(one), Text(text))
        yield lines


def _verdict_lines(verdicts: Sequence[BareVerdict]) -> Iterator[tuple[str, str]]:
    """Outcome and words of each verdict; those that are void for one reason share a line."""
    void: dict[str, list[str]] = {}
    for verdict in verdicts:
        if verdict.outcome == "void":
            void.setdefault(verdict.reason, []).append(_name(verdict))
    for verdict in verdicts:
        if verdict.outcome != "void":
            margin = words.margin_words(verdict)
            beside = "" if margin == words.NONE else f", {margin}"
            value, limit = _value(verdict), words.limit_words(verdict)
            yield verdict.outcome, f"{_name(verdict)}: {value}{beside}" + (f" ({limit})" if limit != value else "")
        elif verdict.reason in void:
            yield verdict.outcome, f"{', '.join(void.pop(verdict.reason))}: {verdict.reason}"


def _name(verdict: BareVerdict) -> str:
    return f"{verdict.quantity} {verdict.subject}".strip()


def _value(verdict: BareVerdict) -> str:
    at = f" at {hertz(verdict.at_hz)}" if math.isfinite(verdict.at_hz) else ""
    return words.value_words(verdict) + at
