"""Many units then and now, on one screen."""

import math
from collections.abc import Iterable, Sequence
from statistics import median

from rich.console import Console
from rich.table import Table
from rich.text import Text

from rig.circuit.notation import hertz
from rig.screen.shapes import SHAPES, verdict_text
from rig.study.rejudged import Change, UnitRejudged, by_reading, changed_units, outcomes
from rig.values.names import counted

#: So many units are shown with what changes, and so many readings; layout.
UNITS, READINGS = 20, 8
#: Of what a unit changes in so much is shown; layout.
CHANGES = 2
#: So many problems are named; layout.
PROBLEMS = 5


def show(console: Console, title: str, units: Sequence[UnitRejudged]) -> None:
    """Print how many units pass, fail and are void, then and now; which change and why; and what that took."""
    changed = changed_units(units)
    console.print(title)
    console.print(_outcomes(units))
    if changed:
        console.print(_changed(changed[:UNITS]))
    if len(changed) > UNITS:
        console.print(f"{UNITS} of {len(changed)} units whose verdict changes; --csv lists all")
    if not changed:
        console.print("no unit's verdict changes")
    inside = sum(1 for unit in units if unit.changes and unit.then == unit.now)
    if inside:
        console.print(
            f"with readings that change though the unit's verdict stays: {counted(inside, 'unit')}; --csv lists them"
        )
    if found := list(by_reading(units).items()):
        console.print(_readings(found[:READINGS]))
    for words in _cost(units):
        console.print(words)


def problems(units: Iterable[UnitRejudged]) -> list[str]:
    """What could not be judged, and why, in a few lines."""
    found = [f"{unit.serial}: not judged: {unit.problem}" for unit in units if unit.problem]
    more = [f"and {len(found) - PROBLEMS} more, which --csv lists"] if len(found) > PROBLEMS else []
    return [*found[:PROBLEMS], *more]


def _outcomes(units: Sequence[UnitRejudged]) -> Table:
    table = Table()
    table.add_column("verdict")
    for name in ("then", "now"):
        table.add_column(name, justify="right")
    for outcome, (then, now) in outcomes(units).items():
        table.add_row(verdict_text(outcome), str(then), str(now))
    if unjudged := sum(1 for unit in units if unit.problem):
        table.add_row("not judged", "", str(unjudged))
    return table


def _changed(units: Iterable[UnitRejudged]) -> Table:
    table = Table(title="Units whose verdict changes, and why", title_justify="left")
    for name in ("serial", "then", "now", "check: reading", "value", "limit then", "limit now"):
        table.add_column(name, overflow="fold", justify="right" if name == "value" else "left")
    for unit in units:
        # First what makes the verdict what it is now.
        changes = sorted(unit.changes, key=lambda change: change.now != unit.now)
        for n, change in enumerate(changes[:CHANGES] or [None]):
            first = (Text(unit.serial), verdict_text(unit.then), verdict_text(unit.now)) if not n else ("", "", "")
            table.add_row(*first, *(_cells(change) if change else ("by what it was void for", "", "", "")))
        if len(changes) > CHANGES:
            table.add_row("", "", "", f"and {len(changes) - CHANGES} more", "", "", "")
    return table


def _cells(change: Change) -> tuple[Text, ...]:
    reading = f"{change.check}: {change.quantity} {change.subject}".strip() if change.quantity else change.check
    if change.now == "void" or not change.quantity:
        reading += f"\n{change.reason}"
    # A figure more than limits have: what fails must not look like the limit.
    value = f"{change.value:.5g} {change.unit}".strip() if math.isfinite(change.value) else ""
    at = f" at {hertz(change.at_hz)}" if math.isfinite(change.at_hz) else ""
    return Text(reading), Text(value + at), Text(change.limit_then), Text(change.limit_now)


def _readings(found: Iterable[tuple[tuple[str, str, str, str], int]]) -> Table:
    table = Table(title="Readings whose verdict changes", title_justify="left")
    for name in ("check: reading", "then", "now", "units"):
        table.add_column(name, justify="right" if name == "units" else "left")
    for (check, quantity, then, now), count in found:
        reading = f"{check}: {quantity}" if quantity else check
        table.add_row(Text(reading), _shown(then), _shown(now), str(count))
    return table


def _shown(outcome: str) -> Text:
    return verdict_text(outcome) if outcome in SHAPES else Text("no limit")


def _cost(units: Sequence[UnitRejudged]) -> list[str]:
    """Which units were judged by what, and what each of them cost."""
    judged = [unit for unit in units if not unit.problem]
    words = []
    for again, by in (
        (False, "by what their records hold"),
        (True, "with checks read again from their captures"),
    ):
        took = [unit.seconds for unit in judged if bool(unit.read_again) is again]
        if took:
            words.append(
                f"{counted(len(took), 'unit')} judged {by}: {1000 * median(took):.0f} ms of computing each (median)"
            )
    if checks := {name for unit in judged for name in unit.read_again}:
        words.append(f"read again: {', '.join(sorted(checks))}")
    return words
