"""Which runs are asked for: one set of filters for every command, table and study."""

import re
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa

from rig.files.errors import TableError
from rig.store.homes import UNFINISHED, run_number
from rig.store.index_rows import stem_and_number
from rig.store.index_tables import checks, findings, reworks, runs, unfinished, unreadable

#: Between the first and the last serial of a range.
TO = ".."


@dataclass(frozen=True)
class Selection:
    """Which runs; what is empty asks for all."""

    kit: str = ""
    #: Serials, and ranges of them such as "BT-0100..BT-0199".
    serial: tuple[str, ...] = ()
    #: The first and the last day that a run began on, by the clock at its bench, ISO 8601.
    since: str = ""
    until: str = ""
    outcome: str = ""
    #: A check that did not pass.
    check: str = ""
    #: A kind of finding, or words of one or of its part's name.
    finding: str = ""
    plan: str = ""
    bench: str = ""
    #: Persons and jigs.
    by: tuple[str, ...] = ()
    batch: str = ""

    def __post_init__(self) -> None:
        """Refuse what no run can be.

        Raises
        ------
        TableError
            Which filter, what was found, what is allowed.
        """
        for name in ("since", "until"):
            _refuse_no_day(name, getattr(self, name))
        if self.outcome not in ("", "pass", "fail", "void"):
            raise TableError(f"--outcome: found {self.outcome!r}; allowed: pass, fail, void")
        for serial in self.serial:
            _serial_is(serial)


def _refuse_no_day(name: str, day: str) -> None:
    try:
        is_day = not day or date.fromisoformat(day).isoformat() == day
    except ValueError:
        is_day = False
    if not is_day:
        raise TableError(f"--{name}: found {day!r}; allowed: a day, such as 2026-03-01")


def where(selection: Selection) -> sa.ColumnElement[bool]:
    """A selection as a condition on the table `runs`."""
    equal = {name: getattr(selection, name) for name in ("kit", "outcome", "plan", "bench", "batch")}
    conditions = [runs.c[name] == value for name, value in equal.items() if value]
    if selection.serial:
        conditions.append(sa.or_(*map(_serial_is, selection.serial)))
    if selection.by:
        conditions.append(runs.c.by.in_(selection.by))
    if selection.since:
        conditions.append(runs.c.day >= selection.since)
    if selection.until:
        conditions.append(runs.c.day <= selection.until)
    if selection.check:
        bad = checks.c.outcome.in_(("fail", "void"))
        conditions.append(runs.c.id.in_(sa.select(checks.c.run_id).where(checks.c.check == selection.check, bad)))
    if selection.finding:
        words = (findings.c[name].icontains(selection.finding, autoescape=True) for name in ("kind", "part", "words"))
        conditions.append(runs.c.id.in_(sa.select(findings.c.run_id).where(sa.or_(*words))))
    return sa.and_(sa.true(), *conditions)


def _serial_is(asked: str) -> sa.ColumnElement[bool]:
    first, is_range, last = asked.partition(TO)
    # No serial has a folder in it, so that is no range either: it finds nothing, as another that is none.
    if not is_range or re.search(r"[/\\]", asked):
        return runs.c.serial == asked
    (stem, low), (other, high) = stem_and_number(first), stem_and_number(last)
    if low is None or high is None or stem != other or low > high:
        allowed = "two serials that differ in their last number alone, the lower first, such as BT-0100..BT-0199"
        raise TableError(f"--serial: found {asked!r}; allowed: {allowed}")
    return sa.and_(runs.c.serial_stem == stem, runs.c.serial_number.between(low, high))


def unknown_names(connection: sa.Connection, selection: Selection) -> dict[str, str]:
    """Filter -> the first name of it that no run in the index has: a plan, check, bench, person or lot."""
    asked = {name: [getattr(selection, name)] for name in ("plan", "bench", "batch")} | {"by": list(selection.by)}
    columns: dict[str, sa.Column[Any]] = {name: runs.c[name] for name in asked} | {"check": checks.c.check}
    unknown: dict[str, str] = {}
    for name, column in columns.items():
        for value in asked.get(name, [selection.check]):
            if value and connection.scalar(sa.select(sa.literal(1)).where(column == value).limit(1)) is None:
                unknown.setdefault(name, value)
    return unknown


def known_names(connection: sa.Connection, name: str) -> list[str]:
    """The names of a filter that runs in the index have."""
    column: sa.Column[Any] = checks.c.check if name == "check" else runs.c[name]
    return [value for value in connection.scalars(sa.select(column).distinct().order_by(column)) if value]


def newest(selection: Selection, rows: int) -> sa.Select[Any]:
    """The newest runs of a selection, newest first; 0: all."""
    asked = sa.select(runs).where(where(selection)).order_by(runs.c.ordered.desc(), runs.c.run.desc())
    return asked.limit(rows) if rows else asked


def unit_runs(connection: sa.Connection, kit: str, serial: str) -> list[dict[str, Any]]:
    """Every run of a unit, newest first."""
    return listed(connection, newest(Selection(kit=kit, serial=(serial,)), 0))


def newest_outcomes(connection: sa.Connection, kit: str, plan: str) -> dict[str, tuple[str, str]]:
    """Serial -> outcome of its newest run by a plan, and the kit's revision then."""
    asked = sa.select(runs.c.serial, runs.c.outcome, runs.c.revision).where(runs.c.kit == kit, runs.c.plan == plan)
    found = connection.execute(asked.order_by(runs.c.ordered, runs.c.run))
    return {serial: (outcome, revision) for serial, outcome, revision in found}


def unit_reworks(connection: sa.Connection, kit: str, serial: str) -> list[dict[str, Any]]:
    """Every note of what was done to a unit, newest first; `after` is the run that it follows."""
    of = sa.select(reworks).where(reworks.c.kit == kit, reworks.c.serial == serial)
    return listed(connection, of.order_by(reworks.c.at.desc(), reworks.c.note.desc()))


def count(connection: sa.Connection, selection: Selection) -> int:
    """How many runs a selection has."""
    return connection.scalar(sa.select(sa.func.count(runs.c.id)).where(where(selection))) or 0


def unread(connection: sa.Connection, kit: str = "") -> list[str]:
    """What could not be read, of one kit where given, in words."""
    return [words for _, _, words in sorted(unread_runs(connection, Selection(kit)))]


def unread_runs(connection: sa.Connection, selection: Selection) -> list[tuple[str, str, str]]:
    """Serial and name of each run that cannot be read, and why; of a selection by kit and serials alone."""
    odd = sa.select(unreadable.c.kit, unreadable.c.serial, unreadable.c.run, unreadable.c.words)
    lost = sa.select(unfinished.c.kit, unfinished.c.serial, unfinished.c.name)
    found = [(*row,) for row in connection.execute(odd)]
    found += [
        (*row, f"{row.serial}/{row.name}: its run.json is missing")
        for row in connection.execute(lost)
        if run_number(row.name) and not row.name.startswith(UNFINISHED)
    ]
    return [
        (serial, run, words)
        for kit, serial, run, words in found
        if selection.kit in ("", kit) and has_serial(selection, serial)
    ]


def has_serial(selection: Selection, serial: str) -> bool:
    """Whether a unit is among those that a selection asks for by their serials."""
    stem, number = stem_and_number(serial)
    ranges = [tuple(map(stem_and_number, asked.split(TO, 1))) for asked in selection.serial if TO in asked]
    is_between = any(stem == first[0] and first[1:] <= (number,) <= last[1:] for first, last in ranges)
    return not selection.serial or serial in selection.serial or is_between


def listed(connection: sa.Connection, asked: sa.Select[Any]) -> list[dict[str, Any]]:
    """The rows of an answer, as tables."""
    return [dict(row) for row in connection.execute(asked).mappings()]
