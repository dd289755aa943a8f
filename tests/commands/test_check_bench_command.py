"""The command that checks the bench: what it prints, its exit statuses, and what it refuses."""

import json
import shutil
import sys
from pathlib import Path

import pytest

from rig import cli
from rig.bench.settings import BenchSettings
from rig.calibration.desk import Guide
from rig.design.kit import load_kit
from rig.files.errors import BenchSetupError
from rig.run.bench_jobs import check_bench, has_wiring, words_before
from rig.simulated.bench import SimulatedBench

SOUNDCARD = {
    "kind": "soundcard",
    "name": "bench",
    "device": {"host_api": "x", "name": "y", "inputs": 4, "outputs": 4},
    "leads": {
        "outputs": {"*": 1},
        "inputs": {"drive": 1, "sense": 2},
        "output_volts": 2.0,
        "input_volts": {"drive": 2.0, "sense": 2.0},
        "sense_ohm": 10.0,
    },
}


def kitproof(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["kitproof", *words])
    with pytest.raises(SystemExit) as left:
        cli.main()
    code = left.value.code
    assert isinstance(code, int)
    return code


@pytest.fixture
def folder(tmp_path: Path, workspace: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace with one kit, which the commands run in."""
    shutil.copytree(workspace / "limits" / "booth-two", tmp_path / "limits" / "booth-two")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_good_bench_leaves_with_0_and_writes_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "check-bench") == 0
    said = capsys.readouterr().out
    assert said.count("Nothing is wrong here.") == 2
    assert "■" not in said
    assert "The bench is fit to measure, as far as this check can tell." in said
    assert not any(path.is_file() for path in (folder / "results").rglob("*"))


def test_a_fault_leaves_with_1_and_says_what_to_do(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fault = ("--fault", "dead-loopback")
    assert kitproof(monkeypatch, "check-bench", "booth-two", "--stage", "playing", *fault) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "■ wrong the microphone hears the boxes, but nothing arrives at the loopback input" in said
    assert "Check the cable from the card's loopback output" in said
    assert "stage leads" not in said
    # What is right takes one line beside it, and the end says what comes first.
    assert said.count("● right") == 1
    end = said.split("One thing is wrong. Put this right first")[1]
    assert "■ stage playing the microphone hears the boxes" in end
    assert "Check the cable from the card's loopback output" in end


def test_one_document(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert kitproof(monkeypatch, "check-bench", "--json", "--stage", "leads", "--fault", "clips-off") == 1
    document = json.loads(capsys.readouterr().out)
    assert (document["kit"], document["stopped"]) == ("booth-two", "")
    (wrong,) = [one for one in document["told"] if one["is_right"] is False]
    assert (wrong["stage"], wrong["what"], wrong["certainty"]) == ("leads", "no current", "bench or unit")


def test_nothing_is_played_through_the_amplifier_after_a_source_that_is_too_loud(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "check-bench", "--json", "--fault", "turned-output=14") == 1
    document = json.loads(capsys.readouterr().out)
    assert {one["stage"] for one in document["told"]} == {"leads"}
    assert document["stopped"].startswith("not played through the amplifier: the source is 14.0 dB louder")


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--stage", "soak"), "--stage: found 'soak'; allowed: leads, playing"),
        (("--load", "0"), "--load: found 0; allowed: ohms"),
        (("no-such-kit",), "no kit 'no-such-kit'"),
        (("--fault", "no-such-fault"), "there is no such kind"),
    ],
)
def test_mistakes_leave_with_3(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    found: str,
) -> None:
    assert kitproof(monkeypatch, "check-bench", *words) == 3
    assert found in capsys.readouterr().err


def test_which_kit(workspace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(workspace)
    assert kitproof(monkeypatch, "check-bench") == 3
    assert "which kit?" in capsys.readouterr().err


def test_who_says_no_stops_before_anything_sounds(workspace: Path) -> None:
    kit = load_kit(workspace, "booth-two")
    asked: list[str] = []

    def refuse(words: str) -> bool:
        asked.append(words)
        return False

    bench = SimulatedBench(kit, "BT-0001", ["unplugged"])
    told, stopped = check_bench(
        workspace,
        kit,
        None,
        bench,
        ["leads", "playing"],
        load_ohm=None,
        guide=Guide(pytest.fail, pytest.fail, refuse),
        show=lambda stage, told: None,
    )
    assert (told, stopped) == ({}, "stopped by the person at the bench")
    assert len(asked) == 1
    assert "switched off and unplugged" in asked[0]


def test_a_grounded_input_on_a_bridged_output_is_refused_before_anybody_is_asked(workspace: Path) -> None:
    kit = load_kit(workspace, "booth-two")
    soak = {
        "outputs": {"left": 1, "right": 2},
        "inputs": {"microphone": 3, "drive": 1, "sense": 2},
        "output_volts": 2.0,
        "input_volts": {"microphone": 1.0, "drive": 20.0, "sense": 1.0},
        "sense_ohm": 0.1,
        "sense_channel": "left",
    }
    settings = BenchSettings(**{**SOUNDCARD, "soak": soak})
    with pytest.raises(BenchSetupError, match=r"soak\.isolated"):
        check_bench(
            workspace,
            kit,
            settings,
            SimulatedBench(kit, "BT-0001"),
            ["leads"],
            load_ohm=None,
            guide=Guide(pytest.fail, pytest.fail, pytest.fail),
            show=lambda stage, told: None,
        )


def test_only_what_is_wired_is_checked_and_the_words_name_what_to_do(workspace: Path) -> None:
    kit, settings = load_kit(workspace, "booth-two"), BenchSettings(**SOUNDCARD)
    assert [stage for stage in ("leads", "playing") if has_wiring(settings, stage)] == ["leads"]
    assert "the known resistor of 8.2 ohm" in words_before(kit, settings, "leads", 8.2)
    playing = words_before(kit, settings, "playing", None)
    assert "0.5 m away" in playing
    assert "bridged" in playing
    with pytest.raises(BenchSetupError, match="nothing to check"):
        check_bench(
            workspace,
            kit,
            settings,
            SimulatedBench(kit, "BT-0001"),
            [],
            load_ohm=None,
            guide=Guide(pytest.fail, pytest.fail, pytest.fail),
            show=lambda stage, told: None,
        )
