"""Files are whole or not there, on a full disk too, and reading one never waits."""

import errno
import fcntl
import os
import shutil
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import fields, replace
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from full_disk import full_disk
from simulated_runs import ROOT
from soaks import rows

from rig import cli
from rig.bench.settings import MakerSettings, load_bench_file
from rig.calibration.storage import DailyDetails, Stored, save, stored
from rig.design.kit import Kit, kit_sha256, load_kit
from rig.design.limits import ReferenceNote, reference_name, reference_note
from rig.files import disk
from rig.files.columns import read_any_columns
from rig.files.disk import read_bytes, read_json, write, write_together
from rig.files.errors import BenchError, KitproofError, RecordError, TableError
from rig.files.locks import locked
from rig.files.plain import json_bytes, table
from rig.files.trusted import is_trusted, trust
from rig.run import verify as run_verify
from rig.run.under_way import LOCK, claim
from rig.store import records, reference
from rig.store.homes import hint, hints_from
from rig.store.recordings import LogWriter, read_rows, write_audio
from rig.store.reference import write_reference
from rig.store.rework_notes import note, reworks
from rig.store.run_json import About, Record
from rig.values.run import Run
from rig.verdict.check import own_sources


def names(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two")
    return load_kit(tmp_path, "booth-two")


def test_the_former_file_stays_where_the_new_one_finds_no_room(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    write(one, "former")
    with full_disk(8), pytest.raises(OSError, match="File too large"):
        write(one, "longer than the disk")
    with full_disk(8), pytest.raises(OSError, match="File too large"):
        write_together({one: "new", other: "longer than the disk"})
    assert names(tmp_path) == ["one"]
    assert one.read_text(encoding="utf-8") == "former"
    with pytest.raises(FileExistsError):
        write(one, "another", is_new=True)
    write_together({one: "new", other: "new"})
    assert (one.read_text(encoding="utf-8"), names(tmp_path)) == ("new", ["one", "other"])


@pytest.mark.parametrize("links", [True, False], ids=["links", "no links"])
def test_a_new_file_never_takes_the_place_of_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    def refuse(*names: object) -> None:
        raise PermissionError("no links here")

    if not links:
        monkeypatch.setattr(os, "link", refuse)
    write(tmp_path / "one", "first", is_new=True)
    with pytest.raises(FileExistsError):
        write(tmp_path / "one", "second", is_new=True)
    assert ((tmp_path / "one").read_text(encoding="utf-8"), names(tmp_path)) == ("first", ["one"])


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda path: path.mkdir(), "irectory|plain file"),
        (lambda path: os.mkfifo(path), "not a plain file"),
        (lambda path: path.symlink_to("/dev/zero"), "not a plain file"),
        (lambda path: path.symlink_to(path.name), "symbolic links|such file"),
    ],
    ids=["folder", "pipe", "device", "link to itself"],
)
def test_only_plain_files_are_read(tmp_path: Path, make: Callable[[Path], None], told: str) -> None:
    make(tmp_path / "it")
    with pytest.raises(OSError, match=told):
        read_bytes(tmp_path / "it")


def test_who_may_not_put_a_file_in_its_place_is_told_at_once(tmp_path, monkeypatch):
    def refuse(path, to):
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    waited = []
    monkeypatch.setattr(Path, "replace", refuse)
    monkeypatch.setattr(disk.time, "sleep", waited.append)
    with pytest.raises(PermissionError, match="Permission denied"):
        write(tmp_path / "kit.toml", "new")
    assert (waited, list(tmp_path.iterdir())) == ([], [])


def test_what_was_left_half_written_long_ago_goes_with_the_next_write(tmp_path):
    """As who is killed leaves it, or whose disk fails: what another is writing just now stays."""
    left, folder, new = (tmp_path / f".{16 * sign}.new" for sign in "abc")
    left.write_text("half", encoding="utf-8")
    new.write_text("half", encoding="utf-8")
    folder.mkdir()
    (folder / "reference.json").write_text("half", encoding="utf-8")
    for one in (left, folder):
        os.utime(one, (time.time() - 2 * disk.LEFT_S,) * 2)
    # Of somebody else, in whose folder a table was to be written.
    other = tmp_path / ".settings.new"
    other.mkdir()
    (other / "mine.txt").write_text("whole", encoding="utf-8")
    os.utime(other, (time.time() - 2 * disk.LEFT_S,) * 2)
    write(tmp_path / "kit.toml", "whole")
    assert names(tmp_path) == [new.name, ".settings.new", ".settings.new/mine.txt", "kit.toml"]


def test_an_error_of_the_disk_names_the_file_that_was_to_be_written(tmp_path, monkeypatch):
    def fail(handle):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="Input/output error") as told:
        write(tmp_path / "kit.toml", "new")
    assert told.value.filename == str(tmp_path / "kit.toml")
    assert names(tmp_path) == []


def test_what_was_agreed_to_is_kept_whole_or_not_at_all(tmp_path, monkeypatch):
    monkeypatch.setenv("KITPROOF_HOME", str(tmp_path))
    trust({"own.py": b"one"})
    with full_disk(100), pytest.raises(TableError, match="File too large"):
        trust({"own.py": b"other"})
    trust({"own.py": b"other"})
    assert is_trusted({"own.py": b"one"})
    assert is_trusted({"own.py": b"other"})


def test_a_makers_picture_that_could_not_be_copied_is_no_half_file_of_a_record(tmp_path):
    (tmp_path / "logo.png").write_bytes(bytes(4000))
    with full_disk(100):
        made, told = run_verify._recorded(MakerSettings(name="Workshop", logo=str(tmp_path / "logo.png")), tmp_path)
    assert (made.name, made.logo, names(tmp_path)) == ("Workshop", "", ["logo.png"])
    assert "logo.png could not be copied: File too large" in told[0]


def test_nobody_waits_for_the_other_end_of_a_pipe(tmp_path: Path) -> None:
    for name in ("results/index.hints", "checks/own.py", "curve.txt", "logo.png"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        os.mkfifo(tmp_path / name)
    hint(tmp_path / "results" / "kit" / "serial")
    assert hints_from(tmp_path / "results", 0) == ([], 0)
    bench = 'kind = "simulated"\n[maker]\nname = "x"\nlogo = "logo.png"\n'
    (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
    for read in (
        lambda: own_sources(tmp_path),
        lambda: read_any_columns(tmp_path / "curve.txt"),
        lambda: load_bench_file(tmp_path / "bench.toml"),
    ):
        with pytest.raises(KitproofError, match="not a plain file"):
            read()


@pytest.mark.parametrize(
    "text", ["", "{", "[" * 100_000, '{"a": NaN}', '{"a": ' + "9" * 5000 + "}", "\ud800"], ids=lambda text: text[:8]
)
def test_json_that_is_none_is_a_value_error(tmp_path: Path, text: str) -> None:
    (tmp_path / "it.json").write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises(ValueError, match=r"Expecting|deep|NaN|digits|utf-8"):
        read_json(tmp_path / "it.json")


def test_a_note_on_a_full_disk_leaves_nothing_behind(kit: Kit, good_run: tuple[Run, Record], tmp_path: Path) -> None:
    home = tmp_path / "results" / "booth-two" / "BT-0001"
    shutil.copytree(good_run[1].folder, home / good_run[1].folder.name)
    before = names(home)
    with full_disk(), pytest.raises(RecordError, match=r"rework-001\.json: could not be written: File too large"):
        note(tmp_path, kit, "BT-0001", "resoldered C3 left")
    assert names(home) == before
    note(tmp_path, kit, "BT-0001", "resoldered C3 left")
    assert [one.words for one in reworks(home)[0]] == ["resoldered C3 left"]


def test_a_disk_that_is_full_at_the_very_end_leaves_what_a_run_is_taken_up_by(
    kit: Kit, good_run: tuple[Run, Record], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, record = good_run
    folder = records.reserve(tmp_path, kit, "BT-0001")
    (folder / "checkpoint.json").write_text("{}")
    about = About(**{one.name: getattr(record, one.name) for one in fields(About)})
    monkeypatch.setattr(records, "json_bytes", lambda document: bytes(2**26))
    with full_disk(2**25), pytest.raises(RecordError, match="could not be written"):
        records.save(folder, kit, "BT-0001", replace(run, captures=()), about)
    assert (folder / "checkpoint.json").exists()
    monkeypatch.undo()
    half = folder / "curves" / f".{16 * 'a'}.new"
    half.write_text("half", encoding="utf-8")
    saved = records.save(folder, kit, "BT-0001", replace(run, captures=()), about)
    assert not {"checkpoint.json", "started.txt", f"curves/{half.name}"} & {*saved.files, *names(saved.folder)}


def test_a_run_that_ended_long_ago_with_nothing_recorded_leaves_no_folder_for_ever(kit: Kit, tmp_path: Path) -> None:
    empty, recorded, waits, fresh = (records.reserve(tmp_path, kit, "BT-0001") for _ in range(4))
    (recorded / "checkpoint.json").write_text("{}", encoding="utf-8")
    # As a run that stands at its first prompt since the day before yesterday.
    with claim(waits / LOCK, tmp_path):
        for folder in (empty, recorded, waits):
            os.utime(folder, (time.time() - 2 * disk.LEFT_S,) * 2)
        records.reserve(tmp_path, kit, "BT-0001")
    assert [folder.exists() for folder in (empty, recorded, waits, fresh)] == [False, True, True, True]


def test_a_calibration_on_a_full_disk_leaves_nothing_behind(tmp_path: Path) -> None:
    details = DailyDetails("in control")
    one = Stored("daily", "8 ohm", "bench", "2026-01-01T00:00:00+00:00", "resistor", 8.0, "ohm", None, details=details)
    with full_disk(), pytest.raises(BenchError, match="the calibration cannot be written: File too large"):
        save(tmp_path, one)
    assert stored(tmp_path, "bench") == []
    save(tmp_path, one)
    assert [found.value for found in stored(tmp_path, "bench")] == [8.0]


def test_a_disk_that_fails_once_a_record_is_in_its_place_does_not_deny_it(
    kit: Kit, good_run: tuple[Run, Record], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, record = replace(good_run[0], captures=()), good_run[1]
    about = About(**{one.name: getattr(record, one.name) for one in fields(About)})
    sync, home = records.sync, tmp_path / "results" / kit.name / "BT-0001"
    # What a run is taken up by cannot be removed: a folder has its name.
    folder = records.reserve(tmp_path, kit, "BT-0001")
    (folder / "checkpoint.json").mkdir()
    assert records.save(folder, kit, "BT-0001", run, about).folder.is_dir()
    folder = records.reserve(tmp_path, kit, "BT-0001")
    monkeypatch.setattr(records, "sync", lambda path: (tmp_path / "no").unlink() if path == home else sync(path))
    with pytest.raises(RecordError, match="the record is there, but the disk may not keep it"):
        records.save(folder, kit, "BT-0001", run, about)
    assert len(records.unit_records(tmp_path, "BT-0001")) == 2


def test_audio_on_a_full_disk_is_told_with_its_file(tmp_path: Path) -> None:
    samples = np.full((2, 5000), np.pi, np.float32)
    with full_disk(4096), pytest.raises(RecordError, match=r"001\.wav: could not be written: File too large"):
        write_audio(tmp_path / "001", samples, 48000)
    assert names(tmp_path) == []


def test_a_log_on_a_full_disk_keeps_its_whole_rows(tmp_path: Path) -> None:
    given = list(rows(until_s=60))
    writer = LogWriter(tmp_path, 1)
    writer.append(given[0])
    size = sum(path.stat().st_size for path in (tmp_path / "logs").iterdir())
    with full_disk(size + 20), pytest.raises(OSError, match=r"File too large: '.*01-01\.csv'"):
        writer.append(given[1])
    writer.close()
    again = LogWriter(tmp_path, 1)
    again.append(given[1])
    again.close()
    assert [row.seconds for row in read_rows(tmp_path, 1)] == [row.seconds for row in given[:2]]


def test_runs_of_another_plan_add_to_the_reference_build(kit: Kit, good_run: tuple[Run, Record]) -> None:
    shutil.rmtree(kit.folder / "reference")
    folder = write_reference(kit, [good_run[1]])
    of_this_run = sorted(path.name for path in folder.iterdir())
    (folder / "off_axis-other.csv").write_text("frequency_hz,value\n100,1\n200,1\n", encoding="utf-8")
    folder = write_reference(kit, [good_run[1]], is_besides=True)
    assert sorted(path.name for path in folder.iterdir()) == sorted([*of_this_run, "off_axis-other.csv"])
    note = reference_note(kit.folder)
    assert note is not None
    assert len(note.runs) == 2
    (folder / "reference.json").write_bytes(json_bytes(table(replace(note, bench="elsewhere"))))
    with pytest.raises(RecordError, match="elsewhere"):
        write_reference(kit, [good_run[1]], is_besides=True)
    write_reference(kit, [good_run[1]])
    assert sorted(path.name for path in folder.iterdir()) == of_this_run


def test_of_two_who_add_to_the_reference_build_at_once_none_loses_anything(
    kit: Kit, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Whoever has read the former one waits a little for another who has, before it goes on.
    both, read = threading.Barrier(2), reference.reference_note

    def read_at_once(folder: Path) -> ReferenceNote | None:
        found = read(folder)
        with suppress(threading.BrokenBarrierError):
            both.wait(0.2)
        return found

    monkeypatch.setattr(reference, "reference_note", read_at_once)
    frequency_hz = np.array([100.0, 200.0])
    given = [("response", "level", name) for name in ("one", "two")]
    with ThreadPoolExecutor(2) as threads:
        adding = [
            threads.submit(reference.add_to_reference, kit, {key: (Path("a.txt"), frequency_hz, frequency_hz)})
            for key in given
        ]
    [folder, _] = [one.result() for one in adding]
    assert {reference_name(*key) for key in given} <= set(names(folder))


def test_the_former_reference_build_stays_until_the_new_one_is_whole(
    kit: Kit, good_run: tuple[Run, Record], tmp_path: Path
) -> None:
    folder = write_reference(kit, [good_run[1]])
    former, whole = names(folder.parent), kit_sha256(kit)
    assert "reference/reference.json" in former
    with full_disk(2000), pytest.raises(RecordError, match="the reference build could not be written"):
        write_reference(kit, [good_run[1]])
    assert (names(folder.parent), kit_sha256(kit)) == (former, whole)

    usual = Path.replace

    def fail_for_the_new_folder(path: Path, to: Path) -> Path:
        if to == folder and path.suffix == ".new":
            raise OSError(errno.EIO, "Input/output error")
        return usual(path, to)

    with mock.patch.object(Path, "replace", fail_for_the_new_folder), pytest.raises(RecordError, match="Input/output"):
        write_reference(kit, [good_run[1]])
    assert (names(folder.parent), kit_sha256(kit)) == (former, whole)

    copy = tmp_path / good_run[1].folder.name
    shutil.copytree(good_run[1].folder, copy)
    next((copy / "curves").iterdir()).write_text("frequency_hz,value,valid\n", encoding="utf-8")
    with pytest.raises(RecordError, match="changed after the run"):
        write_reference(kit, [replace(good_run[1], folder=copy)])
    assert names(folder.parent) == former

    # A curve that its own check does not trust is no part of a reference.
    result = next(result for result in good_run[1].results if result.curves)
    curves = (replace(result.curves[0], trouble="the gate is too short"), *result.curves[1:])
    with pytest.raises(RecordError, match=f"{curves[0].quantity}.*: the gate is too short"):
        write_reference(kit, [replace(good_run[1], results=(replace(result, curves=curves),))])
    assert names(folder.parent) == former

    # A damaged note of the former one does not stand in the way, and is kept with it.
    (folder / "reference.json").write_text("{", encoding="utf-8")
    write_reference(kit, [good_run[1]])
    assert (folder.with_name("reference-of-unknown-date") / "reference.json").read_text(encoding="utf-8") == "{"
    kept = len(list(folder.parent.glob("reference-of-*")))
    write_reference(kit, [good_run[1]])
    assert len(list(folder.parent.glob("reference-of-*"))) == kept + 1


def test_a_drive_that_answers_nobody_holds_no_command_up(tmp_path, monkeypatch, capsys):
    back = threading.Event()
    monkeypatch.setattr(disk, "ANSWERS_WITHIN_S", 0.01)
    stat = Path.stat
    monkeypatch.setattr(
        Path, "stat", lambda path, **named: (path.name == "results" and back.wait(60)) or stat(path, **named)
    )
    try:
        for words in (["kits"], ["verify", "a-kit", "S-1"], ["calibrate", "loopback", "--yes"]):
            monkeypatch.setattr(sys, "argv", ["kitproof", *words, "--workspace", str(tmp_path)])
            with pytest.raises(SystemExit) as left:
                cli.main()
            assert left.value.code == 3
            assert "no answer within" in capsys.readouterr().err
    finally:
        back.set()


def test_a_lock_is_waited_for_so_long_and_no_longer(tmp_path):
    path = tmp_path / "lock"
    with locked(path), pytest.raises(BlockingIOError, match=r"has had it for 0.05 s: has it stopped"):
        locked(path, waits_s=0.05)
    locked(path, waits_s=0.05).close()


def test_a_drive_without_locks_is_not_taken_for_another_process(tmp_path, monkeypatch):
    def refuse(file, how):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with pytest.raises(OSError, match="No locks available"):
        locked(tmp_path / "lock", waits_s=60.0)


def test_a_lock_whose_rights_were_lost_is_given_them_back_by_whose_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Root may write anything, so that the refusal is played here."""
    path, usual = tmp_path / "lock", Path.open

    def refused(self, *of, **how):
        if self == path and not path.stat().st_mode & 0o200:
            raise PermissionError(13, "Permission denied", str(path))
        return usual(self, *of, **how)

    path.touch()
    path.chmod(0o000)
    monkeypatch.setattr(Path, "open", refused)
    with locked(path), pytest.raises(BlockingIOError):
        locked(path)


def test_a_name_with_a_zero_byte_is_none_of_a_file(tmp_path):
    with pytest.raises(FileNotFoundError, match="zero byte"):
        read_bytes(tmp_path / "logo\0.png")


def test_a_pipe_in_the_place_of_a_lock_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "lock")
    with pytest.raises(OSError, match="not a plain file"):
        locked(tmp_path / "lock")
