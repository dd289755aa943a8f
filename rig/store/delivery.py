"""The outbox: what a bench closed goes to the store in the order of its chain, each file once, whatever cuts it off.

The store itself says how far it has come: a part of the chain and all its rows are one transaction, so an attempt that
was cut off anywhere has delivered a whole part or nothing of it, and the next goes on behind it. The place for files is
served before the database: what the database names is there. `<chain>.state` remembers how far that was, for telling it
without the network; nothing rests on it.
"""

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert

from rig.files.disk import parse_json, read_bytes, read_json, why, write
from rig.files.errors import RecordError
from rig.files.locks import locked
from rig.files.plain import Whole, YesNo, json_bytes, restored, table
from rig.store.bench_chain import FOLDER, Entry, bench_of, closed_entries, enter, order_of, orders, read_order
from rig.store.homes import is_note, run_names, run_number, stamp
from rig.store.index_rows import Row, rows_of
from rig.store.index_tables import OF_A_RUN, reworks, runs
from rig.store.shared_files import SharedFiles
from rig.store.shared_store import StoreError, connected, refuse_other_tables
from rig.store.shared_tables import archived, deliveries
from rig.values.names import counted

if TYPE_CHECKING:
    from rig.bench.store_settings import StoreOfBench

#: So many files are delivered in one transaction; our choice (tests/benchmarks/many_benches.py measures it).
AT_ONCE = 20


@dataclass(frozen=True)
class State:
    """How far a chain was delivered when that was last tried."""

    delivered: Whole = 0
    #: Files of former versions were entered in the chain.
    entered: YesNo = False
    #: Why the last attempt ended early; empty: it did not.
    trouble: str = ""


@dataclass(frozen=True)
class Waiting:
    """What the store does not have yet."""

    entries: tuple[Entry, ...] = ()
    trouble: str = ""

    @property
    def words(self) -> str:
        """How far behind the store is: "3 runs wait for the store since 10:14"; empty: it has everything."""
        if not self.entries:
            return ""
        of_runs = sum(entry.is_run for entry in self.entries)
        count, what = (of_runs, "run") if of_runs else (len(self.entries), "note")
        since = datetime.fromisoformat(self.entries[0].at).astimezone()
        is_today = since.date() == datetime.now().astimezone().date()
        verb = "waits" if count == 1 else "wait"
        return f"{counted(count, what)} {verb} for the store since {since:{'%H:%M' if is_today else '%Y-%m-%d %H:%M'}}"


def waiting(results: Path) -> Waiting:
    """What of a workspace had not been delivered when that was last tried; nobody is asked."""
    entries: list[Entry] = []
    troubles: list[str] = []
    for order in orders(results):
        state = _state(order)
        troubles.append(state.trouble)
        try:
            entries += read_order(order)[state.delivered :]
        except RecordError as error:
            troubles.append(str(error))
    return Waiting(tuple(sorted(entries, key=lambda entry: stamp(entry.at))), next(filter(None, troubles), ""))


def deliver(results: Path, known: "StoreOfBench", everything: bool = False) -> int:
    """Deliver what waits; how many files that were.

    Parameters
    ----------
    results
        The folder of records.
    known
        The bench's name, and its store: all chains of this folder go there.
    everything
        Look for files that stand in no chain here, such as those of former versions (always done the first time), and
        for those that could not be delivered when it was their turn, and are there again.

    Raises
    ------
    StoreError
        If the store cannot be reached or refuses; what was delivered by then stays so.
    """
    try:
        own = order_of(results, known.name)
    except BlockingIOError as error:
        # Held for a moment by whoever closes a record: no other delivery has it.
        raise StoreError(str(error)) from None
    try:
        lock = locked(results / FOLDER / "delivering")
    except BlockingIOError as error:
        raise StoreError(f"another delivery is under way: {error}") from None
    order = own
    try:
        with connected(known.store) as connection:
            with connection.begin():
                refuse_other_tables(connection)
            if everything or not _state(own).entered:
                enter(results, own, lambda: _in_no_chain(results))
            if everything:
                with connection.begin():
                    enter(results, own, lambda: _found_again(connection, results))
            files, count = SharedFiles(known.store.files), 0
            for order in orders(results):
                count += _deliver(connection, results, order, files)
            return count
    except (StoreError, BlockingIOError) as error:
        _remember(order, replace(_state(order), trouble=str(error)))
        raise StoreError(str(error)) from None
    finally:
        lock.close()


def _deliver(connection: sa.Connection, results: Path, order: Path, files: SharedFiles) -> int:
    """Deliver what waits of one chain, part by part; and what is closed meanwhile."""
    bench, count = bench_of(order), 0
    while True:
        entries = closed_entries(order)
        with connection.begin():
            head = _head(connection, order, entries)
        _remember(order, State(head, entered=True))
        if head == len(entries):
            return count
        for start in range(head, len(entries), AT_ONCE):
            part = entries[start : start + AT_ONCE]
            found = [_found(results, files, entry, bench, order.stem) for entry in part]
            with connection.begin():
                _insert(connection, found)
            _remember(order, State(start + len(part), entered=True))
            count += len(part)


def _head(connection: sa.Connection, order: Path, entries: Sequence[Entry]) -> int:
    """How many of a chain's lines the store has.

    Raises
    ------
    StoreError
        If it has others under this chain's name: it was copied to another computer, and both went on with it.
    """
    numbers = sa.select(sa.func.max(deliveries.c.number)).where(deliveries.c.chain == order.stem)
    head = min(connection.scalar(numbers) or 0, len(entries))
    if head == 0:
        return 0
    of_head = sa.select(deliveries.c.sha256, deliveries.c.path)
    row = connection.execute(of_head.where(deliveries.c.chain == order.stem, deliveries.c.number == head)).one_or_none()
    here = entries[head - 1]
    if row and (here.sha256, here.path) != (row.sha256, row.path):
        raise StoreError(
            f"the store has number {head} of chain {order.stem} as {row.path}, here it is {here.path}: this folder "
            f"was copied, or put back from a copy. Move {order} away: then this bench goes on with a chain of its own, "
            "and what the store has already is not delivered twice"
        )
    return head


@dataclass(frozen=True)
class _Found:
    """A file of the chain as it stands at the bench: its row among the deliveries, and what it brings by table."""

    delivery: Row
    rows: dict[str, list[Row]]


def _found(results: Path, files: SharedFiles, entry: Entry, bench: str, chain: str) -> _Found:
    """Read a file, and put it at the place for files; what was lost at the bench is told by its name alone."""
    delivery: Row = {
        **{"chain": chain, "number": entry.number, "bench": bench, "closed_at": entry.at, "path": entry.path},
        **{"sha256": entry.sha256, "before_sha256": "", "lost": ""},
    }
    try:
        content = read_bytes(results / entry.path)
    except OSError as error:
        return _Found({**delivery, "lost": why(error)}, {})
    if hashlib.sha256(content).hexdigest() != entry.sha256:
        return _Found({**delivery, "lost": "changed after it was closed"}, {})
    try:
        said: Any = parse_json(content)
        link = said.get("link") or {}
        # Of its own chain: here it may stand in another, behind a file that it knows nothing of.
        follows = (link.get("chain"), link.get("number")) == (chain, entry.number)
        rows = _rows(results, entry, said)
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as error:
        files.put(results, entry.path, content)
        return _Found({**delivery, "lost": f"cannot be read: {type(error).__name__}: {error}"[:300]}, {})
    files.put(results, entry.path, content)
    return _Found({**delivery, "before_sha256": str(link["sha256"]) if follows else ""}, rows)


def _rows(results: Path, entry: Entry, said: Any) -> dict[str, list[Row]]:
    kit, serial, *names = entry.path.split("/")
    unit = {"kit": kit, "serial": serial}
    if entry.is_run:
        rows = rows_of(said, kit, serial, names[0])
        earlier = [run for run in run_names(results / kit / serial) if run_number(run) <= run_number(names[0])]
        rows["runs"][0]["ordered"] = max((names[0], *earlier))
        return rows
    if is_note(names[0]):
        return {
            "reworks": [{**unit, "note": names[0], **{key: str(said[key]) for key in ("at", "words", "by", "after")}}]
        }
    of_captures = {key: str(said[key]) for key in ("run", "at", "rule", "pack")}
    return {"archived": [{**unit, **of_captures, "captures": len(said["files"])}]}


def _insert(connection: sa.Connection, found: Sequence[_Found]) -> None:
    """Write one part of a chain; what is there already under the same names is not written again.

    Raises
    ------
    StoreError
        If something else is there under the name of one.
    """
    connection.execute(sa.insert(deliveries), [_storable(one.delivery) for one in found])
    of_runs: dict[str, list[Row]] = {of_run.name: [] for of_run in OF_A_RUN}
    for one in found:
        for row in one.rows.get("runs", ()):
            added = insert(runs).values(_storable(row)).on_conflict_do_nothing().returning(runs.c.id)
            if run_id := connection.scalar(added):
                for name, rows in of_runs.items():
                    rows += [_storable({"run_id": run_id, **row}) for row in one.rows[name]]
        for of_unit in (reworks, archived):
            for row in one.rows.get(of_unit.name, ()):
                connection.execute(insert(of_unit).values(_storable(row)).on_conflict_do_nothing())
    for of_run in OF_A_RUN:
        if of_runs[of_run.name]:
            connection.execute(sa.insert(of_run), of_runs[of_run.name])
    _refuse_others(connection, [one.delivery for one in found if one.rows])


def _refuse_others(connection: sa.Connection, delivered: Sequence[Row]) -> None:
    sha256 = {row["path"]: row["sha256"] for row in delivered if row["path"].endswith("/run.json")}
    stands = sa.select(deliveries.c.path, deliveries.c.sha256, deliveries.c.bench)
    for path, there, bench in connection.execute(stands.where(deliveries.c.path.in_(sha256), deliveries.c.lost == "")):
        if there != sha256[path]:
            raise StoreError(f"the store has another record under the name {path}, of bench {bench!r}")


def _storable(row: Row) -> Row:
    """A row as the server takes it: it holds no text with a zero byte, nor with half a character."""

    def plain(text: str) -> str:
        return text.replace("\0", "\ufffd").encode("utf-8", "replace").decode()

    return {key: plain(value) if isinstance(value, str) else value for key, value in row.items()}


def _in_no_chain(results: Path) -> Iterator[str]:
    """Files under `results` that belong in a chain and stand in none here, oldest first."""
    stands = {entry.path for order in orders(results) for entry in read_order(order)}
    there = []
    for pattern in ("[!.]*/[!.]*/[!.]*/run.json", "[!.]*/[!.]*/rework-*.json", "[!.]*/[!.]*/archived-*.json"):
        for path in results.glob(pattern):
            name = path.relative_to(results).as_posix()
            if name in stands or (path.name.startswith("rework-") and not is_note(path.name)):
                continue
            # By the name of its run, or by when it was written: a note follows what it is about.
            there.append((path.parent.name if path.name == "run.json" else _written(path), name))
    yield from (name for _, name in sorted(there))


def _found_again(connection: sa.Connection, results: Path) -> Iterator[str]:
    """Files of the chains here of which the store has nothing but the name, and that are what they were."""
    whole = sa.select(deliveries.c.path).where(deliveries.c.lost == "")
    chains = [order.stem for order in orders(results)]
    lost = sa.select(deliveries.c.path, deliveries.c.sha256).distinct()
    asked = lost.where(deliveries.c.chain.in_(chains), deliveries.c.lost != "", deliveries.c.path.not_in(whole))
    for path, sha256 in connection.execute(asked.order_by(deliveries.c.path)):
        with suppress(OSError):
            if hashlib.sha256(read_bytes(results / path)).hexdigest() == sha256:
                yield path


def _written(path: Path) -> str:
    """When a note says that it was written, as names of runs begin."""
    with suppress(OSError, ValueError, TypeError, KeyError):
        said: Any = read_json(path)
        return stamp(said["at"])
    return ""


def _state(order: Path) -> State:
    with suppress(OSError, ValueError):
        return restored(State, read_json(order.with_suffix(".state")))
    return State()


def _remember(order: Path, state: State) -> None:
    if state != _state(order):
        with suppress(OSError):
            write(order.with_suffix(".state"), json_bytes(table(state)))
