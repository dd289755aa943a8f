"""Records: whole or not there at all, never changed, and played back to the last bit."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_runs import simulated
from stored_records import all_records

from rig.design.kit import kit_sha256, load_kit
from rig.design.kit_folder import kit_files
from rig.design.limits import Limit
from rig.files.errors import RecordError
from rig.files.locks import locked
from rig.run.rejudging import judge_again
from rig.run.verify import Job, job, verify
from rig.store import records
from rig.store.bench_chain import FOLDER, order_of
from rig.store.run_json import Previous, Record
from rig.values.run import Run


def test_a_record_says_everything_and_fits_its_checksums(good_run: tuple[Run, Record]) -> None:
    run, record = good_run
    found = records.read_record(record.folder)
    assert found.outcome == run.outcome
    assert found.timing.sound_s > 10
    assert {path.suffix for path in record.folder.rglob("*") if path.is_file()} == {
        ".json",
        ".flac",
        ".csv",
        ".toml",
    }
    on_disk = {p.relative_to(record.folder).as_posix() for p in record.folder.rglob("*") if p.is_file()}
    assert on_disk == {*found.files, "run.json"}
    assert records.damages(record) == []


def test_the_archive_gives_the_same_readings_to_the_last_bit(workspace: Path, good_run: tuple[Run, Record]) -> None:
    run, record = good_run
    again = judge_again(job(workspace, "booth-two"), record)
    assert again.outcome == run.outcome
    for was, now in zip(run.results, again.results, strict=True):
        assert repr(was.read.readings) == repr(now.read.readings)
        assert repr([v.margin for v in was.verdicts]) == repr([v.margin for v in now.verdicts])
        for curve, other in zip(was.read.curves, now.read.curves, strict=True):
            np.testing.assert_array_equal(curve.value, other.value)
            np.testing.assert_array_equal(curve.valid, other.valid)


def with_limits(work: Job, check: str, **limits: Limit) -> Job:
    """A job whose kit holds one check against other limits."""
    kit = work.kit.model_copy(update={"limits": {**work.kit.limits, check: limits}})
    return replace(work, kit=kit)


def test_a_passed_record_fails_under_a_tighter_limit(workspace: Path, good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    work = with_limits(job(workspace, "booth-two"), "leads", **{"lowest impedance": Limit(lower=100.0)})
    again = judge_again(work, record)
    outcomes = {result.name: result.outcome for result in again.results}
    assert again.outcome == "fail"
    assert outcomes == dict.fromkeys(outcomes, "pass") | {"leads": "fail"}
    assert again.findings


def test_a_record_that_lacks_a_capture_says_which(workspace: Path, good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    again = judge_again(job(workspace, "booth-two"), replace(record, captures=record.captures[1:]))
    assert again.outcome == "void"
    assert again.results[0].reason.startswith("not measured: left")


def test_a_stopped_record_stays_void_whatever_the_limits(tmp_path: Path, workspace: Path) -> None:
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    work, asked = job(tmp_path, "booth-two"), []

    def third_time_no(words: str) -> bool:
        asked.append(words)
        return len(asked) < 4

    bench = simulated(tmp_path, "booth-two", "BT-0001")
    run, record = verify(tmp_path, work, "BT-0001", bench, third_time_no, lambda event: None)
    assert [result.outcome for result in run.results if result.outcome != "void"]
    again = judge_again(work, record)
    assert repr([r.verdicts for r in again.results]) == repr([r.verdicts for r in run.results])
    assert [result.reason for result in again.results] == [result.reason for result in run.results]
    assert again.outcome == run.outcome == "void"
    tighter = with_limits(work, "leads", **{"lowest impedance": Limit(lower=100.0)})
    assert judge_again(tighter, record).outcome == "fail"


def test_any_change_to_any_file_is_found(good_run: tuple[Run, Record], tmp_path: Path) -> None:
    _, record = good_run
    copy = tmp_path / "kit" / "serial" / record.folder.name
    shutil.copytree(record.folder, copy)
    whole = records.read_record(copy)
    for name in whole.files:
        path = copy / name
        old = path.read_bytes()
        path.write_bytes(old[:-1] + bytes([old[-1] ^ 1]))
        assert records.damages(whole) == [f"{name} was changed after the run"]
        # Whoever judges again reads captures so, and curves and courses.
        if name.startswith("captures/"):
            with pytest.raises(RecordError, match=f"{name} was changed after the run"):
                list(records.load_captures(whole))
        elif name.endswith(".csv"):
            with pytest.raises(RecordError, match=f"{name} was changed after the run"):
                records.columns_of(whole, name)
        path.write_bytes(old)
    (copy / "captures" / "002.flac").unlink()
    assert records.damages(whole) == ["captures/002.flac is missing"]
    with pytest.raises(RecordError, match=r"002\.flac"):
        list(records.load_captures(whole))


def test_records_of_one_serial_are_linked(tmp_path: Path, workspace: Path) -> None:
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    work = job(tmp_path, "booth-two")
    for _ in range(3):
        bench = simulated(tmp_path, "booth-two", "BT-0009")
        verify(tmp_path, work, "BT-0009", bench, lambda words: False, lambda event: None)
    first, second, third = all_records(tmp_path)[0]
    assert [r.run_number for r in (first, second, third)] == [1, 2, 3]
    assert third.previous == Previous(second.folder.name, records.sha256(second.folder / "run.json"))
    (second.folder / "run.json").write_text("{}")
    assert records.damages(third) == [f"the previous record {second.folder.name} was changed after the run"]


def test_a_run_that_was_stopped_is_void_with_its_reason(tmp_path: Path, workspace: Path) -> None:
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    bench = simulated(tmp_path, "booth-two", "BT-0001")
    asked = []

    def second_time_no(words: str) -> bool:
        asked.append(words)
        return len(asked) < 3

    run, record = verify(tmp_path, job(tmp_path, "booth-two"), "BT-0001", bench, second_time_no, lambda event: None)
    assert run.outcome == "void"
    assert record.stopped == "stopped by the person at the bench"
    assert {result.outcome for result in record.results} == {"void"}


def test_a_kit_that_is_edited_during_a_run_is_recorded_as_it_judged(tmp_path: Path, workspace: Path) -> None:
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    work = job(tmp_path, "booth-two")
    before = {path.relative_to(work.kit.folder): path.read_bytes() for path in kit_files(work.kit.folder)}

    def edited(words: str) -> bool:
        for name in before:
            (work.kit.folder / name).write_bytes(b"edited")
        return False

    bench = simulated(tmp_path, "booth-two", "BT-0001")
    _, record = verify(tmp_path, work, "BT-0001", bench, edited, lambda event: None)
    copied = record.folder / "kit"
    assert {path.relative_to(copied): path.read_bytes() for path in kit_files(copied)} == before
    assert record.kit.sha256 == kit_sha256(work.kit)


def test_a_crash_while_writing_leaves_no_record(
    tmp_path: Path, workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(workspace / "limits", tmp_path / "limits")

    def crash(document: object) -> bytes:
        raise RuntimeError("power cut")

    monkeypatch.setattr(records, "json_bytes", crash)
    work = job(tmp_path, "booth-two")
    bench = simulated(tmp_path, "booth-two", "BT-0001")
    with pytest.raises(RuntimeError):
        verify(tmp_path, work, "BT-0001", bench, lambda words: False, lambda event: None)
    assert all_records(tmp_path) == ([], [])
    assert len(records.unfinished(tmp_path)) == 1


def test_no_other_bench_waits_while_a_slow_disk_takes_what_was_captured(
    tmp_path: Path, workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    while_others_wait, usual = set(), records.sync

    def slow(path: Path) -> None:
        try:
            locked(tmp_path / "results" / FOLDER / "lock").close()
        except BlockingIOError:
            while_others_wait.add(path.name)
        usual(path)

    order_of(tmp_path / "results", "any")
    monkeypatch.setattr(records, "sync", slow)
    bench = simulated(tmp_path, "booth-two", "BT-0001")
    _, record = verify(tmp_path, job(tmp_path, "booth-two"), "BT-0001", bench, lambda words: False, lambda event: None)
    assert record.link
    assert while_others_wait == {"run.json", f"{records.UNFINISHED}{record.run}"}


@pytest.mark.parametrize(
    "serial", ["", ".", "..", "../BT-0001", "BT-0001/x", "BT-1", "bt-0001", "BT-0001\n", "BT-0001 ", ".BT-0001"]
)
def test_a_serial_that_is_not_one_is_refused(workspace: Path, serial: str) -> None:
    with pytest.raises(RecordError, match="for example BT-0001"):
        records.refuse_bad_serial(load_kit(workspace, "booth-two"), serial)


@given(st.text(max_size=12))
def test_no_serial_ever_leaves_its_folder(serial: str) -> None:
    kit = load_kit(Path(__file__).parents[2], "booth-two").model_copy(update={"serial_pattern": ".*"})
    try:
        records.refuse_bad_serial(kit, serial)
    except RecordError:
        return
    home = Path("results") / kit.name
    assert (home / serial).resolve().parent == home.resolve()


def test_run_json_of_another_schema_is_told(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text(json.dumps({"schema": "kitproof run 99"}))
    with pytest.raises(RecordError, match=r"found 'kitproof run 99'; this version reads 'kitproof run 1'"):
        records.read_record(tmp_path)
    (tmp_path / "run.json").write_text("{")
    with pytest.raises(RecordError, match="not valid JSON"):
        records.read_record(tmp_path)


def test_two_runs_at_the_same_time_get_two_numbers(workspace: Path) -> None:
    kit = load_kit(workspace, "booth-two")
    folders = [records.reserve(workspace, kit, "BT-0777") for _ in range(3)]
    assert [folder.name.split("-")[4] for folder in folders] == ["001", "002", "003"]
    for folder in folders:
        records.give_back(folder)
