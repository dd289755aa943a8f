"""No command answers for one unit with the record of another, whatever is typed, dated or damaged."""

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from simulated_runs import ROOT
from stored_records import all_records
from typer.testing import CliRunner

from rig import cli
from rig.bench.settings import bench_settings
from rig.design.kit import load_kit
from rig.files.errors import BenchSetupError, RecordError
from rig.run import journal
from rig.run.verify import clock_words
from rig.store.records import (
    UNFINISHED,
    damages,
    newest_first,
    read_record,
    refuse_bad_serial,
    unchanged,
    unit_records,
)
from rig.store.run_json import RunBefore

KIT, SERIAL = "shelf-one", "SO-0002"


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """The stored archive without its captures; SO-0002 has two runs."""
    shutil.copytree(
        Path(__file__).parents[1] / "archive", tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("*.wav")
    )
    return tmp_path


def run_folders(archive: Path, serial: str = SERIAL) -> list[Path]:
    return sorted(path for path in (archive / "results" / KIT / serial).iterdir() if path.is_dir())


def changed(folder: Path, **changes: Any) -> None:
    path = folder / "run.json"
    path.write_text(json.dumps({**json.loads(path.read_text(encoding="utf-8")), **changes}), encoding="utf-8")


NO_SERIALS = ("", "*", "SO-000[12]", "./SO-0002", "SO-0001/../SO-0002", "SO-0002/", "SO-0002 ", "so-0002", "SO-????")


@pytest.mark.parametrize(
    "command",
    [
        ["show"],
        ["rejudge"],
        ["explain"],
        ["reference", KIT],
        ["learn", KIT],
        ["results", "--serial"],
        ["capability", KIT, "--serial"],
    ],
    ids=lambda command: command[0],
)
def test_what_is_no_serial_finds_no_record(archive: Path, command: list[str]) -> None:
    for serial in NO_SERIALS:
        done = CliRunner().invoke(cli.app, [*command, serial, "--workspace", str(archive)])
        if command[0] == "results" and done.exit_code == 0:
            assert "SO-0" not in done.output, serial
        else:
            assert isinstance(done.exception, RecordError), (serial, done.output)
            assert repr(serial) in str(done.exception)


@pytest.mark.parametrize("serial", ["", "BT-٠٠٠١", "BT-0001\n", "BT-00011", "../BT-0001", "."])
def test_a_serial_that_is_none_of_the_kit_is_refused(serial: str) -> None:
    with pytest.raises(RecordError, match="is not one of kit 'booth-two'"):
        refuse_bad_serial(load_kit(ROOT, "booth-two"), serial)


def test_the_number_of_a_run_decides_which_is_the_newest(archive: Path) -> None:
    second = run_folders(archive)[1]
    back = second.with_name("2001-01-01T000000Z-002-0d55")
    second.rename(back)
    changed(back, run=back.name, started_at="2001-01-01T00:00:00+00:00", finished_at="2001-01-01T00:01:00+00:00")
    for found in (unit_records(archive, SERIAL), all_records(archive, KIT, [SERIAL])[0]):
        assert [record.run_number for record in found] == [1, 2]
    assert [r.run_number for r in all_records(archive)[0] if r.serial == SERIAL] == [1, 2]
    shown = CliRunner().invoke(cli.app, ["show", SERIAL, "--json", "--workspace", str(archive)])
    assert json.loads(shown.output)["run_number"] == 2


def test_a_serial_of_two_kits_is_asked_for(archive: Path) -> None:
    other = archive / "results" / "another" / SERIAL
    shutil.copytree(run_folders(archive)[0], other / run_folders(archive)[0].name)
    path = next(other.glob("*/run.json"))
    changed(path.parent, kit={**json.loads(path.read_text(encoding="utf-8"))["kit"], "name": "another"})
    with pytest.raises(RecordError, match="there in another, shelf-one; name one with --kit"):
        unit_records(archive, SERIAL)
    assert len(unit_records(archive, SERIAL, "another")) == 1


def test_a_record_in_another_units_folder_is_named_and_left_out(archive: Path) -> None:
    copied = run_folders(archive, "SO-0001")[0]
    shutil.copytree(copied, archive / "results" / KIT / SERIAL / copied.name)
    found, told = all_records(archive, KIT, [SERIAL])
    assert {record.serial for record in found} == {SERIAL}
    assert len(told) == 1
    assert f"the record of shelf-one SO-0001 {copied.name} stands in another's folder" in told[0]


def as_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def as_link(path: Path) -> None:
    path.unlink()
    path.symlink_to("/dev/zero")


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (as_pipe, "not a plain file"),
        (as_link, "not a plain file"),
        (lambda path: path.write_text("[" * 100_000, encoding="utf-8"), "nested too deep"),
        (lambda path: path.write_text("9" * 5000, encoding="utf-8"), "not valid JSON"),
        (
            lambda path: path.write_text('{"schema": "kitproof run 1"}', encoding="utf-8"),
            "started_at: missing",
        ),
        (lambda path: changed(path.parent, run_number="two"), "run_number: found 'two'; allowed: a whole number"),
        (lambda path: changed(path.parent, results=[{"check": 1}]), r"results\.\[1\]\.check: found 1; allowed: text"),
        (
            lambda path: changed(path.parent, finished_at="yesterday"),
            "finished_at: found 'yesterday'; allowed: a time",
        ),
        (lambda path: changed(path.parent, files=["a"]), "files: found .* allowed: a table"),
    ],
    ids=["pipe", "link", "deep", "digits", "empty", "number", "results", "time", "files"],
)
def test_a_damaged_record_is_named_and_the_others_are_read(
    archive: Path, damage: Callable[[Path], None], told: str
) -> None:
    first, second = run_folders(archive)
    damage(second / "run.json")
    with pytest.raises(RecordError, match=told):
        read_record(second)
    found, words = all_records(archive, KIT, [SERIAL])
    assert [record.folder for record in found] == [first]
    assert len(words) == 1
    for command in (["results"], ["show"], ["label"], ["certificate"], ["rejudge"], ["reference", KIT], ["learn", KIT]):
        words = command if command == ["results"] else [*command, SERIAL]
        done = CliRunner().invoke(cli.app, [*words, "--workspace", str(archive)])
        assert (done.exit_code == 0) == (command == ["results"]), command
        assert command == ["results"] or str(second / "run.json") in str(done.exception), command


def test_a_run_that_has_lost_its_record_is_no_reason_to_take_an_older_one(archive: Path) -> None:
    first, second = run_folders(archive)
    (second / "run.json").unlink()
    with pytest.raises(
        RecordError, match=f"{second.name}: no run.json there.*no older run of {SERIAL} is taken for it"
    ):
        next(newest_first(archive, SERIAL))
    assert [record.folder for record in newest_first(archive, SERIAL, number=1)] == [first]


def test_a_file_that_may_not_be_read_is_told_as_damage(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = read_record(run_folders(archive)[0])
    name, *_ = record.files

    def opened(path: Any, *rest: Any) -> int:
        if Path(path) == record.folder / name:
            raise PermissionError(13, "Permission denied", str(path))
        return os_open(path, *rest)

    os_open = os.open
    monkeypatch.setattr(os, "open", opened)
    assert f"{name} cannot be read: Permission denied" in damages(record)
    with pytest.raises(RecordError, match="cannot be read: Permission denied"):
        unchanged(record, name)


def test_what_stands_in_the_place_of_a_bench_file_never_means_the_simulated_bench(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").symlink_to("nowhere")
    with pytest.raises(BenchSetupError, match="there is no such file"):
        bench_settings(tmp_path, None)


def test_links_and_pipes_within_a_record_are_told_as_damage(archive: Path) -> None:
    folder = run_folders(archive)[0]
    for damage, path in zip((as_pipe, as_link), sorted((folder / "curves").iterdir()), strict=False):
        damage(path)
    done = CliRunner().invoke(cli.app, ["show", SERIAL, "--workspace", str(archive)])
    assert done.exit_code == 2


def ended_at(finished_at: str) -> RunBefore:
    return RunBefore("", "void", (), finished_at)


def test_a_clock_that_leaps_or_is_behind_is_told() -> None:
    began, ended = "2026-01-01T10:00:00+01:00", "2026-01-01T10:01:40+01:00"
    assert clock_words(began, 100.4, ended) == ()
    assert clock_words(began, 100.4, ended, ended_at("2026-01-01T08:59:00+00:00")) == ()
    assert "leapt ahead by 90 s" in clock_words(began, 10.0, ended)[0]
    assert "leapt back by 3500 s" in clock_words(began, 3600.0, ended)[0]
    (behind,) = clock_words(began, 100.0, ended, ended_at("2026-01-01T09:30:00+00:00"))
    assert "the run before this one ended at 2026-01-01T09:30:00+00:00" in behind


@pytest.mark.parametrize(
    "text",
    ["{", "[]", '{"schema": "kitproof checkpoint 1"}', '{"schema": "kitproof checkpoint 1", "logs": 3}', "[" * 100_000],
    ids=["cut", "list", "empty", "logs", "deep"],
)
def test_a_damaged_interrupted_run_is_named_and_no_other_waits_for_it(tmp_path: Path, text: str) -> None:
    folder = tmp_path / "results" / KIT / SERIAL / f"{UNFINISHED}2026-01-01T100000Z-001-abcd"
    folder.mkdir(parents=True)
    (folder / journal.CHECKPOINT).write_text(text, encoding="utf-8")
    found, (told,) = journal.load_all(tmp_path)
    assert found == []
    assert str(folder / journal.CHECKPOINT) in told
