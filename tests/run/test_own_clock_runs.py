"""Whole runs with a microphone on a clock of its own: good units pass, faulty ones fail, whatever the clock."""

from pathlib import Path

import pytest
from simulated_runs import ROOT, verified


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    (tmp_path / "limits").symlink_to(ROOT / "limits")
    return tmp_path


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ppm", "serial"),
    [
        (-300.0, "BT-0031"),
        pytest.param(-40.0, "BT-0032", marks=pytest.mark.thorough),
        pytest.param(110.0, "BT-0033", marks=pytest.mark.thorough),
        pytest.param(300.0, "BT-0034", marks=pytest.mark.thorough),
    ],
)
def test_a_good_unit_passes(workspace: Path, ppm: float, serial: str) -> None:
    run, record = verified(workspace, "booth-two", serial, microphone_ppm=ppm)
    assert run.outcome == "pass", [
        (v.quantity, v.subject, v.reason) for r in run.results for v in r.verdicts if v.outcome != "pass"
    ]
    told = [remark for result in run.results for remark in result.read.remarks]
    assert any(f"own clock, {ppm:+.1f} ppm" in remark for remark in told)
    assert record.outcome == "pass"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ppm", "fault", "quantity"),
    # With every test run a sign, which a wrong clock would turn first; the good unit above is on the slow clock.
    [
        (300.0, "reversed:left:tweeter", "driver polarity"),
        pytest.param(-300.0, "reversed:left:tweeter", "driver polarity", marks=pytest.mark.thorough),
        *(
            pytest.param(ppm, fault, quantity, marks=pytest.mark.thorough)
            for ppm in (-300.0, 300.0)
            for fault, quantity in (("rub:left", "evidence of impulses"), ("quiet:right=3", "sensitivity"))
        ),
    ],
)
def test_a_faulty_unit_fails(workspace: Path, ppm: float, fault: str, quantity: str) -> None:
    run, _ = verified(workspace, "booth-two", "BT-0035", [fault], microphone_ppm=ppm)
    assert run.outcome == "fail"
    assert quantity in {v.quantity for result in run.results for v in result.verdicts if v.outcome == "fail"}


def test_what_an_operating_system_does_to_the_recording_stops_a_run_with_what_to_switch_off(workspace: Path) -> None:
    run, _ = verified(workspace, "booth-two", "BT-0036", ["noise-suppression=20"])
    assert run.outcome == "void"
    assert "noise suppression" in run.stopped
    assert "switch off" in run.stopped
