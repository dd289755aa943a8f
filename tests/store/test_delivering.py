"""What is delivered without a database: the place for files, the process beside a run, what is said of what waits."""

import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from notes_of_units import ARCHIVE
from stored_runs import stored_runs
from typer.testing import CliRunner

from rig import cli
from rig.bench.settings import bench_settings
from rig.bench.store_settings import StoreOfBench, StoreSettings
from rig.commands import verify as verifying
from rig.files.locks import locked
from rig.store import bench_chain, sending
from rig.store.bench_chain import FOLDER, orders
from rig.store.delivery import State, deliver, waiting
from rig.store.records import read_record
from rig.store.run_json import About, Rework, RunBefore
from rig.store.shared_files import SharedFiles
from rig.store.shared_store import StoreError
from rig.store.unit_history import History, RunThere, with_others

URL = "postgresql+psycopg://bench@127.0.0.1:1/kitproof"


def files_of(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_record_at_the_place_for_files_is_whole_or_not_there(tmp_path: Path) -> None:
    pytest.importorskip("fsspec")
    [run] = stored_runs(tmp_path, 1, bench="one", files=True)
    results, path = tmp_path / "results", f"shelf-one/{run.parent.name}/{run.name}/run.json"
    content = (run / "run.json").read_bytes()
    there = tmp_path / "there"
    place = SharedFiles(str(there))
    place.put(results, path, content)
    named = {*json.loads(content)["files"], "run.json"}
    whole = {
        f"shelf-one/{run.parent.name}/{run.name}/{name}": data for name, data in files_of(run).items() if name in named
    }
    assert files_of(there) == whole
    # Cut off before its last file came: begun again; half of one that came is written over.
    (there / path).unlink()
    half = there / min(set(whole) - {path})
    half.write_bytes(half.read_bytes()[:10])
    place.put(results, path, content)
    assert files_of(there) == whole
    with pytest.raises(StoreError, match="another record stands there under its name"):
        place.put(results, path, content + b" ")
    # What was changed at the bench is not passed off as the record's.
    other = SharedFiles(str(tmp_path / "other"))
    changed = min(set(named) - {"run.json"})
    (run / changed).unlink()
    (run / changed).write_bytes(b"changed")
    other.put(results, path, content)
    assert not (tmp_path / "other" / Path(path).parent / changed).exists()


@pytest.mark.parametrize("failing", [("mv",), ("mv", "rm_file")], ids=" ".join)
def test_a_file_that_a_failing_disk_did_not_put_in_its_place_does_not_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: tuple[str, ...]
) -> None:
    pytest.importorskip("fsspec")
    place, there = SharedFiles(str(tmp_path / "there")), tmp_path / "there"
    with monkeypatch.context() as patch:
        for name in failing:
            patch.setattr(place._system, name, lambda *_: (tmp_path / "not" / "there").unlink())
        with pytest.raises(StoreError, match=r"x\.json: No such file"):
            place.put(tmp_path, "x.json", b"{}")
    assert len(files_of(there)) == len(failing) - 1
    place.put(tmp_path, "x.json", b"{}")
    assert files_of(there) == {"x.json": b"{}"}


def test_a_place_for_files_that_is_none_says_why(tmp_path: Path) -> None:
    pytest.importorskip("fsspec")
    with pytest.raises(StoreError, match=r"the place for files nowhere://x: .*nowhere"):
        SharedFiles("nowhere://x")
    (tmp_path / "a-file").touch()
    place = SharedFiles(str(tmp_path / "a-file" / "within"))
    with pytest.raises(StoreError, match=r"the place for files .*/a-file/within: x\.json: Not a directory"):
        place.put(tmp_path, "x.json", b"{}")


def test_who_holds_the_order_file_is_not_taken_for_another_delivery(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench_chain, "WAITS_S", 0.05)
    (tmp_path / FOLDER).mkdir()
    known = StoreOfBench(name="one", store=StoreSettings(url=URL, files=str(tmp_path / "there")))
    with locked(tmp_path / FOLDER / "lock"), pytest.raises(StoreError, match=r"lock: another process has it") as told:
        deliver(tmp_path, known)
    assert "delivery" not in str(told.value)
    with locked(tmp_path / FOLDER / "delivering"), pytest.raises(StoreError, match="another delivery is under way"):
        deliver(tmp_path, known)


def test_what_is_missing_is_named_with_how_to_install_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    list(stored_runs(tmp_path, 1, bench="one"))
    known = StoreOfBench(name="one", store=StoreSettings(url=URL))
    for name in ("psycopg", "fsspec"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(StoreError, match=r"psycopg is missing, which the store needs; pip install 'kitproof\[store\]'"):
        deliver(tmp_path / "results", known)
    with pytest.raises(StoreError, match="fsspec is missing, which the store needs"):
        SharedFiles(str(tmp_path))


def test_how_far_behind_the_store_is(tmp_path: Path) -> None:
    results = tmp_path / "results"
    assert waiting(results).words == ""
    list(stored_runs(tmp_path, 3, bench="one"))
    [order] = orders(results)
    lines = order.read_text(encoding="utf-8").splitlines()
    order.write_text(
        "\n".join([lines[0], *(line.replace(line.split("\t")[1], "2026-03-01T10:14:00+00:00") for line in lines[1:])])
        + "\n"
    )
    assert waiting(results).words.startswith("3 runs wait for the store since 2026-03-01 ")
    order.with_suffix(".state").write_text(json.dumps({"delivered": 2, "entered": True, "trouble": "no way"}))
    assert waiting(results).words.startswith("1 run waits for the store since 2026-03-01 ")
    assert waiting(results).trouble == "no way"
    order.with_suffix(".state").write_text("nonsense")
    assert waiting(results).words.startswith("3 runs wait")
    assert State() == State(0, False, "")


def test_a_run_is_delivered_beside_the_command_that_made_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    list(stored_runs(tmp_path, 2, bench="one"))
    begun: list[tuple[list[str], dict[str, object]]] = []

    class Process:
        def __init__(self, command: list[str], **how: object) -> None:
            begun.append((command, how))

        def wait(self) -> int:
            return 0

    monkeypatch.setattr(subprocess, "Popen", Process)
    # Nothing is said where nothing has gone wrong yet.
    assert sending.send_off(tmp_path) == ""
    [order] = orders(tmp_path / "results")
    order.with_suffix(".state").write_text(json.dumps({"delivered": 0, "entered": True, "trouble": "no way"}))
    assert sending.send_off(tmp_path, tmp_path / "bench.toml").endswith(": no way")
    command, how = begun[1]
    assert command[1:4] == ["-m", "rig", "deliver"]
    assert command[-2:] == ["--bench", str(tmp_path / "bench.toml")]
    assert how["start_new_session"]
    assert {how[name] for name in ("stdin", "stdout", "stderr")} == {subprocess.DEVNULL}

    def fail(*of: object, **how: object) -> None:
        raise OSError("no room")

    monkeypatch.setattr(subprocess, "Popen", fail)
    assert sending.send_off(tmp_path) == "delivering could not be begun: OSError: no room"


def test_a_run_counts_what_other_benches_did_before(tmp_path: Path) -> None:
    def there(hour: int, bench: str = "two") -> RunThere:
        at = f"2026-03-01T{hour:02d}0000Z"
        return RunThere(
            f"k/s/{at}-001-{bench}-ab12", f"{at}-001-{bench}-ab12", bench, "fail", at, "polarity", ("p box",)
        )

    (tmp_path / "2026-03-01T100000Z-001-one-ab12").mkdir()
    (tmp_path / "2026-03-01T100000Z-001-one-ab12" / "run.json").touch()
    here = RunBefore("2026-03-01T100000Z-001-one-ab12", "pass", ())
    about = About(started_at="2026-03-02T10:00:00+00:00", runs_untouched=2, before=here)
    # Nothing elsewhere, what is here is as it was.
    assert with_others(about, tmp_path, History((there(10, "one"),), ())) == about
    newer = with_others(about, tmp_path, History((there(9), there(11)), ()))
    assert (newer.runs_untouched, newer.before.bench, newer.before.failed) == (4, "two", ("p box",))
    older = with_others(about, tmp_path, History((there(9),), ()))
    assert (older.runs_untouched, older.before) == (3, here)
    # A note in another zone, by the same clock behind 10 and before 11.
    note = Rework("2026-03-01T12:30:00+02:00", "glued", "", "")
    noted = with_others(about, tmp_path, History((there(9),), (note,)))
    assert (noted.runs_untouched, noted.rework) == (1, (note,))
    noted = with_others(about, tmp_path, History((there(9), there(11)), (note,)))
    assert (noted.runs_untouched, noted.rework) == (2, ())


@pytest.mark.parametrize(("outcome", "status"), [("pass", 0), ("fail", 1)])
def test_verify_ends_as_its_run_does_whatever_becomes_of_delivering(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, outcome: str, status: int
) -> None:
    shutil.copytree(ARCHIVE / "limits", tmp_path / "limits")
    text = f'kind = "simulated"\nname = "one"\n[store]\nurl = "{URL}"\n'
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    [run] = stored_runs(tmp_path, 1, bench="one")
    record, settings = read_record(run), bench_settings(tmp_path)
    measured = SimpleNamespace(outcome=outcome, bench_failed=False)
    monkeypatch.setattr(verifying, "open_for", lambda *of: (None, settings))
    monkeypatch.setattr(verifying, "walked", lambda *of, **named: (measured, record))
    for name in ("_prepared", "show_run", "certified"):
        monkeypatch.setattr(verifying, name, lambda *of: None)
    begun: list[object] = []

    def fail(*of: object, **how: object) -> None:
        begun.append(of)
        raise OSError("no room")

    monkeypatch.setattr(subprocess, "Popen", fail)
    told = CliRunner().invoke(cli.app, ["verify", "shelf-one", "SO-0001", "--workspace", str(tmp_path)])
    assert (told.exit_code, len(begun)) == (status, 1)
    assert "delivering could not be begun: OSError: no room" in told.stderr


def test_a_disk_that_may_not_be_written_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.toml").write_text(
        f'kind = "simulated"\nname = "one"\n[store]\nurl = "{URL}"\n', encoding="utf-8"
    )
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / ".outbox").touch()
    monkeypatch.setattr(sys, "argv", ["kitproof", "deliver", "--workspace", str(tmp_path)])
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert (left.value.code, capsys.readouterr().err) == (3, f"{tmp_path / 'results' / '.outbox'}: File exists\n")
