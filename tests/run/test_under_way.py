"""What sounds can be found: whatever is done at the bench holds a lock, so that `kitproof stop` ends it."""

import os
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import pytest
from full_disk import full_disk
from simulated_runs import ROOT

from rig.bench.settings import BenchSettings, bench_settings
from rig.calibration.desk import Guide
from rig.commands import bench as bench_command
from rig.commands import stop
from rig.design.kit import load_kit
from rig.files import disk
from rig.files.errors import BenchError, BenchSetupError, RecordError, Stopped
from rig.run import bench_jobs, opening
from rig.run.under_way import LOCK, at_bench, claim, under_way
from rig.store import records
from rig.store.homes import hint

sys.path.append(str(Path(__file__).parents[1] / "commands"))
from test_calibrate_command import BENCH


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "limits").symlink_to(ROOT / "limits")
    return tmp_path


def checked(folder: Path, guide: Guide) -> None:
    kit = load_kit(folder, "booth-two")
    bench = opening.open_bench(folder, None, kit, kit.serial_example)
    bench_jobs.check_bench(
        folder, kit, None, bench, ["leads"], load_ohm=None, guide=guide, show=lambda stage, findings: None
    )


def daily(folder: Path, guide: Guide) -> None:
    bench_jobs.daily_check(folder, BenchSettings(kind="simulated"), guide, load_kit(folder, "booth-two"))


def calibrated(folder: Path, guide: Guide) -> None:
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    settings = bench_settings(folder, None)
    assert settings

    def make(desk: object) -> object:
        raise Stopped(str(guide.confirm("")))

    bench_jobs.made_at_desk(folder, settings, guide, make)  # type: ignore[arg-type]


def wired(folder: Path, guide: Guide) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rig.bench.soundcard.connected_devices", lambda: guide.confirm("") or [])
        patch.setattr(bench_command, "described", lambda *of: pytest.fail("not stopped"))
        bench_command.bench_command("booth-two", folder)


@pytest.mark.parametrize("job", [checked, daily, calibrated, wired])
def test_a_stop_finds_all_that_is_done_at_the_bench(folder: Path, job: Callable[[Path, Guide], None]) -> None:
    found = []

    def confirm(words: str) -> bool:
        found.extend(under_way(folder).values())
        raise Stopped("seen")

    with pytest.raises(Stopped):
        job(folder, Guide(pytest.fail, pytest.fail, confirm))
    assert [process for process, _ in found] == [os.getpid()]
    assert under_way(folder) == {}


def test_a_stop_says_what_it_has_ended_and_what_not(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    told = []
    monkeypatch.setattr(stop, "ENDS_S", 0.0)
    monkeypatch.setattr(os, "kill", lambda process, number: told.append(process))
    with at_bench(folder, "loopback, playing"), pytest.raises(BenchError, match="loopback, playing: was told to stop"):
        stop.stop_command(folder)
    lock = claim(folder / "results" / ".under-way" / "1.lock", folder, "daily check")
    monkeypatch.setattr(os, "kill", lambda process, number: lock.close())
    stop.stop_command(folder)
    assert "stopped: daily check" in capsys.readouterr().out
    # What a crash has left behind is nothing that could be stopped.
    stop.stop_command(folder)
    assert "nothing is under way" in capsys.readouterr().out
    assert told == [os.getpid()]


def test_a_stop_ends_the_sound_although_the_workspace_hangs(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(disk, "ANSWERS_WITHIN_S", 0.05)
    answers = threading.Event()
    monkeypatch.setattr(stop, "under_way", lambda workspace: answers.wait() and {})
    with ExitStack() as held:
        held.enter_context(at_bench(folder, "daily check"))
        monkeypatch.setattr(os, "kill", lambda process, number: held.close())
        stop.stop_command(folder)
    assert "stopped: daily check" in capsys.readouterr().out
    with pytest.raises(RecordError, match="does not answer, and no process of this computer"):
        stop.stop_command(folder)
    answers.set()


def test_a_stop_finds_the_newest_run_of_a_large_store_without_a_walk_through_all(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    walk = "rig.run.under_way.unfinished"
    monkeypatch.setattr(walk, lambda workspace: pytest.fail("a walk through all folders"), raising=False)
    reserved = records.reserve(folder, load_kit(folder, "booth-two"), "BT-0001")
    with claim(reserved / LOCK, folder, "a run"):
        for number in range(90):
            hint(folder / "results" / "booth-two" / f"BT-1{number:03d}")
        assert under_way(folder) == {reserved / LOCK: (os.getpid(), "a run")}
    assert under_way(folder) == {}


def test_where_no_stop_could_find_it_nothing_sounds(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("", encoding="utf-8")
    with pytest.raises(BenchSetupError, match="no stop would find"), at_bench(tmp_path, "daily check"):
        pytest.fail("begun")


def test_a_full_disk_of_this_computer_ends_no_run_when_its_lock_is_let_go(tmp_path: Path) -> None:
    path = tmp_path / LOCK
    # Room for a process's number, and for no more.
    with full_disk(20):
        claim(path, tmp_path).close()
    claim(path, tmp_path).close()
