"""Calibrations and checks of the bench from the page: the guides of the command line, hands full, and stopped."""

import math
import sys
import time
from pathlib import Path

import pytest
from at_the_page import WINDOW, answered, served, until
from simulated_runs import ROOT

from rig.bench import listening, soundcard
from rig.bench_check.bench_finding import BenchFinding, right
from rig.calibration.storage import stored
from rig.commands.stop import stop_command
from rig.page import bench_tasks
from rig.page.bench_tasks import asked_for, bench_report
from rig.page.front import Front
from rig.page.station import Station
from rig.run import bench_jobs, opening
from rig.run.interrupts import interrupt

sys.path.append(str(Path(__file__).parents[1] / "bench"))
sys.path.append(str(Path(__file__).parents[1] / "commands"))
from looped_stream import looped_card
from test_calibrate_command import BENCH, TRUE_V

OUTPUT = {"task": "output", "stage": "playing", "meter": "read"}


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Station:
    """A card whose outputs are joined to its inputs."""
    (tmp_path / "limits").symlink_to(ROOT / "limits")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    for module in (soundcard, listening):
        monkeypatch.setattr(module, "audio_process", looped_card)
    station = Station(tmp_path)
    station.listen(WINDOW, lambda: None)
    return station


def asking(station: Station, number: int = 0) -> int:
    question = until(station, "asking", number).question
    assert question
    return question.number


def test_the_output_by_a_meter_that_a_person_reads(station: Station) -> None:
    assert station.choose_task(WINDOW, OUTPUT) == ""
    assert station.view.phase == "chosen"
    station.go(WINDOW, 0)

    def act() -> None:
        answered(station, number := asking(station))
        number = asking(station, number)
        assert station.view.question
        assert station.view.question.is_typed
        assert "a tone of 110 Hz sounds" in station.view.said[-1]
        # A held key gives on nothing that was not typed, Enter alone not what was.
        answered(station, number)
        assert "type what is asked for" in station.view.notice
        station.scan("0,7", WINDOW, number)
        assert station.view.question.typed == "0,7"
        answered(station, number)
        number = asking(station, number)
        assert "found '0,7'" in station.view.said[-1]
        for volts in (0.05 * TRUE_V / 2.0, 0.5 * TRUE_V / math.sqrt(2)):
            station.scan(f"{volts:.5f}", WINDOW, number)
            time.sleep(0.05)
            assert station.view.question.number == number
            answered(station, number)
            number = asking(station, number) if volts < 0.1 else number
        report = until(station, "done").report
        assert report
        assert report.rows[0][0] == "output playing"

    served(station, act)
    (one,) = stored(station.workspace, "test bench")
    assert one.value == pytest.approx(TRUE_V, rel=1e-3)


def test_a_stop_while_a_tone_is_held_ends_it_and_nothing_is_put_down(station: Station) -> None:
    station.choose_task(WINDOW, OUTPUT)
    station.go(WINDOW, 0)

    def act() -> None:
        answered(station, number := asking(station))
        asking(station, number)
        assert station.choose_task(WINDOW, OUTPUT) == "volts at the output, playing is under way: nothing was done"
        station.stop()
        # Twice in a hurry is once.
        station.stop()
        assert until(station, "chosen").notice == "stopped: nothing was recorded"

    served(station, act)
    assert stored(station.workspace, "test bench") == []


def test_a_task_that_was_stopped_is_done_when_it_is_begun_once_more(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt_and_wait(thread: int) -> None:
        interrupt(thread)
        while station._running:
            time.sleep(0.01)

    monkeypatch.setattr("rig.page.station.interrupt", interrupt_and_wait)
    station.choose_task(WINDOW, OUTPUT)
    station.go(WINDOW, 0)

    def act() -> None:
        first = asking(station)
        station.stop()
        until(station, "chosen")
        station.go(WINDOW, 0)
        answered(station, second := asking(station, first))
        asking(station, second)
        station.stop()
        until(station, "chosen")

    served(station, act)


def test_an_order_that_is_stopped_before_it_begins_never_does(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = []
    monkeypatch.setattr(bench_jobs, "desk_of", lambda *of: begun.append(of))
    station.choose_task(WINDOW, {"task": "check-bench", "kit": "booth-two", "stage": "leads"})
    station.go(WINDOW, 0)

    def act() -> None:
        asking(station)
        station.stop()
        until(station, "chosen")

        # The inputs take their time to be closed: meanwhile it is stopped.
        def held() -> None:
            station.stop()
            until(station, "chosen")

        monkeypatch.setattr(station.levels, "hold", held)
        station.choose_task(WINDOW, OUTPUT)
        station.go(WINDOW, 0)
        monkeypatch.setattr(station.levels, "hold", lambda: None)
        # The next one is done, and only that.
        station.choose_task(WINDOW, {"task": "check-bench", "kit": "booth-two", "stage": "leads"})
        station.go(WINDOW, 0)
        asking(station)
        station.stop()
        until(station, "chosen")

    served(station, act)
    assert begun == []


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"task": "nothing"}, "task: found 'nothing'; allowed: check-bench, daily"),
        ({"stage": "soak"}, "stage: found 'soak'; allowed: playing, leads"),
        ({"percent": "x"}, "percent: found 'x'; allowed: a number from 0.001 to 20"),
        ({"meter": "none"}, "meter: found 'none'"),
        ({"task": "sense", "first": ""}, "first: found ''"),
        ({"task": "microphone", "level": "94", "file": "../secret.txt"}, "file: found '../secret.txt'"),
        ({"task": "check-bench", "kit": "../x"}, "kit: found '../x'"),
    ],
)
def test_what_no_form_of_ours_sends_is_refused(station: Station, changed: dict[str, str], words: str) -> None:
    assert words in station.choose_task(WINDOW, {**OUTPUT, **changed})
    assert station.view.phase == "idle"


def test_a_simulated_bench_calibrates_itself(tmp_path: Path) -> None:
    (tmp_path / "limits").symlink_to(ROOT / "limits")
    station = Station(tmp_path)
    assert "calibrates itself" in station.choose_task(WINDOW, OUTPUT)
    task, _ = asked_for(station.place, station.kits, {"task": "daily", "kit": "booth-two"})
    assert "reference build of booth-two" in task.words


def test_a_daily_check_is_put_down_where_no_stop_strikes_any_more(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    monkeypatch.setattr(bench_tasks, "daily_check", lambda *of: [])
    monkeypatch.setattr(bench_tasks, "put_down", lambda *of: done.append("put down"))
    front = Front(pytest.fail, pytest.fail, lambda make: done.append("shown"), lambda: done.append("closed"))
    asked_for(station.place, station.kits, {"task": "daily", "kit": "booth-two"})[1](front)
    assert done == ["closed", "put down", "shown"]


def test_the_bench_is_checked_from_the_page(tmp_path: Path) -> None:
    (tmp_path / "limits").symlink_to(ROOT / "limits")
    station = Station(tmp_path)
    station.listen(WINDOW, lambda: None)
    station.choose_task(WINDOW, {"task": "check-bench", "kit": "booth-two", "stage": "leads", "ohm": ""})
    station.go(WINDOW, 0)

    def act() -> None:
        answered(station, asking(station))
        report = until(station, "done").report
        assert report
        assert report.outcome == "pass"
        assert all(one.words.startswith("leads: ") for one in report.told)

    served(station, act)


def test_what_is_wrong_comes_first_with_what_to_do() -> None:
    wrong = BenchFinding("hum", False, "it hums", "Unplug it.", "bench or unit")
    report = bench_report({"leads": [right("clock", "one clock"), wrong]}, "stopped early")
    assert report.outcome == "fail"
    assert [one.outcome for one in report.told] == ["fail", "pass"]
    assert report.told[0].what_to_do == "Unplug it. This may be the unit and not the bench; the step above tells which."
    assert "One thing is wrong" in report.headline
    assert "stopped early" in report.headline


def test_the_inputs_are_open_while_they_are_looked_at_and_the_bench_is_free(station: Station) -> None:
    levels, opened = station.levels, []
    plain = opening.listening

    def noticed(*of: object) -> object:
        opened.append(1)
        return plain(*of)

    def until_levels() -> None:
        for _ in range(3000):
            if levels.heard.levels:
                return
            time.sleep(0.01)
        raise AssertionError(levels.heard.why)

    def look() -> None: ...

    assert not levels.is_listening
    levels.listen(look)
    until_levels()
    # Nothing is played, so what is looped back is nothing.
    assert {one.now.trouble for one in levels.heard.levels} == {
        "gives nothing at all, not even noise: it is off, muted, or is not there"
    }
    assert [one.input.roles for one in levels.heard.levels] == [(), ("sense",), ("loopback",), ("drive", "microphone")]
    station.choose_task(WINDOW, OUTPUT)
    station.go(WINDOW, 0)
    assert not levels.is_listening
    assert levels.heard.levels == ()

    def act() -> None:
        asking(station)
        levels.leave(look)
        levels.listen(look)
        assert not levels.is_listening
        station.stop()
        until(station, "chosen")

    served(station, act)
    until_levels()
    levels.leave(look)
    for _ in range(3000):
        if not levels.is_listening:
            return
        time.sleep(0.01)
    raise AssertionError("still listening")


def test_a_stop_from_another_terminal_ends_a_tone_and_the_page_goes_on(station: Station) -> None:
    station.choose_task(WINDOW, OUTPUT)
    station.go(WINDOW, 0)

    def act() -> None:
        answered(station, number := asking(station))
        asking(station, number)
        stop_command(station.workspace)
        assert until(station, "chosen").notice == "stopped: nothing was recorded"
        station.go(WINDOW, 0)
        asking(station, number + 1)
        station.stop()
        until(station, "chosen")

    served(station, act)
    assert stored(station.workspace, "test bench") == []


def test_an_error_that_nobody_foresaw_leaves_the_page_there(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    def break_down(*of: object) -> None:
        raise ZeroDivisionError("of a test")

    monkeypatch.setattr(bench_jobs, "desk_of", break_down)
    station.choose_task(WINDOW, OUTPUT)
    station.go(WINDOW, 0)

    def act() -> None:
        for _ in range(3000):
            if "ZeroDivisionError: of a test, at line" in station.view.notice and not station.is_under_way:
                break
            time.sleep(0.01)
        assert "the page goes on" in station.view.notice
        assert station.view.phase == "chosen"
        # Of what is shown, too.
        station._change(lambda view: break_down())  # type: ignore[func-returns-value,arg-type,return-value]
        monkeypatch.undo()
        station.choose_task(WINDOW, {"task": "check-bench", "kit": "booth-two", "stage": "leads"})

    served(station, act)
