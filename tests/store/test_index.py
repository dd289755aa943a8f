"""The index: it says what the folders say, however they changed, whatever became of its file, whoever else writes."""

import json
import os
import shutil
import sqlite3
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from stored_records import all_records
from stored_runs import stored_runs

from rig.files.errors import TableError
from rig.store import catching_up, index, records
from rig.store.homes import NAME, UNFINISHED
from rig.store.index_tables import calibrations, findings, readings, reworks, runs, unfinished, units, unreadable
from rig.store.rework_notes import note
from rig.store.run_json import Record
from rig.store.selection import Selection, listed, newest

ARCHIVE = Path(__file__).parents[1] / "archive"
KIT = "shelf-one"
ALL = Selection()


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """The stored archive without its captures."""
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("*.wav", "index.*"))
    return tmp_path


def names(workspace: Path, selection: Selection = ALL, told: list[str] | None = None) -> list[str]:
    """The runs that the index knows, oldest first."""
    tell = (lambda words: None) if told is None else told.append
    found = index.ask(workspace, lambda connection: listed(connection, newest(selection, 0)), tell)
    return [row["run"] for row in reversed(found)]


def in_folders(workspace: Path) -> list[str]:
    """The runs that stand in the folders, oldest first."""
    return [record.run for record in all_records(workspace)[0]]


def rows(workspace: Path, table: sa.Table) -> list[dict[str, Any]]:
    return index.ask(workspace, lambda connection: listed(connection, sa.select(table)))


def test_the_index_says_what_the_records_say(archive: Path) -> None:
    found = {row["run"]: row for row in rows(archive, runs)}
    read = rows(archive, readings)
    for record in all_records(archive)[0]:
        row = found.pop(record.run)
        same = ("serial", "run_number", "plan", "by", "started_at", "finished_at", "outcome", "stopped")
        assert [row[name] for name in same] == [getattr(record, name) for name in same]
        assert row["sound_s"] == record.timing.sound_s
        of_run = [one for one in read if one["run_id"] == row["id"]]
        values = [(r.check, n.quantity, n.subject, n.value) for r in record.results for n in r.readings]
        told = [(one["check"], one["quantity"], one["subject"], one["value"]) for one in of_run]
        assert [one for one in told if one[:3] in {value[:3] for value in values}] == values
        margins = {(r.check, v.quantity, v.subject): v.margin for r in record.results for v in r.verdicts}
        judged = {(one["check"], one["quantity"], one["subject"]): one for one in of_run if one["outcome"]}
        assert judged.keys() == margins.keys()
        for key, margin in margins.items():
            assert judged[key]["margin"] == (None if margin != margin else margin)
    assert found == {}
    kinds = [finding.kind for record in all_records(archive)[0] for finding in record.findings]
    assert sorted(one["kind"] for one in rows(archive, findings)) == sorted(kinds)
    assert rows(archive, calibrations) == []


def copied(run: Path, home: Path, name: str) -> Path:
    """A copy of a run in the folder of another unit, as its own; nobody says so in the hint file."""
    text = (run / "run.json").read_text(encoding="utf-8").replace(run.name, name).replace(run.parent.name, home.name)
    (home / name).mkdir(parents=True)
    (home / name / "run.json").write_text(text, encoding="utf-8")
    return home / name


def test_what_is_copied_in_or_taken_away_is_seen_at_the_next_question(archive: Path) -> None:
    first = next((archive / "results" / KIT / "SO-0001").glob("2*"))
    assert names(archive) == in_folders(archive)
    copied(first, archive / "results" / KIT / "SO-0009", "2026-01-01T000000Z-001-aaaa")
    copied(first, first.parent, "2026-12-01T000000Z-002-bbbb")
    assert len(names(archive)) == 7
    assert names(archive) == in_folders(archive)
    shutil.rmtree(first)
    shutil.rmtree(archive / "results" / KIT / "SO-0003")
    assert len(names(archive)) == 5
    assert names(archive) == in_folders(archive)
    shutil.rmtree(archive / "results" / KIT)
    assert names(archive) == []


def test_a_run_that_is_copied_slowly_is_seen_when_it_is_there(archive: Path) -> None:
    first = next((archive / "results" / KIT / "SO-0001").glob("2*"))
    copy = copied(first, archive / "results" / KIT / "SO-0009", "2026-01-01T000000Z-001-aaaa")
    whole = (copy / "run.json").read_bytes()
    (copy / "run.json").unlink()
    # Long enough ago that nothing more seems to come.
    os.utime(copy.parent, ns=(0, 10**18))
    assert len(names(archive)) == 5
    (copy / "run.json").write_bytes(whole[:100])
    os.utime(copy / "run.json", ns=(0, 10**18))
    assert len(rows(archive, unreadable)) == 1
    (copy / "run.json").write_bytes(whole)
    assert len(names(archive)) == 6
    assert rows(archive, unreadable) == []


def test_notes_of_rework_and_runs_that_have_not_ended_are_known(archive: Path) -> None:
    from rig.design.kit import load_kit

    assert len(rows(archive, reworks)) == 1
    kit = load_kit(archive, KIT)
    note(archive, kit, "SO-0001", "resoldered C3", "Ada")
    assert [row["words"] for row in rows(archive, reworks) if row["serial"] == "SO-0001"] == ["resoldered C3"]
    reserved = records.reserve(archive, kit, "SO-0042")
    assert [row["name"] for row in rows(archive, unfinished)] == [reserved.name]
    assert reserved.name.startswith(UNFINISHED)
    records.give_back(reserved)
    assert rows(archive, unfinished) == []


def test_hinted_runs_cost_no_walk_through_the_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = stored_runs(tmp_path, 40)
    first = [next(made).name for _ in range(20)]
    assert names(tmp_path) == first
    rest = [path.name for path in made]
    monkeypatch.setattr(catching_up, "_units", lambda kit: pytest.fail("a kit was listed"))
    monkeypatch.setattr(catching_up, "LOOKED_AT", 0)
    assert sorted(names(tmp_path)) == sorted(first + rest)
    (tmp_path / "results" / "index.hints").unlink()
    monkeypatch.undo()
    assert names(tmp_path) == in_folders(tmp_path)


def as_junk(path: Path) -> None:
    path.write_bytes(b"no database" * 1000)


def as_cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:30_000])


def as_foreign(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()


def as_lacking(path: Path) -> None:
    with sqlite3.connect(path) as ours:
        ours.execute("DROP TABLE runs")
    ours.close()


@pytest.mark.parametrize("damage", [as_junk, as_cut, as_foreign, as_lacking], ids=lambda damage: damage.__name__)
def test_a_file_that_is_no_index_is_set_aside_and_said_once(archive: Path, damage: Any) -> None:
    path = archive / "results" / index.NAME
    whole = names(archive)
    damage(path)
    told: list[str] = []
    assert names(archive, told=told) == whole
    assert len(told) == 1
    assert "set-aside" in told[0]
    assert names(archive, told=told) == whole
    assert len(told) == 1


def test_an_index_of_another_version_or_none_is_made_without_a_word(archive: Path) -> None:
    path = archive / "results" / index.NAME
    whole, told = names(archive), []
    with sqlite3.connect(path) as ours:
        ours.execute("PRAGMA user_version = 99")
    ours.close()
    assert names(archive, told=told) == whole
    path.unlink()
    assert names(archive, told=told) == whole
    index.rebuild(archive, told.append)
    assert names(archive, told=told) == whole
    assert told == []


def test_where_none_can_be_written_the_folders_are_read(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (archive / "results" / index.NAME).mkdir()
    told: list[str] = []
    assert names(archive, told=told) == in_folders(archive)
    assert len(told) == 1
    assert "read for this command alone" in told[0]


def test_a_locked_index_is_passed_by(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(index, "PATIENCE_S", 0.0)
    whole = names(archive)
    holder = sqlite3.connect(archive / "results" / index.NAME, isolation_level=None)
    first = next((archive / "results" / KIT / "SO-0001").glob("2*"))
    copied(first, archive / "results" / KIT / "SO-0009", "2026-01-01T000000Z-001-aaaa")
    told: list[str] = []
    holder.execute("BEGIN IMMEDIATE")
    assert names(archive, told=told) == whole
    assert "may be missing" in told[0]
    holder.execute("ROLLBACK")
    holder.execute("BEGIN EXCLUSIVE")
    assert names(archive, told=told) == in_folders(archive)
    assert len(told) == 2
    holder.close()
    assert names(archive, told=told) == in_folders(archive)
    assert len(told) == 2


def test_after_a_restart_every_folder_is_looked_at(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # What was written last may be lost: nobody waited for the disk.
    whole = names(archive)
    engine = index._engine(archive / "results" / index.NAME)
    with catching_up.writing(engine) as connection:
        connection.execute(sa.delete(units).where(units.c.serial == "SO-0001"))
        connection.execute(sa.delete(runs).where(runs.c.serial == "SO-0001"))
    engine.dispose()
    assert len(names(archive)) == 4
    monkeypatch.setattr(time, "monotonic", lambda: time.time() - 10**9)
    assert names(archive) == whole


def test_a_workspace_without_results_gets_none(tmp_path: Path) -> None:
    assert names(tmp_path) == []
    assert list(tmp_path.iterdir()) == []


def test_a_catching_up_that_is_cut_off_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = [path.name for path in stored_runs(tmp_path, 30, retests=0)]
    monkeypatch.setattr(catching_up, "AT_ONCE", 10)
    take_in, left = catching_up._take_in, [2]

    def cut_off(*given: Any) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise KeyboardInterrupt
        take_in(*given)

    monkeypatch.setattr(catching_up, "_take_in", cut_off)
    with pytest.raises(KeyboardInterrupt):
        names(tmp_path)
    # Folders made within the last moment are looked at once more, so it may be one part or several.
    left[0] = 10
    assert names(tmp_path) == made


def test_many_units_are_read_by_several_processes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = [path.name for path in stored_runs(tmp_path, 30)]
    monkeypatch.setattr(catching_up, "MANY", 10)
    monkeypatch.setattr(catching_up, "AT_ONCE", 7)
    told: list[str] = []
    assert sorted(names(tmp_path, told=told)) == sorted(made)
    assert len(told) == 1
    assert "reading the records" in told[0]


def asked_again(workspace: Path) -> list[str]:
    """What a process of its own is answered while it and others add runs and throw the index away."""
    seed = os.getpid()
    for path in stored_runs(workspace, 8, seed=seed):
        found = names(workspace)
        assert path.name in found
        assert len(found) == len(set(found))
    index.rebuild(workspace, lambda words: None)
    return names(workspace)


@pytest.mark.parametrize(("room", "name"), [(catching_up, "_read"), (index, "catch_up")])
def test_an_index_that_another_process_empties_meanwhile_misses_nothing(
    archive: Path, monkeypatch: pytest.MonkeyPatch, room: Any, name: str
) -> None:
    first = next((archive / "results" / KIT / "SO-0001").glob("2*"))
    names(archive)
    copied(first, first.parent, "2026-12-01T000000Z-002-bbbb")
    called, times = getattr(room, name), [0]

    def then_emptied(*given: Any) -> Any:
        found = called(*given)
        found = found if isinstance(found, int | None) else list(found)
        times[0] += 1
        if times[0] == 1:
            engine = index._engine(archive / "results" / index.NAME)
            with catching_up.writing(engine) as connection:
                connection.exec_driver_sql("PRAGMA user_version = 0")
            index._prepare(engine)
            engine.dispose()
        return found

    monkeypatch.setattr(room, name, then_emptied)
    assert names(archive) == in_folders(archive)
    assert names(archive) == in_folders(archive)
    assert times[0] >= 2


def test_several_processes_write_and_ask_at_once(tmp_path: Path) -> None:
    with ProcessPoolExecutor(3, get_context("fork")) as pool:
        list(pool.map(asked_again, [tmp_path] * 3))
    assert sorted(names(tmp_path)) == sorted(in_folders(tmp_path))


CHOICES: list[tuple[Selection, Any]] = [
    (Selection(), lambda r: True),
    (Selection(kit=KIT), lambda r: r.kit.name == KIT),
    (Selection(kit="another"), lambda r: False),
    (Selection(serial=("SO-000002",)), lambda r: r.serial == "SO-000002"),
    (
        Selection(serial=("SO-000003..SO-000010", "SO-000001")),
        lambda r: r.serial[3:] in (*map("{:06d}".format, range(3, 11)), "000001"),
    ),
    (Selection(since="2024-01-02"), lambda r: r.started_at[:10] >= "2024-01-02"),
    (Selection(until="2024-01-01"), lambda r: r.started_at[:10] <= "2024-01-01"),
    (Selection(outcome="fail"), lambda r: r.outcome == "fail"),
    (Selection(check="leads"), lambda r: any(one.check == "leads" and one.outcome != "pass" for one in r.results)),
    (Selection(finding="TENTH"), lambda r: bool(r.findings)),
    (Selection(finding="wrong value"), lambda r: bool(r.findings)),
    (Selection(finding="100%"), lambda r: False),
    (
        Selection(bench="bench two", by=("Ada", "jig")),
        lambda r: r.calibrations[0].bench == "bench two" and r.by in ("Ada", "jig"),
    ),
    (Selection(batch="lot 1", outcome="pass"), lambda r: r.batch == "lot 1" and r.outcome == "pass"),
    (Selection(plan="none"), lambda r: r.plan == "none"),
]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Record]]:
    """A store of generated runs, and its records."""
    folder = tmp_path_factory.mktemp("store")
    list(stored_runs(folder, 250, retests=0.2))
    return folder, all_records(folder)[0]


@pytest.mark.parametrize(("selection", "is_meant"), CHOICES, ids=range(len(CHOICES)))
def test_a_filter_lets_through_what_it_says(
    store: tuple[Path, list[Record]], selection: Selection, is_meant: Any
) -> None:
    folder, stored = store
    assert names(folder, selection) == [record.run for record in stored if is_meant(record)]


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"since": "March"}, "--since: found 'March'; allowed: a day"),
        ({"until": "20260301"}, "allowed: a day"),
        ({"outcome": "maybe"}, "allowed: pass, fail, void"),
        ({"serial": ("BT-0100..ST-0199",)}, "allowed: two serials"),
        ({"serial": ("BT-2..BT-1",)}, "allowed: two serials"),
    ],
)
def test_a_filter_that_no_run_can_meet_is_refused(given: Any, told: str) -> None:
    with pytest.raises(TableError, match=told):
        Selection(**given)


def test_the_first_rows_are_the_newest(store: tuple[Path, list[Record]]) -> None:
    folder, stored = store
    found = index.ask(folder, lambda connection: listed(connection, newest(Selection(), 7)))
    assert [row["run"] for row in reversed(found)] == [record.run for record in stored[-7:]]


def test_units_are_looked_up_and_not_searched_for(store: tuple[Path, list[Record]]) -> None:
    folder, _ = store
    part = [("shelf-one", "SO-000001"), ("shelf-one", "SO-000002"), ("another", "SO-000001")]

    def plan(connection: sa.Connection, statement: sa.Select[Any] | sa.Delete) -> str:
        words = statement.compile(connection, compile_kwargs={"literal_binds": True})
        return str(connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {words}").all())

    for table in (units, runs, reworks, unreadable, unfinished):
        for statement in (sa.select(table), sa.delete(table)):
            asked = statement.where(catching_up._are(table, part))
            assert "SCAN" not in index.ask(folder, lambda connection, asked=asked: plan(connection, asked)), table.name


def test_no_filter_reads_every_row_of_a_large_table(store: tuple[Path, list[Record]]) -> None:
    folder, _ = store

    def plan(connection: sa.Connection, selection: Selection) -> str:
        words = newest(selection, 50).compile(connection, compile_kwargs={"literal_binds": True})
        return str(connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {words}").all())

    for selection, _ in CHOICES:
        told = index.ask(folder, lambda connection, asked=selection: plan(connection, asked))
        assert "SCAN readings" not in told
        assert "SCAN checks" not in told


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("run_number", 10**30),
        ("run_number", True),
        ("runs_untouched", "3"),
        ("started_at", "soon"),
        ("finished_at", "2020-01-01T00:00:00"),
        ("by", "\ud800"),
        ("wrong_number", float("nan")),
    ],
)
def test_what_is_no_record_to_its_reader_is_none_to_the_index(archive: Path, key: str, value: Any) -> None:
    path = next(archive.glob("results/*/*/2*/run.json"))
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), key: value}), "utf-8")
    names(archive)
    assert [row["run"] for row in rows(archive, unreadable)] == [path.parent.name]
    assert path.parent.name not in names(archive)


def test_a_hint_that_is_none_is_passed_over(archive: Path) -> None:
    whole = names(archive)
    with (archive / "results" / NAME).open("ab") as file:
        file.write(b"shelf-one/\0\nshelf-one/x\t" + b"9" * 5000 + b" 1\n")
    assert names(archive) == whole
