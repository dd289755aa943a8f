"""Many benches that deliver to one store at once, while its server is killed and the network is cut.

    .venv/bin/python tests/benchmarks/many_benches.py --benches 8 --runs 200
    .venv/bin/python tests/benchmarks/many_benches.py --benches 2 --runs 500 --kill-every 0 --rows 100000

Each bench is a process with a folder of its own; all of them measure units of the same serials (`stored_runs`: nothing
is measured). After each run it delivers, in a process that is itself killed one time in ten. The server, a PostgreSQL
in a folder of its own, gets SIGKILL every few seconds, the network is cut after some ten thousand bytes. At the end all
that waits is delivered, and the store and the place for files are held against the folders: nothing lost, doubled or
changed. `--rows`: how long questions take in a store of so many runs (those that are there, copied by the server).
"""

import argparse
import hashlib
import json
import os
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "store")]

import database
import sqlalchemy as sa
from stored_runs import TEMPLATE, stored_runs

from rig.bench.store_settings import StoreOfBench, StoreSettings
from rig.store.delivery import deliver
from rig.store.index_rows import rows_of
from rig.store.index_tables import OF_A_RUN, runs
from rig.store.selection import Selection, listed, newest
from rig.store.shared_store import StoreError, ask_store, connected, state_words
from rig.store.shared_tables import deliveries
from rig.store.store_making import bring_up, grant
from rig.store.unit_history import history

FORK = get_context("fork")
#: One delivery of so many is killed; made up.
KILLED = 10


def made_store(server: database.Server, port: int, folder: Path, bench: str) -> StoreOfBench:
    """The store of a bench that reaches a server by a port."""
    secret = folder / "secret"
    if not secret.exists():
        secret.write_text(database.PASSWORD, encoding="utf-8")
        secret.chmod(0o600)
    url = f"postgresql+psycopg://bench@127.0.0.1:{port}/postgres"
    return StoreOfBench(
        name=bench, store=StoreSettings(url=url, files=str(folder / "shared"), password_file=str(secret))
    )


def make_tables(known: StoreOfBench) -> None:
    """Make the tables of a store, as its owner."""
    with connected(known.store, "keeper") as connection, connection.begin():
        bring_up(connection)
        grant(connection, ["bench"])


def at_work(
    workspace: Path,
    known: StoreOfBench,
    count: int,
    seed: int,
    send: Callable[[], object],
    events: Mapping[int, Callable[[], object]],
) -> None:
    """A bench that makes so many runs, each delivered, or tried to be; `events` happen after the run of a number."""
    for number, _ in enumerate(stored_runs(workspace, count, seed=seed, bench=known.name), 1):
        if number in events:
            events[number]()
        send()


def try_to_deliver(workspace: Path, known: StoreOfBench) -> int:
    """Deliver what can be delivered now; how many files."""
    with suppress(StoreError):
        return deliver(workspace / "results", known)
    return 0


def wrong_in_store(workspaces: Mapping[str, Path], known: StoreOfBench) -> Iterator[str]:
    """What of the store and of the place for files is not as in the folders of the benches, in words."""

    def found(connection: sa.Connection) -> tuple[list[sa.Row], list[sa.Row], dict[str, Counter[int]], list[str]]:
        of_runs = {of.name: Counter(connection.scalars(sa.select(of.c.run_id))) for of in OF_A_RUN}
        rows = list(connection.execute(sa.select(runs)))
        delivered = list(connection.execute(sa.select(deliveries).order_by(deliveries.c.chain, deliveries.c.number)))
        return rows, delivered, of_runs, state_words(connection)[1]

    rows, delivered, of_runs, broken = ask_store(known.store, found)
    yield from broken
    stored = {(row.kit, row.serial, row.run): row for row in rows}
    if len(stored) != len(rows):
        yield f"{len(rows)} runs under {len(stored)} names"
    chains = Counter((row.bench, row.path) for row in delivered)
    yield from (f"{bench}: {path} delivered {times} times" for (bench, path), times in chains.items() if times > 1)
    sha256 = {(row.bench, row.path): row.sha256 for row in delivered}
    for bench, workspace in workspaces.items():
        for path in (workspace / "results").glob("[!.]*/[!.]*/[!.]*/run.json"):
            content, name = path.read_bytes(), path.relative_to(workspace / "results").as_posix()
            kit, serial, run, _ = name.split("/")
            row = stored.pop((kit, serial, run), None)
            if row is None or sha256.get((bench, name)) != hashlib.sha256(content).hexdigest():
                yield f"{bench}: {name} is not in the store as it is here"
                continue
            wanted = rows_of(json.loads(content), kit, serial, run)
            same = wanted["runs"][0].items() <= (row._asdict() | {"ordered": row.ordered}).items()
            counts = all(of_runs[of.name][row.id] == len(wanted[of.name]) for of in OF_A_RUN)
            if not same or not counts or row.bench != bench:
                yield f"{bench}: {name} stands otherwise in the store"
            if (Path(known.store.files) / name).read_bytes() != content:
                yield f"{bench}: {name} is another at the place for files"
    yield from (f"{name} is in the store and at no bench" for name in stored)


def _process(workspace: Path, known: StoreOfBench, count: int, seed: int) -> None:
    dice = random.Random(seed)

    def send() -> None:
        one = FORK.Process(target=try_to_deliver, args=(workspace, known))
        one.start()
        one.join(dice.uniform(0, 0.2) if dice.randrange(KILLED) == 0 else None)
        one.kill()
        one.join()

    at_work(workspace, known, count, seed, send, {})


def long_run(folder: Path, benches: int, count: int, kill_every_s: float) -> None:
    """All of it, and what was found and measured."""
    with database.running_server() as server:
        wire = database.Wire(server.port)
        try:
            _long_run(folder, server, wire, benches, count, kill_every_s)
        finally:
            wire.close()


def _long_run(
    folder: Path, server: database.Server, wire: database.Wire, benches: int, count: int, kill_every_s: float
) -> None:
    names = {f"bench {number}": folder / f"bench-{number}" for number in range(1, benches + 1)}
    stores = {name: made_store(server, wire.port, folder, name) for name in names}
    make_tables(stores["bench 1"])
    began_s = time.monotonic()
    working = [
        FORK.Process(target=_process, args=(path, stores[name], count, seed))
        for seed, (name, path) in enumerate(names.items(), 1)
    ]
    for one in working:
        one.start()
    dice, kills, cuts, next_s = random.Random(0), 0, 0, time.monotonic() + kill_every_s
    while any(one.is_alive() for one in working):
        time.sleep(0.1)
        if kill_every_s and time.monotonic() > next_s:
            if dice.random() < 0.5:
                server.kill()
                kills += 1
                time.sleep(0.5)
                server.start()
            else:
                wire.cut(after=dice.randrange(1000, 100_000))
                cuts += 1
                time.sleep(1.0)
                wire.cut()
                wire.mend()
            next_s = time.monotonic() + dice.uniform(0.5, 1.5) * kill_every_s
    took_s = time.monotonic() - began_s
    late = sum(try_to_deliver(path, stores[name]) for name, path in names.items())
    print(
        f"{benches} benches, {count} runs each, in {took_s:.0f} s; "
        f"{kills} kills of the server, {cuts} cuts of the network"
    )
    print(f"{late} of {benches * count} were delivered after the last run")
    for words in (wrong := list(wrong_in_store(names, stores["bench 1"]))):
        print("WRONG:", words)
    print(f"{len(wrong)} lost, doubled or changed")


def measured(folder: Path, count: int, rows: int, template: Path) -> None:
    """How fast one bench delivers, what a run takes in the database, and how long questions take over many rows."""
    with database.running_server() as server:
        known, workspace = made_store(server, server.port, folder, "bench 1"), folder / "bench-1"
        make_tables(known)
        sum(1 for _ in stored_runs(workspace, count, template, seed=1, bench=known.name))
        for files in ("", str(folder / "shared")):
            if not files:
                known = known.model_copy(update={"store": known.store.model_copy(update={"files": ""})})
            else:
                server.sql("TRUNCATE runs, checks, readings, findings, calibrations, deliveries")
                known = made_store(server, server.port, folder, "bench 1")
            began_s, here_s = time.monotonic(), time.process_time()
            done = deliver(workspace / "results", known)
            took_s, here_s = time.monotonic() - began_s, time.process_time() - here_s
            what = "with a folder for files" if files else "without files"
            print(f"{done} runs delivered in {took_s:.1f} s, {done / took_s:.0f} a second, {what}")
            print(f"of it {here_s / done * 1e3:.1f} ms a run are the processor's at the bench")
        server.sql("VACUUM ANALYZE")
        tables = ("runs", "checks", "readings", "findings", "calibrations", "deliveries")
        sizes = {name: int(server.sql(f"SELECT pg_total_relation_size('{name}')")) for name in tables}
        print(
            f"bytes a run: {sum(sizes.values()) / count:.0f}",
            {name: round(size / count) for name, size in sizes.items()},
        )
        if rows:
            _multiply(server, count, rows)
            _ask(known)


def _multiply(server: database.Server, count: int, rows: int) -> None:
    """Copy all runs that are there, as units of other serials, until there are so many."""
    columns = [column.name for column in runs.c if column.name != "id"]
    quoted = ", ".join(f'"{name}"' for name in columns)
    turn = 0
    while count < rows:
        turn, taken_of = turn + 1, {name: f"'X{turn}-' || {name}" for name in ("serial", "serial_stem")}
        taken = ", ".join(taken_of.get(name, f'"{name}"') for name in columns)
        last = int(server.sql("SELECT max(id) FROM runs"))
        server.sql(f"INSERT INTO runs ({quoted}) SELECT {taken} FROM runs ORDER BY id")
        # Ids follow each other, so that what belongs to a run is copied by the distance.
        shift = int(server.sql(f"SELECT min(id) FROM runs WHERE id > {last}")) - int(
            server.sql("SELECT min(id) FROM runs")
        )
        for of in OF_A_RUN:
            names = ", ".join(f'"{column.name}"' for column in of.c if column.name != "run_id")
            server.sql(f"INSERT INTO {of.name} (run_id, {names}) SELECT run_id + {shift}, {names} FROM {of.name}")
        count *= 2
    server.sql("VACUUM ANALYZE")


def _ask(known: StoreOfBench) -> None:
    total = ask_store(known.store, lambda connection: connection.scalar(sa.select(sa.func.count(runs.c.id))))
    questions: dict[str, Callable[[], object]] = {
        "history of a unit": lambda: history(known.store, "shelf-one", "SO-000007"),
        "50 newest runs": lambda: ask_store(known.store, lambda c: listed(c, newest(Selection(), 50))),
        "50 newest that fail": lambda: ask_store(
            known.store, lambda c: listed(c, newest(Selection(outcome="fail"), 50))
        ),
    }
    for name, question in questions.items():
        took_s = []
        for _ in range(5):
            began_s = time.monotonic()
            question()
            took_s.append(time.monotonic() - began_s)
        print(f"{name}: {sorted(took_s)[2] * 1e3:.0f} ms of {total} runs, connecting with it")


def main() -> None:
    """Let them work, or measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=8)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--kill-every", type=float, default=5.0, help="s; 0: nothing is killed or cut")
    parser.add_argument("--rows", type=int, help="measure only: one bench of so many --runs, then so many rows")
    parser.add_argument("--template", type=Path, default=TEMPLATE, help="with --rows: a run that the runs are made of")
    asked = parser.parse_args()
    os.environ.pop("PGPASSWORD", None)
    with tempfile.TemporaryDirectory() as folder:
        if asked.rows is None:
            long_run(Path(folder), asked.benches, asked.runs, asked.kill_every)
        else:
            measured(Path(folder), asked.runs, asked.rows, asked.template)


if __name__ == "__main__":
    main()
