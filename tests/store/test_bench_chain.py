"""The chain of a bench: each file names the one before it, whatever is cut off, and the folders stay the truth."""

import hashlib
import json
import os
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hostile.harm import as_owner
from notes_of_units import KEPT, noted
from stored_runs import stored_runs
from typer.testing import CliRunner

from rig import cli
from rig.design.kit import load_kit
from rig.files.errors import RecordError
from rig.files.locks import locked
from rig.page.reading import listed, unit_page
from rig.store import bench_chain
from rig.store.archived import archived, note_path
from rig.store.bench_chain import FOLDER, chain_problems, closed_entries, next_link, order_of, orders, read_order, slug
from rig.store.delivery import waiting
from rig.store.homes import run_names, run_number
from rig.store.packing import bring_back, pack_away
from rig.store.records import newest_first, read_record
from rig.store.rework_notes import about_next, reworks
from rig.store.selection import Selection
from rig.study.batch import batch
from rig.study.rejudged import Asked, StoredRun, rejudged

ARCHIVE = Path(__file__).parents[1] / "archive"
BENCH = "Bench by the Wïndow, 2"


def chain(results: Path) -> list[str]:
    [order] = orders(results)
    return [entry.path for entry in read_order(order)]


@pytest.mark.parametrize(
    ("bench", "in_names"),
    [
        (BENCH, "bench-by-the-window-2"),
        ("simulated, seed 0", "simulated-seed-0"),
        ("作業台", "bench"),
        ("x" * 90, "x" * 24),
    ],
)
def test_a_name_of_a_bench_becomes_a_part_of_a_file_s(bench: str, in_names: str) -> None:
    assert slug(bench) == in_names


def test_names_of_runs_with_and_without_their_bench_are_told_by_number(tmp_path: Path) -> None:
    names = ["2026-03-01T100000Z-002-bench-by-the-window-2-ab12", "2026-03-02T100000Z-001-ab12"]
    for name in names:
        (tmp_path / name).mkdir()
        (tmp_path / name / "run.json").touch()
    assert [run_number(name) for name in names] == [2, 1]
    assert run_names(tmp_path) == names[::-1]


def test_each_file_that_a_bench_closes_names_the_one_before_it(tmp_path: Path) -> None:
    first, second = stored_runs(tmp_path, 2, bench=BENCH, retests=0, files=True)
    note = noted(tmp_path, first.parent.name, BENCH)
    assert note.name == "rework-001-bench-by-the-window-2.json"
    record = read_record(second)
    pack_away(record, KEPT, tmp_path / "packs", BENCH)

    [order] = orders(tmp_path / "results")
    entries = read_order(order)
    files = [first / "run.json", second / "run.json", note, note_path(second)]
    assert [tmp_path / "results" / entry.path for entry in entries] == files
    before = {"path": "", "sha256": ""}
    for number, (entry, path) in enumerate(zip(entries, files, strict=True), 1):
        link = json.loads(path.read_bytes())["link"]
        assert link == {"chain": order.stem, "number": number, "before": before["path"], "sha256": before["sha256"]}
        assert entry.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        before = {"path": entry.path, "sha256": entry.sha256}
    # What reads them reads them as before.
    assert [one.words for one in reworks(first.parent)[0]] == ["glued"]
    assert (record.bench_name, record.link.number) == (BENCH, 2)
    assert archived(record).rule == "kept"


def changed_store(folder: Path) -> tuple[Path, Path]:
    """A workspace with records of some units, of which one was changed; and which."""
    shutil.copytree(ARCHIVE / "limits", folder / "limits")
    # Serials of six digits, which the generator makes.
    kit = folder / "limits" / "shelf-one" / "kit.toml"
    kit.write_text(kit.read_text(encoding="utf-8").replace("d{4}", "d{6}").replace("SO-0001", "SO-000001"), "utf-8")
    runs = list(stored_runs(folder, 6, bench=BENCH, retests=0.4, files=True, seed=4))
    bad = next(run for run in runs if "-001-" in run.name and len(run_names(run.parent)) == 1)
    said = (bad / "run.json").read_text(encoding="utf-8")
    (bad / "run.json").write_text(said.replace('"outcome": "pass"', '"outcome":  "pass"'), encoding="utf-8")
    return folder, bad


def test_a_record_that_its_chain_does_not_know_so_is_told_by_all_that_read_records(tmp_path: Path) -> None:
    workspace, bad = changed_store(tmp_path)
    serial, kit = bad.parent.name, bad.parent.parent.name
    asked = [f"{words} {serial}" for words in ("show", "explain", "rejudge", "reference shelf-one", "learn shelf-one")]
    asked += ["results --json", "pairs shelf-one", f"export {tmp_path / 'tables'}", "capability shelf-one"]
    asked += ["index --prove", f"check-paper {serial} 0123456789abcdef", f"rework {serial} glued"]
    believed = []
    for words in asked:
        done = CliRunner().invoke(cli.app, [*words.split(), "--workspace", str(workspace)])
        said = " ".join(f"{done.output} {done.exception}".split())
        if f"{bad.name}/run.json was changed after the run: .outbox/" not in said:
            believed.append(f"{words}: {said}")
    assert believed == []
    with pytest.raises(RecordError, match="was changed after the run"):
        unit_page(workspace, kit, serial, "")
    [problem] = listed(workspace, {}, [kit]).problems
    assert "was changed after the run" in problem
    [one] = rejudged(Asked(workspace, load_kit(workspace, kit)), [StoredRun(serial, bad.name, "pass")])
    assert "was changed after the run" in one.problem


def test_no_older_run_stands_for_one_that_was_changed(tmp_path: Path) -> None:
    home = next(home for home in {r.parent for r in stored_runs(tmp_path, 6, bench=BENCH, retests=1.0)})
    first, second = (home / name for name in run_names(home))
    (second / "run.json").write_bytes((second / "run.json").read_bytes() + b"\n")
    with pytest.raises(RecordError, match=r"was changed after the run: .*; no older run of .* is taken for it"):
        next(newest_first(tmp_path, home.name))
    told: list[str] = []
    found = batch(tmp_path, Selection(kit=home.parent.name), told.append)
    assert len(found.units) == 2
    assert home.name not in set(found.units["serial"])
    assert f"{home.name} is left out: it has a run that cannot be read" in told
    unit = unit_page(tmp_path, home.parent.name, home.name, "")
    assert any(f"{second.name}/run.json was changed" in words for words in unit.problems)
    # The next run of the unit says so too, and follows the one that is what it was.
    about = about_next(home)
    assert (about.before.run, [second.name in words for words in about.set_aside]) == (first.name, [True])


def test_a_note_that_its_chain_does_not_know_so_is_left_out_and_told(tmp_path: Path) -> None:
    [run] = stored_runs(tmp_path, 1, bench=BENCH)
    note = noted(tmp_path, run.parent.name, BENCH)
    assert [one.words for one in reworks(run.parent)[0]] == ["glued"]
    note.write_bytes(note.read_bytes().replace(b"glued", b"burnt"))
    notes, [problem] = reworks(run.parent)
    assert notes == []
    assert f"{note} was changed after the run: .outbox/" in problem


def test_a_note_of_captures_is_what_one_of_its_benches_wrote(tmp_path: Path) -> None:
    [run] = stored_runs(tmp_path, 1, bench=BENCH, files=True)
    record = read_record(run)
    pack_away(record, KEPT, tmp_path / "packs", BENCH)
    first = note_path(run).read_bytes()
    # Another bench takes them out once more.
    bring_back(record)
    note_path(run).unlink()
    pack_away(record, KEPT, tmp_path / "packs", "another")
    assert archived(record).rule == "kept"
    note_path(run).write_bytes(first)
    assert archived(record).rule == "kept"
    note_path(run).write_bytes(first.replace(b"kept", b"thinned"))
    with pytest.raises(RecordError, match=r"was changed after the run: \.outbox/"):
        archived(record)


def test_a_copy_of_the_store_is_proved_by_itself(tmp_path: Path) -> None:
    first, second, third = stored_runs(tmp_path / "here", 3, bench=BENCH, retests=0, files=True)
    shutil.copytree(tmp_path / "here", tmp_path / "copy")

    def proved() -> tuple[int, str]:
        done = CliRunner().invoke(cli.app, ["index", "--prove", "--workspace", str(tmp_path / "copy")])
        return done.exit_code, done.output.replace(str(tmp_path / "copy" / "results"), "")

    status, said = proved()
    assert (status, said.splitlines()[-1]) == (0, "3 records held against their SHA-256: nothing wrong")
    of_copy = [tmp_path / "copy" / path.relative_to(tmp_path / "here") for path in (first, second, third)]
    shutil.rmtree(of_copy[0])
    capture = min((of_copy[1] / "captures").iterdir())
    capture.write_bytes(capture.read_bytes()[:-1])
    (of_copy[2] / "run.json").write_text("{", encoding="utf-8")
    status, said = proved()
    assert status == 2
    assert f"{first.name}/run.json: is missing; " in said
    assert f"{second.name}: captures/{capture.name} was changed after the run" in said
    assert f"{third.name}/run.json was changed after the run" in said
    # Where the order file is lost, what follows a record still tells of it; of the last one nothing does.
    [order] = orders(tmp_path / "here" / "results")
    order.unlink()
    shutil.rmtree(tmp_path / "copy")
    shutil.copytree(tmp_path / "here", tmp_path / "copy")
    status, said = proved()
    unknown = "of 1 of them nothing tells whether their run.json itself was changed: no chain names it"
    assert (status, said.splitlines()[-1]) == (0, unknown)
    path = of_copy[1] / "run.json"
    path.write_bytes(path.read_bytes() + b"\n")
    status, said = proved()
    assert status == 2
    assert f"{second.name}/run.json was changed after the run" in said


@pytest.mark.parametrize("is_order_first", [True, False])
def test_a_copy_that_lacks_a_run_which_ended_meanwhile_says_so(tmp_path: Path, is_order_first: bool) -> None:
    """Whichever is copied first, the units or what names them: the copy is whole, or says which run it has not."""
    here, copy = tmp_path / "here", tmp_path / "copy"
    made = stored_runs(here, 3, bench=BENCH, retests=0)
    next(made)
    parts = [here / "results" / FOLDER, here / "results" / "shelf-one"]
    ended = []
    for part in parts if is_order_first else parts[::-1]:
        shutil.copytree(part, copy / "results" / part.name)
        ended.append(next(made))
    told = [] if is_order_first else [f"{ended[0].name}/run.json: is missing; "]
    problems = chain_problems(copy / "results")
    assert [words in problem for words, problem in zip(told, problems, strict=True)] == [True] * len(told)
    shutil.rmtree(copy)
    assert chain_problems(shutil.copytree(here, copy) / "results") == []


def test_a_note_that_was_changed_is_named_where_a_store_is_proved(tmp_path: Path) -> None:
    [run] = stored_runs(tmp_path, 1, bench=BENCH)
    note = noted(tmp_path, run.parent.name, BENCH)
    assert chain_problems(tmp_path / "results") == []
    note.write_bytes(note.read_bytes() + b"\n")
    [problem] = chain_problems(tmp_path / "results")
    assert f"{note} was changed after the run" in problem


def test_what_was_not_put_in_its_place_is_no_link(tmp_path: Path) -> None:
    results = tmp_path / "results"

    def fail() -> None:
        with next_link(results, BENCH) as (_, put_down):
            put_down("kit/serial/run/run.json", b"{}")
            raise OSError("full")

    with pytest.raises(OSError, match="full"):
        fail()
    assert chain(results) == []
    with next_link(results, BENCH) as (link, put_down):
        put_down("kit/serial/run/run.json", b"{}")
    assert (link.number, link.before) == (1, "")
    assert chain(results) == ["kit/serial/run/run.json"]


def test_a_line_is_delivered_once_its_file_is_in_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever reads it before would find no file there, and tell the store that it was lost."""
    order, asks, found = order_of(tmp_path, BENCH), threading.Event(), []
    beside = threading.Thread(target=lambda: found.append(closed_entries(order)))

    def watched(path: Path, *, waits_s: float) -> Any:
        asks.set()
        return locked(path, waits_s=waits_s)

    def fail() -> None:
        with next_link(tmp_path, BENCH) as (_, put_down):
            monkeypatch.setattr(bench_chain, "locked", watched)
            put_down("kit/serial/run/run.json", b"{}")
            beside.start()
            assert asks.wait(10)
            raise OSError("full")

    with pytest.raises(OSError, match="full"):
        fail()
    beside.join()
    assert found == [[]]


def test_what_a_power_cut_left_of_a_line_is_cut_off(tmp_path: Path) -> None:
    [run] = stored_runs(tmp_path, 1, bench=BENCH)
    [order] = orders(tmp_path / "results")
    with order.open("ab") as file:
        file.write(b"2\t2026-03-01T10")
    with next_link(tmp_path / "results", BENCH) as (link, put_down):
        put_down("kit/serial/run/run.json", b"{}")
    assert (link.number, link.before) == (2, run.relative_to(tmp_path / "results").as_posix() + "/run.json")
    assert len(chain(tmp_path / "results")) == 2


@pytest.mark.parametrize("is_there", [False, True])
def test_a_line_counts_by_whether_its_file_is_there_when_all_ended_between_the_two(
    tmp_path: Path, is_there: bool
) -> None:
    list(stored_runs(tmp_path, 1, bench=BENCH))
    results = tmp_path / "results"
    [order] = orders(results)
    with next_link(results, BENCH) as (_, put_down):
        put_down("kit/serial/one.json", b"{}")
        killed = order.read_bytes()
    order.write_bytes(killed)
    if is_there:
        (results / "kit" / "serial").mkdir(parents=True)
        (results / "kit" / "serial" / "one.json").write_bytes(b"{}")
    assert not any("one.json" in words for words in chain_problems(results))
    with next_link(results, BENCH) as (link, put_down):
        put_down("kit/serial/two.json", b"{}")
    assert link.number == 2 + is_there
    assert ("kit/serial/one.json" in chain(results)) == is_there


def test_a_damaged_order_file_hinders_no_run_and_is_named_where_it_is_read(tmp_path: Path) -> None:
    list(stored_runs(tmp_path, 2, bench=BENCH))
    [order] = orders(tmp_path / "results")
    order.write_bytes(order.read_bytes().replace(b"\n1\t", b"\n7\t"))
    with pytest.raises(RecordError, match=r"\.order: line 1: found .*moved away, it is made anew"):
        read_order(order)
    assert "line 1" in waiting(tmp_path / "results").trouble
    order.write_bytes(b"kitproof order 1\t" + BENCH.encode() + b"\nnonsense\n")
    with next_link(tmp_path / "results", BENCH) as (link, put_down):
        put_down("kit/serial/run/run.json", b"{}")
    assert link.number == 1
    assert link.chain != order.stem
    assert order.with_name(order.name + ".set-aside").exists()


def test_runs_that_end_at_once_stand_behind_each_other(tmp_path: Path) -> None:
    results = tmp_path / "results"

    def close_some(name: str) -> None:
        for number in range(20):
            with next_link(results, BENCH) as (_, put_down):
                put_down(f"kit/{name}/{number}/run.json", b"{}")

    threads = [threading.Thread(target=close_some, args=(name,)) for name in "abc"]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    found = chain(results)
    assert len(found) == 60
    assert [path for path in found if path.startswith("kit/a/")] == [f"kit/a/{n}/run.json" for n in range(20)]


def test_two_benches_of_one_folder_have_a_chain_each(tmp_path: Path) -> None:
    list(stored_runs(tmp_path, 2, bench="one"))
    list(stored_runs(tmp_path, 3, bench="two", seed=2))
    results = tmp_path / "results"
    assert len(read_order(order_of(results, "one"))) == 2
    assert len(read_order(order_of(results, "two"))) == 3
    assert waiting(results).words.startswith("5 runs wait for the store since ")


def test_an_order_file_that_nothing_can_be_added_to_holds_no_run_up_and_stays(tmp_path: Path) -> None:
    known = order_of(tmp_path, BENCH)
    known.chmod(0o400)
    with as_owner(), next_link(tmp_path, BENCH) as (link, put_down):
        put_down("kit/A-1/run/run.json", b"{}")
    assert link
    assert link.chain != known.stem
    assert len(orders(tmp_path)) == 2


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo])
def test_an_order_file_that_cannot_be_read_holds_no_run_up_and_is_named(
    tmp_path: Path, make: Callable[[Path], object]
) -> None:
    (tmp_path / bench_chain.FOLDER).mkdir()
    make(tmp_path / bench_chain.FOLDER / "bench-0000.order")
    with next_link(tmp_path, BENCH) as (link, put_down):
        put_down("kit/A-1/run/run.json", b"{}")
    assert link
    assert link.number == 1
    assert any("bench-0000.order" in words for words in chain_problems(tmp_path))
