"""What brings the index up to its folders: which of them may have changed, what stands there, and what is new of it."""

import os
import random
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import partial
from itertools import accumulate
from operator import itemgetter
from os import cpu_count
from pathlib import Path

import sqlalchemy as sa

from rig.files.parallel import in_processes
from rig.store.homes import NAME, changed_ns, folders_in, hints_from
from rig.store.index_rows import Home, Row, read_home
from rig.store.index_tables import OF_A_RUN, TABLES, read_so_far, reworks, runs, unfinished, units, unreadable

#: Kit and serial of a unit.
Unit = tuple[str, str]

#: When the machine was started, in minutes since 1970: known to a minute or two, and anew when its clock is set.
BOOT = "index.boot"
#: So many folders of units are looked at each time, whatever the hints say, each in its turn: 5 ms (measured by
#: tests/benchmarks/index_speed.py). A store of fewer units is always known as it is.
LOOKED_AT = 500
#: So many units are read and written at once; our choice.
AT_ONCE = 100
#: More units than this are read by several processes, and are told of; our choice.
MANY = 400


def writing(engine: sa.Engine) -> AbstractContextManager[sa.Connection]:
    """A transaction that writes, and waits for others that do."""
    transaction: AbstractContextManager[sa.Connection] = engine.execution_options(writes=True).begin()
    return transaction


class Emptied(Exception):
    """Another process made the tables anew meanwhile: what was known of them is true no more."""


def catch_up(engine: sa.Engine, results: Path, tell: Callable[[str], object], everything: bool = False) -> int:
    """Take in what has changed in the folders since the last time; the tables that it was taken into.

    `everything`: look at all folders.

    Raises
    ------
    Emptied
        Then it is to begin anew.
    """
    boot = round((time.time() - time.monotonic()) / 60)
    with engine.connect() as connection:
        tables = tables_now(connection)
        marks: dict[str, int] = dict(connection.execute(sa.select(read_so_far)).all())
        was = marks.get(BOOT, boot)
        if abs(was - boot) > 1:
            # What was written last may have got lost with a power cut: nobody waited for the disk.
            if connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok":
                raise sqlite3.DatabaseError("damaged")
            was, everything = boot, True
        wanted, now = _changed(connection, results, marks, everything)
        now[BOOT] = was
    if len(wanted) > MANY:
        tell(f"reading the records of {len(wanted)} units into the index of {results}")
    for homes in _read(engine, results, sorted(wanted)):
        with writing(engine) as connection:
            refuse_other_tables(connection, tables)
            _take_in(connection, results, homes)
    if now != marks:
        with writing(engine) as connection:
            refuse_other_tables(connection, tables)
            connection.execute(sa.delete(read_so_far))
            connection.execute(sa.insert(read_so_far), [{"what": what, "mark": mark} for what, mark in now.items()])
    return tables


def tables_now(connection: sa.Connection) -> int:
    """Which tables these are: a number of SQLite's own that grows whenever some are made or dropped."""
    return int(connection.exec_driver_sql("PRAGMA schema_version").scalar() or 0)


def refuse_other_tables(connection: sa.Connection, tables: int) -> None:
    """Refuse tables that are not those any more.

    Raises
    ------
    Emptied
        If another process made them anew.
    """
    if tables_now(connection) != tables:
        raise Emptied


def _changed(
    connection: sa.Connection, results: Path, marks: Mapping[str, int], everything: bool
) -> tuple[set[Unit], dict[str, int]]:
    """Units whose folders may have changed, and how far everything will have been read with them."""
    hints, end = hints_from(results, marks.get(NAME, 0))
    wanted = set(_unsettled(connection, results, sorted({(hint.kit, hint.serial) for hint in hints})))
    made = {(hint.kit, hint.before_ns): hint.after_ns for hint in hints}
    now = {NAME: end}
    for kit in {*folders_in(results), *(what for what in marks if what not in (NAME, BOOT))}:
        now_ns, seen_ns = changed_ns(results / kit), marks.get(kit, 0)
        # From one unit's folder that was made to the next, as far as the hints lead.
        while (kit, seen_ns) in made and made[kit, seen_ns] > seen_ns:
            seen_ns = made[kit, seen_ns]
        if everything or seen_ns != now_ns:
            known = set(connection.scalars(sa.select(units.c.serial).where(units.c.kit == kit)))
            wanted |= {(kit, serial) for serial in known ^ _units(results / kit)}
        if now_ns:
            now[kit] = now_ns
    return wanted | set(_come_upon(connection, results, everything)), now


def _units(kit: Path) -> set[str]:
    """The units of a kit that have a folder; where that of the kit cannot be looked into, itself, by no name."""
    try:
        return set(folders_in(kit))
    except OSError:
        return {""}


def _unsettled(connection: sa.Connection, results: Path, hinted: Sequence[Unit]) -> Iterator[Unit]:
    """Of hinted units those that the index does not know as they stand."""
    for part in _parts(hinted):
        found = sa.select(units.c.kit, units.c.serial, units.c.seen_ns).where(_are(units, part))
        seen = {(kit, serial): seen_ns for kit, serial, seen_ns in connection.execute(found)}
        yield from (unit for unit in part if seen.get(unit) != changed_ns(results.joinpath(*unit)))


def _are(table: sa.Table, part: Iterable[Unit]) -> sa.ColumnElement[bool]:
    """That a row is of one of these units; kit by kit, since SQLite looks up no pairs in an index."""
    serials: dict[str, list[str]] = {}
    for kit, serial in part:
        serials.setdefault(kit, []).append(serial)
    return sa.or_(*(sa.and_(table.c.kit == kit, table.c.serial.in_(some)) for kit, some in serials.items()))


def _parts(wanted: Sequence[Unit]) -> list[Sequence[Unit]]:
    return [wanted[start : start + AT_ONCE] for start in range(0, len(wanted), AT_ONCE)]


def _come_upon(connection: sa.Connection, results: Path, everything: bool) -> Iterator[Unit]:
    """Units that have changed though nobody said so; of many units some are looked at, others the next time."""
    known = sa.select(units.c.kit, units.c.serial, units.c.seen_ns).order_by(units.c.id)
    if not everything:
        last = connection.scalar(sa.select(sa.func.max(units.c.id))) or 0
        known = known.where(units.c.id >= random.randint(0, max(0, last - LOOKED_AT + 1))).limit(LOOKED_AT)
    for kit, serial, seen_ns in connection.execute(known):
        if changed_ns(f"{results}/{kit}/{serial}") != seen_ns:
            yield kit, serial
    for kit, serial, run, seen_ns, _ in connection.execute(sa.select(unreadable)):
        if changed_ns(results / kit / serial / run / "run.json") != seen_ns:
            yield kit, serial
    for kit, serial, name in connection.execute(sa.select(unfinished)):
        folder = results / kit / serial / name
        if not changed_ns(folder) or changed_ns(folder / "run.json"):
            yield kit, serial


def _read(engine: sa.Engine, results: Path, wanted: Sequence[Unit]) -> Iterator[list[Home]]:
    """What stands in the folders of units, some at once; of many they are read ahead by processes of their own."""
    parts = _parts(wanted)
    if len(wanted) <= MANY:
        yield from (_read_part(results, (part, _known(engine, part))) for part in parts)
        return
    asked = ((part, _known(engine, part)) for part in parts)
    yield from in_processes(partial(_read_part, results), asked, cpu_count() or 1)


def _read_part(results: Path, asked: tuple[Sequence[Unit], Mapping[Unit, set[str]]]) -> list[Home]:
    part, known = asked
    return [read_home(results, *unit, known.get(unit, ())) for unit in part]


def _known(engine: sa.Engine, part: Sequence[Unit]) -> dict[Unit, set[str]]:
    with engine.connect() as connection:
        return {unit: {row["run"] for row in rows} for unit, rows in _runs_of(connection, part).items()}


def _runs_of(connection: sa.Connection, part: Iterable[Unit]) -> dict[Unit, list[Row]]:
    """The runs of units that the index holds."""
    found: dict[Unit, list[Row]] = {}
    columns = (runs.c.kit, runs.c.serial, runs.c.run, runs.c.run_number, runs.c.ordered, runs.c.id)
    asked = sa.select(*columns).where(_are(runs, part))
    for row in connection.execute(asked).mappings():
        found.setdefault((row["kit"], row["serial"]), []).append(dict(row))
    return found


def _take_in(connection: sa.Connection, results: Path, homes: Sequence[Home]) -> None:
    """Bring the rows of units to what was read of their folders; another process may have done so meanwhile."""
    part = [home.unit for home in homes]
    known = _runs_of(connection, part)
    gone = {row["id"] for home in homes for row in known.get(home.unit, ()) if _is_gone(home, row, results)}
    for table in (*OF_A_RUN, runs) if gone else ():
        connection.execute(sa.delete(table).where((table.c.id if table is runs else table.c.run_id).in_(gone)))
    known_by = (sa.select(table.c.kit).where(_are(table, part)).limit(1) for table in (units, unreadable))
    is_known = any(connection.scalar(asked) for asked in known_by)
    for table in (units, reworks, unreadable, unfinished) if is_known else ():
        connection.execute(sa.delete(table).where(_are(table, part)))
    rows: dict[str, list[Row]] = {name: [] for name in TABLES.tables}
    last_id = connection.scalar(sa.select(sa.func.max(runs.c.id))) or 0
    for home in homes:
        stood = [row for row in known.get(home.unit, ()) if row["id"] not in gone]
        new = [home.new[run] for run in home.new.keys() - {row["run"] for row in stood}]
        for tables in new:
            last_id += 1
            tables["runs"][0]["id"] = last_id
            for table in OF_A_RUN:
                for row in tables[table.name]:
                    row["run_id"] = last_id
                rows[table.name] += tables[table.name]
        rows["runs"] += (new_runs := [tables["runs"][0] for tables in new])
        _put_in_order(connection, stood, new_runs)
        if home.serial and os.path.isdir(results / home.kit / home.serial):  # noqa: PTH112 (it may be out of reach)
            rows["units"].append({"kit": home.kit, "serial": home.serial, "seen_ns": home.seen_ns})
        rows["reworks"] += home.reworks
        rows["unreadable"] += home.unreadable
        rows["unfinished"] += home.unfinished
    for name, of_table in rows.items():
        if of_table:
            _insert(connection, name, of_table)


def _insert(connection: sa.Connection, table: str, rows: Sequence[Row]) -> None:
    """Insert rows of the same columns as SQLite takes them: the library's look at each value costs as much again."""
    columns = ", ".join(f'"{name}"' for name in rows[0])
    marks = ", ".join("?" * len(rows[0]))
    values = itemgetter(*rows[0])
    connection.exec_driver_sql(f'INSERT INTO "{table}" ({columns}) VALUES ({marks})', [values(row) for row in rows])


def _is_gone(home: Home, row: Row, results: Path) -> bool:
    run = row["run"]
    return run not in home.there and not changed_ns(results / home.kit / home.serial / run / "run.json")


def _put_in_order(connection: sa.Connection, stood: Sequence[Row], new: Sequence[Row]) -> None:
    """Say what the runs of a unit are listed by: a run has at least the date of the one before it."""
    in_order = sorted((*stood, *new), key=lambda row: (row["run_number"], row["run"]))
    for row, ordered in zip(in_order, accumulate((row["run"] for row in in_order), max), strict=True):
        if row.get("ordered", ordered) != ordered:
            connection.execute(sa.update(runs).where(runs.c.id == row["id"]).values(ordered=ordered))
        row["ordered"] = ordered
