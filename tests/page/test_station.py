"""The station of the page: what a person does at its windows, and what becomes of it. Runs are simulated, and short."""

import shutil
import threading
import time
from pathlib import Path

import pytest
from at_the_page import WINDOW, answered, served, until
from simulated_runs import ROOT

from rig.files.errors import TableError
from rig.page import unit_run
from rig.page.front import Front
from rig.page.station import SHOWN_S, Station
from rig.page.view import View, after, first_sentence
from rig.run.interrupts import interrupt
from rig.store import records
from rig.values.run import Asked, Foretold


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """booth-two with a plan that takes a moment."""
    root = tmp_path_factory.mktemp("workspace")
    kit = Path(shutil.copytree(ROOT / "limits" / "booth-two", root / "limits" / "booth-two"))
    text = (kit / "kit.toml").read_text(encoding="utf-8")
    (kit / "kit.toml").write_text(text.replace("[plans]\n", '[plans]\nshort = ["leads"]\n'), encoding="utf-8")
    return root


@pytest.fixture(autouse=True)
def rehearsed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the kits that were rehearsed; that takes its time, and is another test's business."""
    names: list[str] = []
    monkeypatch.setattr(unit_run, "rehearse", lambda kit, checks: names.append(kit.name))
    monkeypatch.setattr(unit_run, "kit_warnings", lambda kit: (f"odd about {kit.name}",))
    return names


def with_windows(workspace: Path, *windows: str) -> Station:
    station = Station(workspace)
    for window in windows or (WINDOW,):
        station.listen(window, lambda: None)
    return station


def stopped_at_its_first_question(station: Station) -> None:
    """The run of the unit that was scanned, begun and stopped."""
    station.go(WINDOW, 0)

    def act() -> None:
        until(station, "asking")
        station.stop()
        until(station, "done")

    served(station, act)


def test_a_unit_is_led_from_its_scan_to_its_verdict(workspace: Path) -> None:
    station = with_windows(workspace)

    def act() -> None:
        station.scan("BT-0001", WINDOW, 0)
        assert station.view.unit
        assert station.view.unit.plan == "short"
        station.go(WINDOW, 0)
        asked, number = 0, 0
        while station.view.phase != "done":
            view = until(station, "asking", number) if asked < 3 else until(station, "done")
            if view.question:
                number, asked = view.question.number, asked + 1
                answered(station, number)
        result = station.view.result
        assert result
        assert result.outcome == "pass"
        assert [(light.name, light.outcome) for light in station.view.checks] == [("leads", "pass")]

    served(station, act)
    assert records.unit_records(workspace, "BT-0001")[0].outcome == "pass"


def test_the_way_to_a_report_is_shown_once_the_report_is_there(
    workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    station, ways = with_windows(workspace), []

    def way() -> str:
        is_shown = threading.Event()
        station._changes.put(is_shown.set)
        assert is_shown.wait(60)
        assert station.view.result
        return station.view.result.record

    monkeypatch.setattr(unit_run, "make_certificate", lambda record: ways.append(way()))
    station.scan("BT-0016", WINDOW, 0)
    stopped_at_its_first_question(station)
    assert ways == [""]
    assert way()


def test_a_kit_is_rehearsed_and_looked_at_behind_the_first_question_and_once(
    workspace: Path, rehearsed: list[str]
) -> None:
    station = with_windows(workspace)

    def act() -> None:
        for serial in ("BT-0012", "BT-0013"):
            station.scan(serial, WINDOW, 0)
            station.go(WINDOW, 0)
            question = until(station, "asking").question
            assert question
            for _ in range(6000):
                if station.view.warnings:
                    break
                time.sleep(0.01)
            assert station.view.warnings == ("odd about booth-two",)
            assert station.view.phase == "asking"
            station.stop()
            until(station, "done")
            while station.is_under_way:
                time.sleep(0.01)

    served(station, act)
    assert rehearsed == ["booth-two"]


def test_the_verdict_is_there_before_the_record_and_the_next_unit_may_be_scanned(
    workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    station, is_scanned = with_windows(workspace), threading.Event()
    plain = records.save

    def slowly(*of: object, **named: object) -> object:
        assert is_scanned.wait(60)
        return plain(*of, **named)

    monkeypatch.setattr(records, "save", slowly)
    station.scan("BT-0014", WINDOW, 0)
    station.go(WINDOW, 0)

    def act() -> None:
        asked = 0
        while (view := station.view).phase != "done":
            if view.question and view.phase == "asking" and view.question.number != asked:
                answered(station, asked := view.question.number)
            time.sleep(0.01)
        assert view.result
        assert view.result.outcome == "pass"
        assert view.result.record == ""
        station.scan("BT-0015", WINDOW, 0)
        assert station.view.phase == "chosen"
        # It begins by itself as soon as the record is there; stopped before, it never does.
        station.go(WINDOW, 0)
        assert "still being written" in station.view.notice
        station.stop()
        assert station.view.phase == "chosen"
        station.go(WINDOW, 0)
        is_scanned.set()
        question = until(station, "asking").question
        assert question
        assert station.view.unit
        assert station.view.unit.serial == "BT-0015"
        station.stop()
        assert until(station, "done").unit == station.view.unit

    served(station, act)
    assert records.unit_records(workspace, "BT-0014")[0].outcome == "pass"
    assert records.unit_records(workspace, "BT-0015")[0].outcome == "void"


def test_what_noise_will_hide_is_shown_until_the_microphone_moves() -> None:
    view = after(after(View(), Foretold("a rub"), None), Foretold("a hiss"), None)
    assert view.foretold == ("a rub", "a hiss")
    assert after(view, Asked("move it"), None).foretold == ()


def test_a_scan_alone_starts_nothing(workspace: Path) -> None:
    station = with_windows(workspace)
    for _ in range(200):
        station.scan("BT-0002", WINDOW, 0)
    assert station.view.phase == "chosen"
    assert records.unfinished(workspace) == []


def test_one_scan_of_go_answers_one_question_once(workspace: Path) -> None:
    station = with_windows(workspace)
    station.scan("BT-0003", WINDOW, 0)
    station.scan("KPGOON", WINDOW, 0)

    def act() -> None:
        view = until(station, "asking")
        assert view.question
        first = view.question.number
        station.go(WINDOW, first)
        # It came before anybody can have read it.
        assert station.view.question
        assert station.view.question.number == first
        answered(station, first)
        second = until(station, "asking", first).question
        assert second
        time.sleep(SHOWN_S + 0.05)
        station.go(WINDOW, first)
        station.go(WINDOW, 0)
        station.go(WINDOW, -1)
        assert station.view.question == second
        station.stop()
        until(station, "done")

    served(station, act)
    assert records.unit_records(workspace, "BT-0003")[0].outcome == "void"


def test_the_same_code_twice_at_once_is_one(workspace: Path) -> None:
    station = with_windows(workspace)
    station.scan("BT-0004", WINDOW, 0)
    station.scan("KPSKIP", WINDOW, 0)
    station.scan("KPSKIP", WINDOW, 0)
    assert station.view.phase == "idle"
    assert "twice" in station.view.notice


def test_only_one_window_answers_and_any_may_stop(workspace: Path) -> None:
    station = with_windows(workspace, "one", "two")
    assert station.view.answering == "one"
    station.scan("BT-0005", "two", 0)
    assert station.view.phase == "idle"
    station.take_over("two")
    station.scan("BT-0005", "two", 0)
    station.go("one", 0)
    assert station.view.phase == "chosen"
    station.go("two", 0)

    def act() -> None:
        until(station, "asking")
        station.stop()
        view = until(station, "done")
        assert view.result
        assert view.result.outcome == "void"

    served(station, act)


def test_a_stop_ends_a_question_where_its_interrupt_is_lost(workspace: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As one is that strikes in a callback of the interpreter."""
    monkeypatch.setattr("rig.page.station.interrupt", lambda thread: None)
    station = with_windows(workspace)
    station.scan("BT-0016", WINDOW, 0)
    station.go(WINDOW, 0)

    def act() -> None:
        until(station, "asking")
        station.stop()
        result = until(station, "done").result
        assert result
        assert result.outcome == "void"

    served(station, act)


def test_a_window_that_closes_hands_on_and_stops_nothing(workspace: Path) -> None:
    station = Station(workspace)

    def first() -> None: ...
    def second() -> None: ...

    station.listen("one", first)
    station.listen("two", second)
    station.scan("BT-0006", "one", 0)
    station.leave(first)
    assert station.view.answering == "two"
    station.leave(second)
    assert station.view.phase == "chosen"
    station.listen("three", first)
    assert station.view.answering == "three"


def test_a_serial_that_is_scanned_while_another_is_measured_is_told(workspace: Path) -> None:
    station = with_windows(workspace)
    station.scan("BT-0007", WINDOW, 0)
    station.go(WINDOW, 0)

    def act() -> None:
        until(station, "asking")
        station.scan("BT-0008", WINDOW, 0)
        assert "while BT-0007 is measured" in station.view.notice
        station.scan("KPSKIP", WINDOW, 0)
        assert station.view.unit
        assert station.view.unit.serial == "BT-0007"
        station.stop()
        until(station, "done")

    served(station, act)
    assert not (workspace / "results" / "booth-two" / "BT-0008").exists()


def test_what_keeps_a_run_from_beginning_is_told_and_the_page_stays(workspace: Path) -> None:
    station = with_windows(workspace)
    station.scan("BT-0009", WINDOW, 0)
    text = (workspace / "limits" / "booth-two" / "kit.toml").read_text(encoding="utf-8")
    station.go(WINDOW, 0)

    def act() -> None:
        for _ in range(6000):
            if station.view.notice:
                break
            time.sleep(0.01)
        assert "fs_hz" in station.view.notice
        assert station.view.phase == "chosen"

    try:
        (workspace / "limits" / "booth-two" / "kit.toml").write_text(
            text.replace("fs_hz", "fz_hz", 1), encoding="utf-8"
        )
        served(station, act)
    finally:
        (workspace / "limits" / "booth-two" / "kit.toml").write_text(text, encoding="utf-8")


def test_a_rework_is_noted_of_a_unit_that_was_measured(workspace: Path) -> None:
    station = with_windows(workspace)
    station.scan("BT-0010", WINDOW, 0)
    station.scan("KPREDO", WINDOW, 0)
    assert "was measured" in station.view.notice
    stopped_at_its_first_question(station)
    station.scan("BT-0010", WINDOW, 0)
    time.sleep(1.01)
    station.scan("KPREDO", WINDOW, 0)
    assert station.view.is_reworking
    station.rework(WINDOW, " resoldered  C3 ")
    assert station.view.notice == "noted: resoldered C3"
    assert not station.view.is_reworking


def test_a_stop_while_nothing_is_under_way_does_nothing(workspace: Path) -> None:
    station = with_windows(workspace)
    station.stop()
    station.scan("BT-0011", WINDOW, 0)
    station.stop()
    assert station.view.phase == "chosen"


def test_a_kit_whose_serials_are_codes_of_the_bench_is_refused(tmp_path: Path) -> None:
    kit = Path(shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two"))
    text = (kit / "kit.toml").read_text(encoding="utf-8")
    text = text.replace(r"'BT-\d{4}'", "'[A-Z]{6}'").replace('"BT-0001"', '"ABCDEF"')
    (kit / "kit.toml").write_text(text, encoding="utf-8")
    with pytest.raises(TableError, match="serial_pattern: fits KPGOON"):
        Station(tmp_path)


@pytest.mark.parametrize(
    ("text", "step", "more"),
    [
        (
            "Clip on to the leads of the left box. Keep it on its back.",
            "Clip on to the leads of the left box.",
            "Keep it on its back.",
        ),
        ("Bare leads. Switch the amplifier off. Then on.", "Bare leads. Switch the amplifier off.", "Then on."),
        ("Short", "Short", ""),
        ("", "", ""),
        ("At 0.5 m from the box, level with it.", "At 0.5 m from the box, level with it.", ""),
    ],
)
def test_the_sentence_that_is_read_from_two_metres(text: str, step: str, more: str) -> None:
    assert first_sentence(text) == (step, more)


def test_ctrl_c_where_nothing_can_sound_any_more_ends_the_page(workspace: Path) -> None:
    station, main, late = Station(workspace), threading.get_ident(), []

    def order(front: Front) -> None:
        front.close()
        interrupt(main)
        time.sleep(1.0)

    def help_out() -> None:
        late.append(1)
        interrupt(main)

    helper = threading.Timer(20.0, help_out)
    helper.start()
    station._begun = order
    station._orders.put(order)
    with pytest.raises(KeyboardInterrupt):
        station.serve()
    helper.cancel()
    assert not late
