"""Ctrl-C at every event of a run and at any moment of its judging: always a whole record, always void."""

import os
import shutil
import signal
import sys
import threading
from pathlib import Path
from queue import SimpleQueue
from types import FrameType

import numpy as np
import pytest
from simulated_runs import simulated

from rig.files.plain import json_bytes
from rig.run.interrupts import Interrupts, awaited
from rig.run.schedule import plan
from rig.run.verify import Job, job, verify
from rig.store import records
from rig.store.rework_notes import about_next
from rig.store.run_json import Record
from rig.values.run import Event, Run

#: So many random moments each; the long study asks for more.
MOMENTS = 300 if os.environ.get("KITPROOF_THOROUGH") else 12
#: Lines of these are counted.
JUDGING = (
    "rig.run.sequencer",
    "rig.run.judging",
    "rig.verdict.examine",
    "rig.verdict.judge",
    "rig.verdict.second_look",
    "checks.leads",
)
STOPPED = "stopped by the person at the bench"


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory, workspace: Path) -> tuple[Path, Job]:
    """A workspace and a run of two quiet sweeps."""
    folder = tmp_path_factory.mktemp("interrupts")
    shutil.copytree(workspace / "limits", folder / "limits")
    whole = job(folder, "booth-two")
    leads = [listed for listed in whole.checks if listed.name == "leads"]
    return folder, Job(whole.kit, leads, plan(whole.kit, leads))


def interrupt() -> None:
    """As a person does, in this process."""
    signal.raise_signal(signal.SIGINT)


def measured(short: tuple[Path, Job], view=lambda event: None, confirm=lambda words: True) -> tuple[Run, Record]:
    folder, work = short
    bench = simulated(folder, "booth-two", "BT-0001")
    return verify(folder, work, "BT-0001", bench, confirm, view)


def assert_whole_and_void(run: Run, record: Record) -> None:
    found = records.read_record(record.folder)
    assert (run.outcome, found.outcome, found.stopped) == ("void", "void", STOPPED)
    assert [result.check for result in found.results] == ["leads"]
    assert records.damages(record) == []
    assert records.unfinished(record.folder.parents[3]) == []
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def interrupting(at: int):
    seen = []

    def view(event: Event) -> None:
        seen.append(event)
        if len(seen) == at:
            interrupt()

    return view


def test_a_run_that_nobody_interrupts_passes(short: tuple[Path, Job]) -> None:
    assert measured(short)[0].outcome == "pass"


def test_an_interrupt_at_every_event(short: tuple[Path, Job]) -> None:
    seen: list[Event] = []
    measured(short, seen.append)
    assert len(seen) > 6
    for at in range(1, len(seen) + 1):
        assert_whole_and_void(*measured(short, interrupting(at)))


def test_an_interrupt_before_the_first_event(short: tuple[Path, Job], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rig.run.verify.about_next", lambda *known: interrupt() or about_next(*known))
    assert_whole_and_void(*measured(short))


def test_an_interrupt_instead_of_an_answer(short: tuple[Path, Job]) -> None:
    assert_whole_and_void(*measured(short, confirm=lambda words: interrupt()))


def lines_until(at: int, short: tuple[Path, Job]) -> tuple[int, Run, Record]:
    """A run that is interrupted at its line `at` of those that judge; how many such lines it came to."""
    count = 0

    def trace(frame: FrameType, event: str, arg: object):
        nonlocal count
        if frame.f_globals.get("__name__") not in JUDGING:
            return None
        if event == "line":
            count += 1
            if count == at:
                interrupt()
        return trace

    sys.settrace(trace)
    try:
        run, record = measured(short)
    finally:
        sys.settrace(None)
    return count, run, record


@pytest.mark.slow
def test_an_interrupt_at_any_moment_of_judging(short: tuple[Path, Job]) -> None:
    lines, run, _ = lines_until(-1, short)
    assert run.outcome == "pass"
    for at in np.random.default_rng(12).integers(1, lines + 1, MOMENTS):
        _, run, record = lines_until(int(at), short)
        assert_whole_and_void(run, record)


def test_an_impatient_person_does_not_cost_the_record(short: tuple[Path, Job], monkeypatch: pytest.MonkeyPatch) -> None:
    def written(document: object) -> bytes:
        interrupt()
        return json_bytes(document)

    monkeypatch.setattr(records, "json_bytes", written)
    assert_whole_and_void(*measured(short, interrupting(1)))


def test_an_interrupt_that_came_early_ends_the_run_as_it_begins() -> None:
    own = Interrupts()
    own.on_signal(signal.SIGINT, None)
    with pytest.raises(KeyboardInterrupt), own.may_end():
        pass
    own.on_signal(signal.SIGINT, None)


def test_an_interrupt_that_strikes_just_before_a_wait_ends_it() -> None:
    late = []

    class Asleep(SimpleQueue[int]):
        """Begins to wait as a signal comes, and is not woken by it."""

        def get(self, block: bool = True, timeout: float | None = None) -> int:
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
            try:
                interrupt()
                return super().get(block, timeout)
            finally:
                signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})

    def help_out() -> None:
        late.append(1)
        queue.put(1)

    queue = Asleep()
    helper = threading.Timer(20.0, help_out)
    helper.start()
    with pytest.raises(KeyboardInterrupt):
        awaited(queue)
    helper.cancel()
    assert not late
