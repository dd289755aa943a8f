"""Going on with an interrupted run: what is on the disk is given back by what was asked, whatever the order."""

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated_runs import ROOT, simulated

from rig.bench.settings import BenchSettings
from rig.files.errors import RecordError
from rig.run import journal
from rig.run.journal import Interrupted
from rig.run.rejudging import judge_again
from rig.run.resume import ResumedBench, ResumedPlayer
from rig.run.sequencer import STOPPED
from rig.run.verify import Job, job, resume, verify
from rig.run.walk import Confirm
from rig.simulated.bench import SimulatedBench
from rig.store.records import damages
from rig.store.run_json import About, Record
from rig.values.captures import BEFORE_CUT, Calibration, Capture
from rig.values.requests import Sweep
from rig.values.run import Captured, Event, Run


def asked(channel: str) -> Sweep:
    return Sweep("soak", channel, channel, 1.0, 1.0, 100.0, 1000.0, 1.0, moment="cold")


def captured(request: Sweep, flags: tuple[str, ...] = ()) -> Capture:
    return Capture(request, np.zeros((1, 8), np.float32), ("microphone",), 48e3, Calibration({}, 1.0), flags=flags)


class LiveBench:
    def play(self, requests):
        for request in requests:
            yield captured(request, ("live",))


def test_only_what_is_not_on_the_disk_is_played() -> None:
    # A former version asked for the channels in another order, and for two of them alone.
    stored = tuple(captured(asked(channel)) for channel in ("right", "left"))
    facts = {"kit": "", "serial": "", "kit_sha256": "", "about": About(started_at="")}
    before = Interrupted(**facts, folder=Path(), captures=stored, files=("b", "a"), logs={})
    player = ResumedPlayer(ResumedBench(before, LiveBench()), LiveBench())
    found = list(player.play([asked(channel) for channel in ("left", "middle", "right")]))
    assert [(one.request.channel, one.flags) for one in found] == [("left", ()), ("middle", ("live",)), ("right", ())]


class PowerCut(BaseException):
    """Nothing in the rig foresees it."""


def cut_after(captures: int) -> Callable[[Event], None]:
    """A view in which the power goes when so many captures were made."""
    seen = 0

    def view(event: Event) -> None:
        nonlocal seen
        seen += isinstance(event, Captured)
        if seen == captures:
            raise PowerCut

    return view


def bench_of(workspace: Path, work: Job) -> SimulatedBench:
    return simulated(workspace, work.kit.name, work.kit.serial_example)


def taken_up(
    workspace: Path, view: Callable[[Event], None] = lambda event: None, confirm: Confirm = lambda words: True
) -> tuple[Run, Record]:
    work, (folder,) = job(workspace, "shelf-one", "quick"), journal.interrupted(workspace)
    return resume(work, journal.load(folder), bench_of(workspace, work), confirm, view)


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with a run that was cut off in the last capture but one, behind the loud sweep."""
    workspace = tmp_path_factory.mktemp("cut")
    shutil.copytree(ROOT / "tests" / "archive" / "limits", workspace / "limits")
    work = job(workspace, "shelf-one", "quick")
    sweeps = len(work.schedule.requests)
    with pytest.raises(PowerCut):
        verify(
            workspace,
            work,
            work.kit.serial_example,
            bench_of(workspace, work),
            lambda words: True,
            cut_after(sweeps - 1),
        )
    return workspace


@pytest.fixture
def workspace(cut: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(cut, tmp_path / "workspace"))


def stored(workspace: Path) -> dict[str, bytes]:
    (folder,) = journal.interrupted(workspace)
    return {path.name: path.read_bytes() for path in folder.glob("captures/*")}


def test_where_a_run_was_cut_off_its_stage_s_wiring_is_asked_again_and_nothing_before_it(workspace: Path) -> None:
    playing, asked = job(workspace, "shelf-one", "quick").schedule.stages[1], []

    def confirm(words: str) -> bool:
        asked.append(words)
        return len(asked) < 2

    taken_up(workspace, confirm=confirm)
    assert asked == [playing.words, playing.groups[0].words]


def test_a_run_that_is_cut_off_before_any_soak_goes_on_at_the_place_where_it_was(workspace: Path) -> None:
    work, kept = job(workspace, "shelf-one", "quick"), stored(workspace)
    assert len(kept) == len(work.schedule.requests) - 1
    before = len(kept)
    # The power goes again, in the middle of what is played anew: nothing drops out of what is known.
    with pytest.raises(PowerCut):
        taken_up(workspace, cut_after(before + 1))
    assert len(stored(workspace)) == before + 1
    run, record = taken_up(workspace)
    assert run.outcome == "pass", run.stopped
    assert record.resumed_at
    assert damages(record) == []
    # At the leads nothing sounded again; in front of the box all did, from the pings on.
    by_stage = {stage: [c for c, _ in run.captures if c.request.stage == stage] for stage in ("leads", "playing")}
    assert not any(BEFORE_CUT in one.flags for one in by_stage["leads"])
    asked = [request for request in work.schedule.requests if request.stage == "playing"]
    again = [one for one in by_stage["playing"] if BEFORE_CUT not in one.flags]
    assert {one.request for one in again} == set(asked)
    assert len(record.captures) == before + 1 + len(asked)
    for name, content in kept.items():
        assert (record.folder / "captures" / name).read_bytes() == content
    assert judge_again(work, record).outcome == "pass"


def test_a_run_whose_person_does_not_go_on_keeps_all_its_captures(workspace: Path) -> None:
    kept, (folder,) = stored(workspace), journal.interrupted(workspace)
    work, before = job(workspace, "shelf-one", "quick"), journal.load(folder)
    run, record = resume(work, before, bench_of(workspace, work), lambda words: False, lambda event: None)
    assert (run.outcome, run.stopped) == ("void", STOPPED)
    assert {Path(entry.file).name for entry in record.captures} == set(kept)
    assert all(BEFORE_CUT in entry.flags for entry in record.captures if entry.request.stage == "playing")
    assert damages(record) == []
    again = judge_again(work, record).results
    assert [(one.outcome, one.reason) for one in again] == [(one.outcome, one.reason) for one in run.results]


def test_nothing_is_played_for_a_place_that_was_left_before_the_interruption(workspace: Path) -> None:
    """The microphone is elsewhere by then; whatever wants another capture there, its check is not proved."""
    work, (folder,) = job(workspace, "shelf-one", "quick"), journal.interrupted(workspace)
    before = journal.load(folder)
    missing = next(n for n, one in enumerate(before.captures) if one.request.stage == "leads")
    rest = [tuple(one for n, one in enumerate(all_) if n != missing) for all_ in (before.captures, before.files)]
    before = replace(before, captures=rest[0], files=rest[1])
    run, _ = resume(work, before, bench_of(workspace, work), lambda words: True, lambda event: None)
    assert run.outcome == "void"
    assert "a place that was done before the interruption lacks a capture" in run.stopped
    assert {id(one.samples) for one, _ in run.captures} == {id(one.samples) for one in before.captures}


def test_a_run_that_is_only_closed_keeps_all_its_captures(workspace: Path) -> None:
    kept, (folder,) = stored(workspace), journal.interrupted(workspace)
    run, record = resume(
        job(workspace, "shelf-one", "quick"), journal.load(folder), None, lambda w: True, lambda e: None
    )
    assert (run.outcome, run.stopped) == ("void", "the run was interrupted and has been closed")
    assert {Path(entry.file).name for entry in record.captures} == set(kept)
    assert damages(record) == []


def test_on_another_bench_or_with_other_calibrations_it_is_void(workspace: Path) -> None:
    work, (folder,) = job(workspace, "shelf-one", "quick"), journal.interrupted(workspace)
    before, bench = journal.load(folder), bench_of(workspace, work)
    other = BenchSettings(kind="simulated", name="attic")
    with pytest.raises(RecordError, match="this is 'attic'; the run can only be closed"):
        resume(work, before, bench, lambda words: True, lambda event: None, other)
    for n, one in enumerate(before.captures):
        volts = {role: 1.01 * volt for role, volt in one.calibration.input_volts.items()}
        one = replace(one, calibration=replace(one.calibration, input_volts=volts))
        before = replace(before, captures=(*before.captures[:n], one, *before.captures[n + 1 :]))
    run, _ = resume(work, before, bench, lambda words: True, lambda event: None)
    assert run.outcome == "void"
    assert "calibrated anew or changed since" in run.stopped
