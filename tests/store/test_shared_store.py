"""The store that benches share, on a real PostgreSQL: nothing lost, doubled or changed; who may do what."""

import os
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import database
import pytest
from notes_of_units import KEPT, kit_of_archive, noted
from stored_runs import stored_runs
from typer.testing import CliRunner

database.need_database()

import many_benches  # noqa: E402
import sqlalchemy as sa  # noqa: E402
from alembic.autogenerate import compare_metadata  # noqa: E402
from alembic.migration import MigrationContext  # noqa: E402
from alembic.script import ScriptDirectory  # noqa: E402

from rig import cli  # noqa: E402
from rig.bench.store_settings import StoreOfBench  # noqa: E402
from rig.store import delivery, index, store_making  # noqa: E402
from rig.store.bench_chain import orders  # noqa: E402
from rig.store.delivery import deliver, waiting  # noqa: E402
from rig.store.packing import pack_away  # noqa: E402
from rig.store.records import read_record  # noqa: E402
from rig.store.rework_notes import about_next, note  # noqa: E402
from rig.store.selection import Selection, count, listed, newest  # noqa: E402
from rig.store.shared_store import StoreError, ask_store, connected, state_words  # noqa: E402
from rig.store.shared_tables import REVISION, SHARED, archived, deliveries  # noqa: E402
from rig.store.unit_history import history, with_others  # noqa: E402


@pytest.fixture(scope="module")
def server() -> Iterator[database.Server]:
    with database.running_server(waits_for_disk=False) as found:
        yield found


@pytest.fixture
def empty(server: database.Server, tmp_path: Path) -> database.Server:
    """The server with a store in which nothing is."""
    if not server.sql("SELECT to_regclass('runs')"):
        many_benches.make_tables(many_benches.made_store(server, server.port, tmp_path, "any"))
    server.sql(f"TRUNCATE {', '.join(SHARED.tables)}")
    return server


@pytest.fixture
def one(empty: database.Server, tmp_path: Path) -> StoreOfBench:
    return many_benches.made_store(empty, empty.port, tmp_path, "bench one")


def counted(known: StoreOfBench, table: str) -> int:
    return ask_store(known.store, lambda connection: connection.scalar(sa.text(f"SELECT count(*) FROM {table}")))


def kitproof(*words: str) -> Any:
    return CliRunner().invoke(cli.app, list(words))


def test_models_and_migrations_agree(one: StoreOfBench) -> None:
    with connected(one.store, "keeper") as connection:
        context = MigrationContext.configure(connection, opts={"compare_server_default": True})
        assert compare_metadata(context, SHARED) == []
    assert ScriptDirectory.from_config(store_making._config()).get_current_head() == REVISION


def test_a_bench_reads_and_adds_and_nothing_else(one: StoreOfBench, tmp_path: Path) -> None:
    list(stored_runs(tmp_path / "one", 1, bench=one.name))
    assert deliver(tmp_path / "one" / "results", one) == 1
    for table in SHARED.tables.values():
        column = list(table.c)[-1].name
        for words in ("UPDATE {0} SET {1} = {1}", "DELETE FROM {0}", "TRUNCATE {0}", "DROP TABLE {0}"):
            with pytest.raises(StoreError, match=r"refused: (permission denied|must be owner)"):
                change(one, words.format(table.name, column))
    with pytest.raises(StoreError, match="refused: permission denied"):
        change(one, "CREATE TABLE mine (x int)")
    assert counted(one, "runs") == 1


def change(known: StoreOfBench, words: str) -> None:
    with connected(known.store) as connection, connection.begin():
        connection.exec_driver_sql(words)


def test_a_user_who_may_do_anything_is_no_bench_s(one: StoreOfBench) -> None:
    def made(user: str) -> None:
        with connected(one.store, "keeper") as connection, connection.begin():
            store_making.grant(connection, [user])

    with pytest.raises(StoreError, match="'keeper' may do anything in this database"):
        made("keeper")
    with pytest.raises(StoreError, match=r"knows no user 'nobody there'.*CREATE ROLE \"nobody there\" LOGIN"):
        made("nobody there")


def test_benches_at_once_lose_double_and_change_nothing(empty: database.Server, tmp_path: Path) -> None:
    """Three benches with the same serials; the server is killed, and the network cut in the middle of a delivery."""
    wire = database.Wire(empty.port)
    names = {f"bench {number}": tmp_path / f"bench-{number}" for number in (1, 2, 3)}
    ports = {"bench 1": empty.port, "bench 2": wire.port, "bench 3": empty.port}
    stores = {name: many_benches.made_store(empty, ports[name], tmp_path, name) for name in names}
    is_back = threading.Event()
    # The first goes on without a server, the second without a network.
    events: dict[str, dict[int, Callable[[], object]]] = {
        "bench 1": {4: empty.kill, 6: lambda: (empty.start(), is_back.set())},
        "bench 2": {3: lambda: wire.cut(after=9000), 7: wire.mend, 8: is_back.wait},
        "bench 3": {5: is_back.wait},
    }
    behind: dict[str, list[str]] = {name: [] for name in names}

    def work(name: str, seed: int) -> None:
        def send() -> None:
            many_benches.try_to_deliver(names[name], stores[name])
            behind[name].append(waiting(names[name] / "results").words)

        many_benches.at_work(names[name], stores[name], 10, seed, send, events[name])

    threads = [threading.Thread(target=work, args=(name, seed)) for seed, name in enumerate(names)]
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for name, path in names.items():
            deliver(path / "results", stores[name])
            assert waiting(path / "results").words == ""
        assert list(many_benches.wrong_in_store(names, stores["bench 1"])) == []
        assert counted(stores["bench 1"], "runs") == 30
    finally:
        wire.close()
    assert behind["bench 1"][3].startswith("1 run waits for the store since ")
    assert behind["bench 1"][4].startswith("2 runs wait for the store since ")
    assert behind["bench 2"][5].startswith(("3 runs wait", "4 runs wait", "5 runs wait", "6 runs wait"))


@pytest.mark.parametrize("room", [60, 4000, 20000])
def test_a_cut_at_any_byte_delivers_whole_parts(
    one: StoreOfBench, empty: database.Server, tmp_path: Path, room: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery, "AT_ONCE", 2)
    wire = database.Wire(empty.port)
    known = many_benches.made_store(empty, wire.port, tmp_path, "bench one")
    list(stored_runs(tmp_path / "one", 5, bench="bench one"))
    try:
        wire.cut(after=room)
        with pytest.raises(StoreError, match=r"could not be reached|refused"):
            deliver(tmp_path / "one" / "results", known)
        assert counted(one, "runs") == counted(one, "deliveries")
        assert counted(one, "runs") in (0, 2, 4)
        wire.mend()
        deliver(tmp_path / "one" / "results", known)
    finally:
        wire.close()
    assert list(many_benches.wrong_in_store({"bench one": tmp_path / "one"}, one)) == []


def test_records_of_former_versions_are_delivered_too_and_copies_of_others_not_twice(
    one: StoreOfBench, empty: database.Server, tmp_path: Path
) -> None:
    old, other = tmp_path / "old", tmp_path / "other"
    list(stored_runs(old, 3))
    noted(old, "SO-000001", "")
    list(stored_runs(other, 2, seed=2, bench="bench two"))
    two = many_benches.made_store(empty, empty.port, tmp_path, "bench two")
    assert deliver(other / "results", two) == 2
    shutil.copytree(other / "results" / "shelf-one", old / "results" / "shelf-one", dirs_exist_ok=True)
    # All that stands in the folders, the oldest first; what the store has is known again.
    assert deliver(old / "results", one) == 6
    assert counted(one, "runs") == 5
    assert counted(one, "reworks") == 1
    assert deliver(old / "results", one) == 0
    # What is put there later is looked for when that is asked for.
    list(stored_runs(tmp_path / "later", 1, seed=3))
    shutil.copytree(tmp_path / "later" / "results" / "shelf-one", old / "results" / "shelf-one", dirs_exist_ok=True)
    assert deliver(old / "results", one) == 0
    assert deliver(old / "results", one, everything=True) == 1


def test_a_tombstone_tells_all_benches_what_became_of_captures(one: StoreOfBench, tmp_path: Path) -> None:
    [run] = stored_runs(tmp_path / "one", 1, bench=one.name, files=True)
    pack_away(read_record(run), KEPT, tmp_path / "packs", one.name)
    assert deliver(tmp_path / "one" / "results", one) == 2
    [row] = ask_store(one.store, lambda connection: list(connection.execute(sa.select(archived))))
    assert (row.serial, row.run, row.rule, row.captures > 0) == (run.parent.name, run.name, "kept", True)
    # The record is whole at the place for files, and says of its captures what it says here.
    there = tmp_path / "shared" / "shelf-one" / run.parent.name / run.name
    assert (there / "run.json").read_bytes() == (run / "run.json").read_bytes()
    assert there.with_name(f"archived-{run.name}.json").exists()


def test_what_was_lost_at_a_bench_is_told_and_holds_up_nothing(one: StoreOfBench, tmp_path: Path) -> None:
    runs = list(stored_runs(tmp_path / "one", 3, bench=one.name, retests=0))
    away = runs[0].rename(tmp_path / "away")
    (runs[1] / "run.json").write_text("{}", encoding="utf-8")
    assert deliver(tmp_path / "one" / "results", one) == 3
    found = ask_store(one.store, lambda c: list(c.scalars(sa.select(deliveries.c.lost).order_by(deliveries.c.number))))
    assert found == ["No such file or directory", "changed after it was closed", ""]
    assert counted(one, "runs") == 1
    # What is put back is delivered after all; what was changed never is.
    away.rename(runs[0])
    results = tmp_path / "one" / "results"
    assert [deliver(results, one), deliver(results, one, everything=True), deliver(results, one, everything=True)] == [
        *(0, 1, 0)
    ]
    assert counted(one, "runs") == 2
    assert ask_store(one.store, state_words)[1] == []


def test_a_copied_folder_that_goes_on_twice_forks_no_chain(one: StoreOfBench, tmp_path: Path) -> None:
    list(stored_runs(tmp_path / "one", 2, bench=one.name))
    deliver(tmp_path / "one" / "results", one)
    shutil.copytree(tmp_path / "one", tmp_path / "copy")
    for place, seed in (("one", 5), ("copy", 6)):
        list(stored_runs(tmp_path / place, 1, seed=seed, bench=one.name))
    assert deliver(tmp_path / "one" / "results", one) == 1
    copy = tmp_path / "copy" / "results"
    with pytest.raises(StoreError, match=r"has number 3 of chain .* this folder was copied.*Move .*\.order away"):
        deliver(copy, one)
    [order] = orders(copy)
    order.rename(tmp_path / "away")
    deliver(copy, one)
    assert counted(one, "runs") == 4
    assert ask_store(one.store, state_words)[1] == []


def test_another_record_under_a_stored_name_is_refused(one: StoreOfBench, tmp_path: Path) -> None:
    [run] = stored_runs(tmp_path / "one", 1, bench=one.name)
    deliver(tmp_path / "one" / "results", one)
    forged = tmp_path / "forged" / run.relative_to(tmp_path / "one")
    forged.mkdir(parents=True)
    text = (run / "run.json").read_text(encoding="utf-8").replace('"by": ', '"by": "x" ,"was": ', 1)
    (forged / "run.json").write_text(text, encoding="utf-8")
    alone = one.model_copy(update={"store": one.store.model_copy(update={"files": ""})})
    with pytest.raises(StoreError, match="the store has another record under the name shelf-one/"):
        deliver(tmp_path / "forged" / "results", alone)
    with pytest.raises(StoreError, match=r"run\.json: another record stands there under its name"):
        deliver(tmp_path / "forged" / "results", one)
    assert counted(one, "deliveries") == 1


def test_all_benches_see_the_whole_history_of_a_unit(one: StoreOfBench, empty: database.Server, tmp_path: Path) -> None:
    two = many_benches.made_store(empty, empty.port, tmp_path, "bench two")
    for known, place, seed in ((one, "one", 1), (two, "two", 2)):
        list(stored_runs(tmp_path / place, 1, seed=seed, bench=known.name))
        deliver(tmp_path / place / "results", known)
    home = tmp_path / "one" / "results" / "shelf-one" / "SO-000001"
    about = with_others(about_next(home), home, history(one.store, "shelf-one", "SO-000001"))
    assert about.runs_untouched == 3
    newest = max(history(one.store, "shelf-one", "SO-000001").runs, key=lambda run: run.run)
    assert (about.before.run, about.before.bench) == (newest.run, "" if newest.bench == one.name else newest.bench)
    # A note at the other bench counts here too.
    noted(tmp_path / "two", "SO-000001", two.name, "resoldered C3")
    deliver(tmp_path / "two" / "results", two)
    about = with_others(about_next(home), home, history(one.store, "shelf-one", "SO-000001"))
    assert ([note.words for note in about.rework], about.runs_untouched) == (["resoldered C3"], 1)
    # A unit that was never measured here can be worked on here.
    last = history(one.store, "shelf-one", "SO-000001").runs[-1].run
    note(tmp_path / "new", kit_of_archive(tmp_path / "new"), "SO-000001", "new woofer", "", "bench new", after=last)
    new = tmp_path / "new" / "results" / "shelf-one" / "SO-000001"
    about = with_others(about_next(new), new, history(one.store, "shelf-one", "SO-000001"))
    assert {note.words for note in about.rework} == {"resoldered C3", "new woofer"}
    # Where the store cannot be asked that is said, and what is known here stands.
    alone = with_others(about_next(home), home, "the store could not be reached")
    assert alone.set_aside == (
        "what other benches measured of this unit is not known here: the store could not be reached",
    )
    assert alone.runs_untouched == 2


def bench_file(known: StoreOfBench, workspace: Path, **keys: str) -> None:
    store = known.store.model_dump() | keys
    lines = [f'{key} = "{value}"' for key, value in store.items() if value]
    text = f'kind = "simulated"\nname = "{known.name}"\n[store]\n' + "\n".join(lines) + "\n"
    (workspace / "bench.toml").write_text(text, encoding="utf-8")


def test_commands_tell_what_all_benches_measured_and_that_they_cannot(
    one: StoreOfBench, empty: database.Server, tmp_path: Path
) -> None:
    workspace, two = tmp_path / "one", many_benches.made_store(empty, empty.port, tmp_path, "bench two")
    list(stored_runs(tmp_path / "two", 2, seed=2, bench=two.name, retests=0))
    deliver(tmp_path / "two" / "results", two)
    list(stored_runs(workspace, 1, seed=1, bench=one.name))
    bench_file(one, workspace)
    at = ("--workspace", str(workspace))
    told = kitproof("results", "--csv", *at)
    assert told.stdout.count("bench two") == 2
    assert told.stdout.count("bench one") == 1
    assert "1 run waits for the store since" in told.stderr
    assert kitproof("results", "--csv", "--here", *at).stdout.count("bench two") == 0
    assert (
        "1 file of runs and notes delivered to postgres on 127.0.0.1; nothing waits" in kitproof("deliver", *at).stdout
    )
    assert "3 runs, 2 benches, 3 files of runs and notes" in kitproof("store", *at).stdout
    shown = kitproof("show", "SO-000002", *at)
    assert "bench two" in shown.stdout
    assert f"its record: {tmp_path / 'shared'}/shelf-one/SO-000002/" in shown.stdout.replace("\n", "")

    bench_file(one, workspace, url=f"postgresql+psycopg://bench@127.0.0.1:{database.free_port()}/postgres")
    list(stored_runs(workspace, 1, seed=9, bench=one.name, prefix="SO9"))
    for words in (("results",), ("show", "SO9-000001")):
        told = kitproof(*words, *at)
        assert "is not known here: the store postgres on 127.0.0.1 could not be reached" in told.stderr
        assert "SO9-000001" in told.stdout
    told = kitproof("deliver", *at).exception
    assert str(told).startswith("1 run waits for the store since ")
    assert told.exit_status == 4


@pytest.mark.parametrize(
    "selection",
    [
        Selection(),
        Selection(kit="shelf-one", outcome="fail"),
        Selection(serial=("SO-000002..SO-000009", "SO-000001"), since="2024-01-01", until="2024-01-01"),
        Selection(check="leak"),
        Selection(finding="WRONG value"),
        Selection(bench="bench one", by=("Ada", "Ben"), batch="lot 1"),
    ],
    ids=repr,
)
def test_the_store_answers_as_the_index_does(filled: tuple[Path, StoreOfBench], selection: Selection) -> None:
    workspace, known = filled

    def question(connection: sa.Connection) -> list[dict[str, object]]:
        found = listed(connection, newest(selection, 7))
        assert len(found) <= count(connection, selection)
        return [{name: value for name, value in row.items() if name != "id"} for row in found]

    assert (found := ask_store(known.store, question)) == index.ask(workspace, question)
    assert found


@pytest.fixture(scope="module")
def filled(server: database.Server, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, StoreOfBench]:
    """A bench's workspace, and a store that has all of it."""
    folder = tmp_path_factory.mktemp("filled")
    known = many_benches.made_store(server, server.port, folder, "bench one")
    server.sql("CREATE DATABASE filled")
    url = known.store.url.replace("/postgres", "/filled")
    known = known.model_copy(update={"store": known.store.model_copy(update={"url": url, "files": ""})})
    many_benches.make_tables(known)
    list(stored_runs(folder / "one", 40, bench=known.name))
    assert deliver(folder / "one" / "results", known) == 40
    return folder / "one", known


def test_a_store_without_tables_or_of_another_version_says_what_to_do(
    one: StoreOfBench, empty: database.Server
) -> None:
    bare = one.model_copy(
        update={"store": one.store.model_copy(update={"url": one.store.url.replace("/postgres", "/bare")})}
    )
    empty.sql("CREATE DATABASE bare")
    with pytest.raises(StoreError, match=r"has no tables of kitproof; whoever .* runs kitproof store --make once"):
        ask_store(bare.store, state_words)
    with connected(bare.store, "keeper") as connection, connection.begin():
        store_making.bring_up(connection)
        store_making.grant(connection, ["bench"])
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreError, match=f"tables of version 9999; this kitproof: {REVISION}; install a newer"):
        ask_store(bare.store, state_words)


def test_no_password_is_told_or_recorded(
    one: StoreOfBench, empty: database.Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    workspace = tmp_path / "one"
    list(stored_runs(workspace, 1, bench=one.name))
    wrong = tmp_path / "wrong"
    wrong.write_text("not-the-pass-word", encoding="utf-8")
    wrong.chmod(0o644)
    told = []
    bench_file(one, workspace, password_file=str(wrong))
    told.append(kitproof("deliver", "--workspace", str(workspace)))
    assert "others may read the password of the store; chmod 600 wrong" in str(told[-1].exception)
    wrong.chmod(0o600)
    told.append(kitproof("deliver", "--workspace", str(workspace)))
    assert "password authentication failed" in str(told[-1].exception)
    # libpq's own way.
    monkeypatch.setenv("PGPASSWORD", database.PASSWORD)
    bench_file(one, workspace, password_file="")
    told.append(kitproof("deliver", "--workspace", str(workspace)))
    assert told[-1].exit_code == 0
    said = "".join(f"{one.output}{one.exception}" for one in told)
    kept = b"".join(path.read_bytes() for path in workspace.rglob("*") if path.is_file())
    stored = empty.sql("SELECT * FROM deliveries, runs")
    for secret in ("not-the-pass-word", database.PASSWORD):
        assert secret not in said + stored
        assert secret.encode() not in kept


def test_tls_is_used_where_it_is_offered(tmp_path: Path, one: StoreOfBench, empty: database.Server) -> None:
    required = one.store.model_copy(update={"tls": "require"})
    with pytest.raises(StoreError, match="server does not support SSL, but SSL was required"):
        ask_store(required, state_words)
    assert "  without TLS" in ask_store(one.store, state_words)[0][0]
    made = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"]
    names = ["-subj", "/CN=store", "-addext", "subjectAltName=IP:127.0.0.1"]
    data = empty.folder / "data"
    files = ["-keyout", str(data / "server.key"), "-out", str(data / "server.crt")]
    subprocess.run([*made, *names, *files], check=True, capture_output=True)
    if os.geteuid() == 0:
        for name in ("server.key", "server.crt"):
            shutil.chown(data / name, database.SERVER_USER, database.SERVER_USER)
    (data / "server.key").chmod(0o600)
    root = tmp_path / "root.crt"
    root.write_bytes((data / "server.crt").read_bytes())
    empty.sql("ALTER SYSTEM SET ssl = on")
    empty.sql("SELECT pg_reload_conf()")
    # Whoever comes next may still meet the former settings.
    for _ in range(1000):
        if empty.sql("SHOW ssl") == "on":
            break
    proved = required.model_copy(update={"tls": "verify-full", "tls_root": str(root)})
    for settings in (one.store, required, proved):
        assert "  with TLS" in ask_store(settings, state_words)[0][0]
    other = tmp_path / "other.crt"
    other.write_text("", encoding="utf-8")
    with pytest.raises(StoreError, match=r"certificate verify failed|could not read root certificate"):
        ask_store(proved.model_copy(update={"tls_root": str(other)}), state_words)
