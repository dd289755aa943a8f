"""The commands that calibrate, on a card whose outputs are joined to its inputs of the same number."""

import builtins
import json
import math
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from test_cli import kitproof

from rig.bench import soundcard
from rig.bench.settings import bench_settings
from rig.calibration.storage import stored
from rig.run import opening

sys.path.append(str(Path(__file__).parents[1] / "bench"))
from looped_stream import looped_card

BENCH = """
kind = "soundcard"
name = "test bench"

[device]
host_api = "none"
name = "looped"
inputs = 4
outputs = 4

[leads]
outputs = { "*" = 4 }
inputs = { drive = 4, sense = 2 }
output_volts = 1.5
input_volts = { drive = 1.5, sense = 1.5 }
sense_ohm = 10.0

[playing]
outputs = { left = 1, right = 2 }
loopback_output = 3
inputs = { microphone = 4, loopback = 3 }
output_volts = 2.0
input_volts = { microphone = 0.5, loopback = 2.1 }
"""
#: What the output really gives for a sample of 1.0.
TRUE_V = 2.05


@pytest.fixture
def folder(tmp_path: Path, workspace: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(soundcard, "audio_process", looped_card)
    return tmp_path


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the person types, in order; a prompt without an answer ends the input."""
    lines: list[str] = []

    def typed(words: str = "") -> str:
        if not lines:
            raise EOFError
        return lines.pop(0)

    monkeypatch.setattr(builtins, "input", typed)
    return lines


def in_force(folder: Path, stage: str = "playing"):
    settings = bench_settings(folder, None)
    return opening.with_calibrations(folder, settings).calibration(stage)


def test_output_then_input_then_loopback(
    folder: Path, monkeypatch: pytest.MonkeyPatch, answers: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    quiet_v, normal_v = 0.05 * TRUE_V / 2.0, 0.5 * TRUE_V / math.sqrt(2)
    answers += ["", "y", f"{quiet_v * 1e3:.3f} mV", "0,7", f"{normal_v:.5f}"]
    assert kitproof(monkeypatch, "calibrate", "output", "--meter-percent", "0.5") == 0
    shown = capsys.readouterr().out
    assert "found '0,7'; allowed: the meter's reading" in shown
    assert "written:" in shown
    values = in_force(folder)
    assert values.output_volts == pytest.approx(TRUE_V, rel=1e-4)
    # A meter of 0.5 %, and one output for both: each evenly.
    assert values.output_uncertainty == pytest.approx(math.hypot(0.005, 0.005) / math.sqrt(3), rel=0.02)

    assert kitproof(monkeypatch, "calibrate", "input", "loopback", "--yes") == 0
    values = in_force(folder)
    assert values.input_volts["loopback"] == pytest.approx(TRUE_V, rel=1e-4)
    assert values.input_uncertainty["loopback"] > values.output_uncertainty
    capsys.readouterr()

    assert kitproof(monkeypatch, "calibrate", "loopback", "--openings", "2", "--yes") == 0
    shown = capsys.readouterr().out
    assert "latency" in shown
    values = in_force(folder)
    # Output and input are what they are believed to be: nothing is left to correct.
    assert values.loopback_db == pytest.approx(0.0, abs=1e-3)
    assert np.nanmax(values.own_harmonics.decibel) < -100
    (one,) = [one for one in stored(folder, "test bench") if one.kind == "loopback"]
    # The looped stream is one block of 512 frames late.
    assert one.details.latency_samples == pytest.approx([512, 512], abs=0.01)

    assert kitproof(monkeypatch, "calibrations", "--json") == 0
    rows = json.loads(capsys.readouterr().out)["calibrations"]
    assert [(row["kind"], row["of"]) for row in rows] == [
        ("input", "loopback"),
        ("loopback", "playing"),
        ("output", "playing"),
    ]
    assert {row["remark"] for row in rows} == {""}
    # An output calibrated anew: the loopback was made at other volts.
    answers += ["y", f"{quiet_v:.5f}", f"{normal_v * 1.001:.5f}"]
    assert kitproof(monkeypatch, "calibrate", "output") == 0
    capsys.readouterr()
    assert kitproof(monkeypatch, "calibrations", "--all", "--json") == 0
    rows = json.loads(capsys.readouterr().out)["calibrations"]
    assert [row["remark"] for row in rows if row["kind"] == "output"] == ["superseded", ""]
    # And so was the input, made with that output's tone.
    for kind in ("loopback", "input"):
        (remark,) = [row["remark"] for row in rows if row["kind"] == kind]
        assert "another wiring or other numbers in bench.toml" in remark
    assert in_force(folder).input_volts["loopback"] == 2.1
    assert kitproof(monkeypatch, "calibrations") == 0
    assert "not asked for" in " ".join(capsys.readouterr().out.replace("│", " ").split())


def test_an_input_by_a_meter_needs_no_calibrated_output(
    folder: Path, monkeypatch: pytest.MonkeyPatch, answers: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "calibrate", "input", "drive", "--yes") == 3
    assert "run kitproof calibrate output --stage leads first" in capsys.readouterr().err
    answers += ["y", f"{0.5 * 1.53 / math.sqrt(2):.5f}"]
    assert kitproof(monkeypatch, "calibrate", "input", "drive", "--metered") == 0
    assert in_force(folder, "leads").input_volts["drive"] == pytest.approx(1.53, rel=1e-4)
    # An output measured afterwards changes nothing about it.
    answers += ["", "y", *(f"{peak * 1.53 / math.sqrt(2):.6f}" for peak in (0.05 / 1.5 * math.sqrt(2), 0.5))]
    assert kitproof(monkeypatch, "calibrate", "output", "--stage", "leads") == 0
    assert in_force(folder, "leads").output_volts == pytest.approx(1.53, rel=1e-3)
    assert in_force(folder, "leads").input_volts["drive"] == pytest.approx(1.53, rel=1e-4)


@pytest.mark.parametrize(
    ("words", "typed", "status", "told"),
    [
        (["output"], ["n"], 2, "nothing was changed"),
        (["output"], ["y", "5 mV"], 4, "Nothing louder is played"),
        (["output"], ["y", "0.05000", "0.60000"], 4, "the quiet tone reads"),
        (["output"], ["y"], 3, "nobody answers"),
        (["output", "--stage", "kitchen"], [], 3, "allowed: leads, playing, soak"),
        (["output", "--stage", "soak"], ["y", "0.05", "0.707"], 0, ""),
        (["output", "--hz", "9000"], [], 3, "allowed: 20 to 5000 Hz"),
        (["output", "--meter-percent", "0"], [], 3, "above 0"),
        (["output", "--meter", "voltmeter"], [], 3, "--meter: found 'voltmeter'; allowed: a role in volts: none"),
        (["input", "line"], [], 3, "role: found 'line'; allowed in .playing.: microphone, loopback"),
        (["input", "sense", "--metered"], ["y", "0.5"], 4, "no tone can be told|is the cable in"),
        (["loopback", "--volts", "3", "--yes"], [], 3, "allowed by output_volts"),
        (["loopback", "--stage", "leads", "--openings", "1", "--yes"], [], 0, ""),
        (["microphone", "--level", "100"], [], 3, "allowed: 94 or 114"),
        (["microphone", "--within", "9"], [], 3, "0 to 3 dB"),
        (["microphone", "--file", "nothing.txt"], [], 3, "cannot be read"),
        (["microphone", "--yes"], [], 4, "nothing but zeros, not even noise"),
        (["sense", "--load", "8.2", "--yes"], [], 4, "no undisturbed capture|carries nothing"),
        (["sense", "--load", "8200"], [], 3, "0.1 to 1000"),
        (["sense", "--load", "8.2", "--load", "22", "--load", "47"], [], 3, "one or two"),
        (["sense"], [], 3, "--load"),
    ],
)
def test_what_goes_wrong_is_told_and_nothing_is_written(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    answers: list[str],
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    typed: list[str],
    status: int,
    told: str,
) -> None:
    import re

    answers += typed
    assert kitproof(monkeypatch, "calibrate", *words) == status
    said = capsys.readouterr()
    assert re.search(told, said.err), said.err
    # The soak is wired as playing where it has no wiring of its own.
    kept = [(one.kind, one.of) for one in stored(folder, "test bench")]
    assert kept == ([(words[0], "leads" if "leads" in words else "playing")] if status == 0 else [])


def test_a_stale_calibration_makes_the_checks_that_need_it_void(
    folder: Path, monkeypatch: pytest.MonkeyPatch, answers: list[str]
) -> None:
    """In force is what bench.toml asks for; without its table nothing is."""
    assert in_force(folder).doubts == {}
    path = folder / "bench.toml"
    path.write_text(BENCH + '\n[calibrations]\nwithout = ["input"]\noutput = 30\n', encoding="utf-8")
    assert set(in_force(folder).doubts) == {"microphone", "output", "loopback"}
    answers += ["y", "0.05", "0.707"]
    assert kitproof(monkeypatch, "calibrate", "output") == 0
    assert set(in_force(folder).doubts) == {"microphone", "loopback"}


def test_the_simulated_bench_calibrates_itself(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "bench.toml").unlink()
    for words in (
        ("calibrate", "output"),
        ("calibrate", "sense", "--load", "8.2"),
        ("calibrate-load", "8.2", "booth-two"),
    ):
        assert kitproof(monkeypatch, *words) == 0
        assert "calibrates itself" in capsys.readouterr().out
    assert kitproof(monkeypatch, "calibrations") == 0
    assert "no calibrations yet" in capsys.readouterr().out
    assert kitproof(monkeypatch, "calibrate-load", "8.2", "nothing") == 3


def test_the_daily_resistor_needs_to_be_known(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "daily", "--yes") == 3
    assert "give --ohm, or run kitproof calibrate sense" in capsys.readouterr().err
    assert kitproof(monkeypatch, "daily", "--ohm", "8.2", "--yes") == 4


def test_nothing_can_be_joined_with_a_microphone_of_its_own(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    own = BENCH + '\n[microphone_device]\nhost_api = "none"\nname = "microphone"\ninputs = 4\n'
    (folder / "bench.toml").write_text(own, encoding="utf-8")
    assert kitproof(monkeypatch, "calibrate", "input", "microphone", "--metered", "--yes") == 3
    assert "kitproof calibrate microphone" in " ".join(capsys.readouterr().err.split())
