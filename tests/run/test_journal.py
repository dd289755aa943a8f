"""A run that is killed: nothing is lost but what was sounding, and it goes on or is closed as void."""

import errno
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from multiprocessing.context import ForkProcess
from pathlib import Path

import numpy as np
import pytest
from full_disk import full_disk
from hostile.promise import kitproof
from simulated_runs import ROOT
from soaks import shorten_heat
from stored_records import all_records

from rig.design.kit import load_kit
from rig.files.errors import RecordError
from rig.run import journal
from rig.run.interrupts import Interrupts
from rig.store import records
from rig.store.homes import now
from rig.store.run_json import About
from rig.values.captures import Calibration, Capture
from rig.values.requests import Sweep
from rig.values.run import Asked, Captured, Event, StageReached

#: Only ends a hang: no run takes as long on any machine.
HANG_S = 600.0


@pytest.fixture(scope="module")
def killed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace whose kit has a heat plan of some seconds, and a run of it that was killed."""
    workspace = tmp_path_factory.mktemp("killed")
    shutil.copytree(ROOT / "tests" / "archive" / "limits", workspace / "limits")
    shorten_heat(workspace)
    (workspace / "bench.toml").write_text('kind = "simulated"\n[simulated]\nfaster = 100.0\n', encoding="utf-8")
    run = begun(workspace, "verify", "shelf-one", "SO-0001", "--plan", "heat")
    wait_for_rows(workspace, 40, run)
    (folder,) = records.unfinished(workspace)
    assert journal.is_running(folder)
    assert journal.interrupted(workspace) == []
    kill(run)
    return workspace


@pytest.fixture
def bench(killed: Path, tmp_path: Path) -> Path:
    """A copy of that workspace."""
    return Path(shutil.copytree(killed, tmp_path / "workspace"))


def begun(workspace: Path, *words: str) -> ForkProcess:
    """A command in a process of its own, in which everything has been loaded."""
    process = multiprocessing.get_context("fork").Process(target=kitproof, args=(*words, "--workspace", str(workspace)))
    process.start()
    return process


def kill(run: ForkProcess) -> None:
    run.kill()
    run.join()
    assert run.exitcode == -signal.SIGKILL


def logged(workspace: Path) -> list[Path]:
    return sorted((workspace / "results").glob("shelf-one/SO-0001/.unfinished-*/logs/01-*.csv"))


def rows_on_the_disk(workspace: Path) -> int:
    return sum(path.read_bytes().count(b"\n") - 1 for path in logged(workspace))


def wait_for_rows(workspace: Path, rows: int, run: ForkProcess) -> None:
    deadline = time.monotonic() + HANG_S
    while rows_on_the_disk(workspace) < rows:
        assert run.is_alive()
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.mark.slow
def test_a_run_that_was_killed_twice_goes_on_where_it_was(bench: Path) -> None:
    (folder,) = records.unfinished(bench)
    assert journal.interrupted(bench) == [folder]
    before = journal.load(folder)
    (kept,) = before.logs.values()
    files = {path: path.read_bytes() for path in [*logged(bench), *folder.glob("captures/*.flac")]}
    assert [row.seconds for row in kept] == list(range(1, len(kept) + 1))
    assert {capture.request.stage for capture in before.captures} == {"leads", "playing", "soak"}

    run = begun(bench, "resume")
    wait_for_rows(bench, 90, run)
    kill(run)
    done = kitproof("resume", "--workspace", str(bench))
    (record,), _ = all_records(bench)
    assert done.status in (0, 1), done
    rows = next(iter(records.load_rows(record).values()))
    assert [row.seconds for row in rows[: len(kept)]] == [row.seconds for row in kept]
    assert rows[len(kept)].state == "gap"
    assert "interrupted for" in rows[len(kept)].event
    assert sum(row.state == "gap" for row in rows) == 2
    assert rows[-1].seconds >= 300
    assert records.damages(record) == []
    assert record.resumed_at
    for path, content in files.items():
        assert (record.folder / path.relative_to(folder)).read_bytes() == content
    assert journal.interrupted(bench) == []


@pytest.mark.slow
def test_a_killed_run_whose_kit_has_changed_can_only_be_closed_as_void(bench: Path) -> None:
    kit = bench / "limits" / "shelf-one" / "kit.toml"
    kit.write_text(kit.read_text(encoding="utf-8").replace("upper = 90.0", "upper = 95.0"), encoding="utf-8")
    done = kitproof("resume", "--workspace", str(bench))
    assert "has changed since" in done.err
    assert done.status == 3
    assert len(journal.interrupted(bench)) == 1

    done = kitproof("resume", "--close", "--workspace", str(bench))
    assert done.status == 2, done
    (record,), _ = all_records(bench)
    assert record.outcome == "void"
    assert record.stopped == "the run was interrupted and has been closed"
    assert len(next(iter(records.load_rows(record).values()))) >= 40


def test_a_capture_is_written_while_the_next_one_sounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper = journal.Journal(tmp_path, load_kit(ROOT, "booth-two"), "BT-0001", About(started_at=now()))
    may_write, write = threading.Event(), journal.write_captures
    monkeypatch.setattr(journal, "write_captures", lambda *of: may_write.wait(HANG_S) and write(*of))
    kept = keeper.keep(iter([StageReached("leads", ""), captured(), Asked(""), captured()]))
    # The next one is asked for before the disk has the first; the last event waits for nothing.
    assert len(list(kept)) == 4
    assert not (tmp_path / journal.CHECKPOINT).exists()
    may_write.set()
    keeper.ended(lambda: None, lambda event: None, Interrupts())
    found = journal.load(tmp_path)
    assert (len(found.captures), found.asked) == (2, 2)


def test_from_the_heat_test_on_a_capture_is_on_the_disk_before_anything_else_sounds(tmp_path: Path) -> None:
    keeper = journal.Journal(tmp_path, load_kit(ROOT, "booth-two"), "BT-0001", About(started_at=now()))
    for event in keeper.keep(iter([StageReached("soak", ""), captured(), Asked("")])):
        # Only when this one is handed on is the next one asked for.
        if isinstance(event, Captured):
            assert len(journal.load(tmp_path).captures) == 1
    keeper.ended(lambda: None, lambda event: None, Interrupts())


def test_a_full_disk_ends_the_run_and_it_is_told_how_to_go_on(tmp_path: Path) -> None:
    keeper = journal.Journal(tmp_path, load_kit(ROOT, "booth-two"), "BT-0001", About(started_at=now()))
    events = keeper.keep(iter([StageReached("soak", ""), captured(), captured(), Asked("")]))
    assert [type(event) for event in (next(events), next(events))] == [StageReached, Captured]
    with full_disk(8), pytest.raises(RecordError, match=r"002\.flac: could not .*\n.*resume BT-0001 goes on"):
        next(events)
    keeper.ended(lambda: None, lambda event: None, Interrupts())
    assert len(journal.load(tmp_path).captures) == 1
    assert not journal.is_running(tmp_path)


@pytest.fixture
def hung(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[journal.Journal, threading.Event]]:
    """A journal in a folder that does not answer before the event is set, and that is soon noticed."""
    for name, seconds in (("ANSWERS_WITHIN_S", 0.01), ("SOAK_WAITS_S", 0.03), ("LOOKS_S", 0.001)):
        monkeypatch.setattr(journal, name, seconds)
    answers, write = threading.Event(), journal.write_captures
    monkeypatch.setattr(journal, "write_captures", lambda *of: answers.wait(HANG_S) and write(*of))
    yield journal.Journal(tmp_path, load_kit(ROOT, "booth-two"), "BT-0001", About(started_at=now())), answers
    answers.set()


def captured() -> Captured:
    request = Sweep("leads", "left", "left", 0.1, 1.0, 100.0, 1000.0, 1.0)
    return Captured(Capture(request, np.zeros((1, 8), np.float32), ("drive",), 48e3, Calibration({}, 1.0)), ())


def test_a_folder_that_hangs_while_sweeps_sound_is_told_and_has_all_once_it_answers(
    hung: tuple[journal.Journal, threading.Event], tmp_path: Path
) -> None:
    keeper, answers = hung
    told: list[Event] = []
    # No event waits for the disk.
    seen = [event for event in keeper.keep(iter([captured(), captured()])) if isinstance(event, Captured)]
    assert len(seen) == 2

    def view(event: Event) -> None:
        told.append(event)
        answers.set()

    assert keeper.ended(lambda: "the record", view, Interrupts()) == "the record"
    assert "no answer for" in told[0].words
    assert len(journal.load(tmp_path).captures) == 2
    assert not journal.is_running(tmp_path)


def test_neither_a_view_that_ends_nor_a_log_that_cannot_be_closed_costs_more_than_itself(
    hung: tuple[journal.Journal, threading.Event], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeper, answers = hung
    list(keeper.keep(iter([captured()])))

    def view(event: Event) -> None:
        answers.set()
        raise SystemExit(1)

    def close() -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(keeper, "_close_rows", close)
    with pytest.raises(RecordError, match="could not be written: Input/output error"):
        keeper.ended(lambda: pytest.fail("done"), view, Interrupts())
    assert not journal.is_running(tmp_path)


def test_a_heat_test_whose_folder_hangs_ends_and_is_taken_up_again(
    hung: tuple[journal.Journal, threading.Event], tmp_path: Path
) -> None:
    keeper, answers = hung
    events, seen = iter([StageReached("soak", ""), captured(), captured()]), []
    with pytest.raises(RecordError, match="take it up again: kitproof resume BT-0001"):
        seen.extend(keeper.keep(events))
    assert next(events), "more was asked for although nothing was written"
    answers.set()
    keeper.ended(lambda: None, seen.append, Interrupts())
    assert len(journal.load(tmp_path).captures) == 1


def test_who_does_not_want_to_wait_for_a_folder_that_hangs_interrupts_that(
    hung: tuple[journal.Journal, threading.Event],
) -> None:
    keeper, _ = hung
    ctrl_c, told = Interrupts(), []
    list(keeper.keep(iter([captured()])))

    def view(event: Event) -> None:
        told.append(event)
        ctrl_c.on_signal(signal.SIGINT, None)

    # One that came before it was told is no answer to it.
    ctrl_c.on_signal(signal.SIGINT, None)
    with pytest.raises(RecordError, match="waited for no longer"):
        keeper.ended(lambda: pytest.fail("done"), view, ctrl_c)
    assert told


def test_nothing_to_resume_is_said(tmp_path: Path) -> None:
    done = kitproof("resume", "--workspace", str(tmp_path))
    assert "0 interrupted runs; there are: none" in done.err
    assert done.status == 3


def test_a_checkpoint_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / journal.CHECKPOINT).write_text("{", encoding="utf-8")
    with pytest.raises(RecordError, match=r"checkpoint\.json: cannot be read"):
        journal.load(tmp_path)
    (tmp_path / journal.CHECKPOINT).write_text('{"schema": "other"}', encoding="utf-8")
    with pytest.raises(RecordError, match="schema: found 'other'"):
        journal.load(tmp_path)


def test_the_lock_goes_with_its_process(tmp_path: Path) -> None:
    lock = str(tmp_path / journal.LOCK)
    code = f"from pathlib import Path; from rig.files.locks import locked; held = locked(Path({lock!r}))"
    holder = subprocess.Popen(
        [sys.executable, "-c", code + "; print(1, flush=True); input()"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout
    assert holder.stdout.readline()
    assert journal.is_running(tmp_path)
    os.kill(holder.pid, signal.SIGKILL)
    holder.communicate()
    assert not journal.is_running(tmp_path)
