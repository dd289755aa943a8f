"""How the card may be connected to an amplifier."""

import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from test_refusals import SENSED, bench
from test_soaking import PROGRAMME, REST
from test_soundcard import SETTINGS, sweep

from rig import cli
from rig.bench.connection import BRIDGED, connection_words, refuse_grounded
from rig.bench.settings import BenchSettings
from rig.files.errors import BenchSetupError
from rig.run import opening

AMBIENT = {"role": "ambient", "unit": "celsius", "query": "MEAS? 1"}


def kit(bridged):
    return SimpleNamespace(amplifier=SimpleNamespace(bridged=bridged))


def settings(**changes):
    return BenchSettings(**{**SETTINGS, **changes})


@pytest.mark.parametrize("request_", [PROGRAMME, REST, sweep(stage="soak")], ids=["programme", "rest", "sweep"])
def test_a_grounded_input_on_a_bridged_output_is_refused_whatever_sounds(request_):
    with pytest.raises(BenchSetupError, match=r"soak\.isolated: found false"):
        bench(soak=SENSED, bridged=True).refuse([request_])


def test_isolated_or_not_bridged_or_not_wired_is_not_refused():
    refuse_grounded(settings(soak=SENSED | {"isolated": True}), kit(bridged=True))
    refuse_grounded(settings(soak=SENSED), kit(bridged=False))
    refuse_grounded(settings(), kit(bridged=True))


@pytest.mark.parametrize("stage", ["leads", "after"])
def test_at_the_leads_the_amplifier_is_off_and_unplugged(stage):
    for bridged in (True, False):
        words = connection_words(kit(bridged), None, stage)
        assert "switched off and unplugged" in words
        assert (BRIDGED in words) == bridged


@pytest.mark.parametrize("stage", ["playing", "soak"])
def test_without_inputs_at_the_leads_nothing_of_the_card_is_at_the_amplifier_s_outputs(stage):
    words = connection_words(kit(bridged=True), settings(), stage)
    assert "all clips are off" in words
    assert BRIDGED in words


def test_a_programme_with_inputs_at_the_leads_says_how_they_are_connected():
    isolated = connection_words(kit(bridged=True), settings(soak=SENSED | {"isolated": True}), "soak")
    assert "leads of left while the amplifier is on" in isolated
    assert "differential probe or an isolating transformer" in isolated
    grounded = connection_words(kit(bridged=False), settings(soak=SENSED), "soak")
    assert "at the terminal that is at ground" in grounded
    assert "bridged" not in grounded


def test_with_instruments_a_bridged_output_is_kept_from_their_earths_too():
    instruments = [{"name": "logger", "address": "TCPIP::127.0.0.1::5025::SOCKET", "values": [AMBIENT]}]
    assert "minus is earthed" in connection_words(kit(bridged=True), settings(instruments=instruments), "soak")
    assert "minus is earthed" not in connection_words(kit(bridged=False), settings(instruments=instruments), "soak")


@pytest.mark.parametrize("stage", ["playing", "soak"])
def test_a_grounded_input_is_refused_wherever_the_amplifier_is_on(stage):
    with pytest.raises(BenchSetupError, match=r"soak\.isolated: found false"):
        bench(soak=SENSED, bridged=True).refuse([sweep(stage=stage)])


def test_at_the_leads_no_amplifier_is_on_and_nothing_is_refused():
    bench(soak=SENSED, bridged=True).refuse([sweep(stage="leads", level_v=0.1, path_gain=1.0)])


@pytest.mark.parametrize("command", [["verify", "booth-two", "BT-0001"], ["daily", "booth-two"]])
def test_whatever_plays_through_a_bridged_amplifier_asks_how_it_is_connected(command, monkeypatch, tmp_path, capsys):
    """`--yes` answers, and the words are shown all the same."""
    root = Path(__file__).parents[2]
    (tmp_path / "limits").symlink_to(root / "limits")
    bench_toml(tmp_path)
    simulated = opening.open_bench
    monkeypatch.setattr(
        opening,
        "open_bench",
        lambda workspace, settings, kit, serial, faults=(): simulated(workspace, None, kit, serial),
    )
    monkeypatch.setattr(sys, "argv", ["kitproof", *command, "--yes", "--workspace", str(tmp_path)])
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert left.value.code == 0
    shown = " ".join(capsys.readouterr().out.replace("│", " ").split())
    stages = 2 if command[0] == "verify" else 1
    assert shown.count("Connected like this?") == stages
    assert shown.count("neither of its output terminals is at ground") == stages
    assert "of the card nothing but its outputs is connected to the amplifier" in shown


def bench_toml(folder):
    (folder / "bench.toml").write_text(
        'kind = "soundcard"\nname = "window"\n[device]\nhost_api = "none"\nname = "none"\ninputs = 4\noutputs = 4\n'
        '[leads]\noutputs = { "*" = 1 }\ninputs = { drive = 1, sense = 2 }\noutput_volts = 2.0\n'
        "input_volts = { drive = 2.0, sense = 2.0 }\nsense_ohm = 10.0\n"
        "[playing]\noutputs = { left = 1, right = 2 }\ninputs = { microphone = 3 }\noutput_volts = 2.0\n"
        "input_volts = { microphone = 0.5 }\n"
    )
