"""The sound card bench without a sound card: finding the device, levels, wiring, captures through a looped stream."""

import sys
from types import SimpleNamespace

import numpy as np
import pytest
from looped_stream import RATE_HZ, looped_card

from rig.bench import player, soundcard
from rig.bench.devices import Device, find_device
from rig.bench.settings import BenchSettings, DeviceSettings
from rig.bench.soundcard import SoundCardBench
from rig.files.errors import BenchError, BenchSetupError
from rig.signals import stimulus
from rig.signals.noise_shape import Noise
from rig.values.requests import Guard, Programme, Sweep

WANTED = DeviceSettings(host_api="ALSA", name="Card: USB (hw:1,0)", inputs=2, outputs=2)
KIT = SimpleNamespace(channels=[SimpleNamespace(name="left"), SimpleNamespace(name="right")])
SETTINGS = {
    "kind": "soundcard",
    "name": "test bench",
    "device": {"host_api": "none", "name": "looped", "inputs": 3, "outputs": 3},
    "leads": {
        "inputs": {"drive": 3, "sense": 1},
        "outputs": {"*": 3},
        "input_volts": {"drive": 2.0, "sense": 2.0},
        "output_volts": 1.5,
        "sense_ohm": 10.0,
    },
    "playing": {
        "inputs": {"microphone": 1, "loopback": 3},
        "outputs": {"left": 1, "right": 2},
        "loopback_output": 3,
        "input_volts": {"microphone": 1.0, "loopback": 2.0},
        "output_volts": 2.0,
    },
}


def sweep(channel="left", stage="playing", level_v=1.0, path_gain=10.0, **changes):
    settings = {"start_hz": 100.0, "stop_hz": 10000.0, "seconds": 0.2} | changes
    return Sweep(stage, channel, channel, level_v, path_gain, **settings)


@pytest.fixture
def bench(monkeypatch):
    monkeypatch.setattr(soundcard, "audio_process", looped_card)
    return SoundCardBench(BenchSettings(**SETTINGS), KIT)


CARD = Device("ALSA", "Card: USB (hw:1,0)", 2, 2, 44100.0)
OTHERS = [
    Device("ALSA", "Card: USB (hw:1,1)", 2, 2, 48000.0),
    Device("ALSA", "Card: USB (hw:1,0)", 2, 0, 48000.0),
    Device("JACK Audio Connection Kit", "Card: USB (hw:1,0)", 2, 2, 48000.0),
]


def test_a_device_is_found_wherever_it_stands_in_the_list():
    for place in range(len(OTHERS) + 1):
        assert find_device([*OTHERS[:place], CARD, *OTHERS[place:]], WANTED) == place


def test_no_match_and_two_matches_list_what_is_there():
    with pytest.raises(BenchError, match="no sound device matches") as none:
        find_device(OTHERS, WANTED)
    with pytest.raises(BenchError, match="2 sound devices match") as two:
        find_device([CARD, *OTHERS, CARD], WANTED)
    for caught in (none, two):
        assert all(str(device) in str(caught.value) for device in OTHERS)
    with pytest.raises(BenchError, match="nothing"):
        find_device([], WANTED)


def test_an_api_that_resamples_is_never_taken():
    wanted = DeviceSettings(host_api="MME", name="x", inputs=1, outputs=1)
    with pytest.raises(BenchError, match="no sound device"):
        find_device([Device("MME", "x", 1, 1, 48000.0)], wanted)


def test_devices_say_whether_they_fit(monkeypatch):
    monkeypatch.setattr(soundcard, "connected_devices", lambda: [CARD, *OTHERS])
    rows = soundcard.list_devices(BenchSettings(kind="soundcard", name="b", device=WANTED))
    assert [row.fits for row in rows] == [True, False, False, False]
    assert [bool(row.remark) for row in rows] == [False, True, True, True]
    assert not any(row.fits for row in soundcard.list_devices(None))


def test_a_missing_library_says_what_to_install(tmp_path, monkeypatch):
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    with pytest.raises(BenchError, match="libportaudio2"):
        soundcard.connected_devices()
    with (
        pytest.raises(BenchError, match="libportaudio2"),
        SoundCardBench(BenchSettings(**SETTINGS), KIT).stage("playing"),
    ):
        pass


@pytest.mark.parametrize(("level_v", "path_gain", "output_volts"), [(1.0, 10.0, 2.0), (0.1, 1.0, 1.5)])
def test_sample_peak_gives_the_level_asked_for(level_v, path_gain, output_volts):
    peak = player.sample_peak(sweep(level_v=level_v, path_gain=path_gain), output_volts)
    # RMS volts of a sine of this peak, through card and amplifier.
    assert peak * output_volts * path_gain / np.sqrt(2) == pytest.approx(level_v)


@pytest.mark.parametrize("level_v", [1.5, float("nan"), -1.0])
def test_levels_the_card_cannot_give_are_refused(level_v):
    with pytest.raises(BenchSetupError, match="output_volts"):
        player.sample_peak(sweep(level_v=level_v, path_gain=1.0), 2.0)


def test_a_kit_s_channel_without_an_output_is_refused():
    kit = SimpleNamespace(channels=[*KIT.channels, SimpleNamespace(name="centre")])
    with pytest.raises(BenchSetupError, match=r"playing.outputs: found left, right; .* centre"):
        SoundCardBench(BenchSettings(**SETTINGS), kit)


def test_each_capture_holds_its_stimulus_where_the_card_is_late(bench):
    requests = [sweep("left"), sweep("right", seconds=0.3), sweep("left", level_v=0.5)]
    with bench.stage("playing") as stage:
        captures = list(stage.play(requests))
    assert [capture.request for capture in captures] == requests
    for capture, channel in zip(captures, ("left", "right", "left"), strict=True):
        request = capture.request
        plan = capture.layout
        # The first one, which shows how late the card is, is kept no longer than a later look at it would be.
        assert capture.samples.shape == (2, plan.frames)
        assert capture.inputs == ("microphone", "loopback")
        peak = request.level_v * np.sqrt(2) / 10.0 / 2.0
        expected = (peak * stimulus.compose(plan)).astype(np.float32)
        lag = 512
        heard = capture.samples[1, lag : lag + plan.frames]
        np.testing.assert_array_equal(heard, expected[: heard.size])
        assert capture.samples.shape[1] >= lag + plan.frames - plan.rest + round(0.05 * RATE_HZ)
        # Output 2, where "right" plays, is not looped to the microphone's input.
        expected = expected[: heard.size] * (channel == "left")
        np.testing.assert_array_equal(capture.samples[0, lag : lag + plan.frames], expected)


def test_the_leads_have_their_own_wiring(bench):
    with bench.stage("leads") as stage:
        (capture,) = stage.play([sweep(stage="leads", level_v=0.1, path_gain=1.0)])
    assert capture.inputs == ("drive", "sense")
    assert np.max(np.abs(capture.volts("drive"))) == pytest.approx(0.1 * np.sqrt(2) / 1.5 * 2.0, rel=1e-3)
    assert not capture.volts("sense").any()
    assert capture.calibration.sense_ohm == 10.0


def test_a_player_that_was_left_is_silent_and_plays_again(bench):
    with bench.stage("playing") as stage:
        running = stage.play([sweep(), sweep(seconds=3.0)])
        next(running)
        running.close()
        (capture,) = stage.play([sweep("right")])
    # Nothing of the sweep that was left is heard while another channel plays.
    assert not capture.volts("microphone").any()
    assert capture.volts("loopback").any()


def test_refusals_come_before_any_sound(bench):
    with bench.stage("playing") as stage:
        for wrong, words in (
            (sweep(stop_hz=23000.0), "sample rate"),
            (sweep(seconds=40.0), "too long"),
            (sweep("centre"), "none plays 'centre'"),
            (sweep(level_v=100.0), "output_volts"),
        ):
            with pytest.raises(BenchSetupError, match=words):
                list(stage.play([sweep(), wrong]))
        (capture,) = stage.play([sweep()])
    assert capture.flags == ()


def test_the_rest_is_read_row_by_row_and_sweeps_go_on_after_it(bench):
    rest = Programme(
        "soak",
        ("left", "right"),
        "left",
        "front",
        0.0,
        10.0,
        Noise(),
        4.0,
        1.0,
        2.0,
        Guard((), 30.0, 5.0, 3.0, (0.6, 1.6)),
    )
    with bench.stage("soak") as stage:
        rows = list(stage.soak(rest))
        (capture,) = stage.play([sweep(stage="soak")])
    assert [(row.seconds, row.state) for row in rows] == [(2.0, "rest"), (4.0, "rest")]
    assert capture.volts("microphone").any()


def test_a_programme_is_played_in_the_soak_alone(bench):
    programme = SimpleNamespace(is_rest=True)
    with bench.stage("playing") as stage, pytest.raises(BenchSetupError, match="reads no instruments"):
        stage.soak(programme)


def test_the_record_tells_the_equipment(bench):
    with bench.stage("playing"):
        pass
    told = bench.describe()
    assert told["name"] == "test bench"
    assert told["device"]["name"] == "looped"
    assert told["opened"]["sample_rate_hz"] == RATE_HZ


def test_another_kind_of_bench_is_refused():
    with pytest.raises(BenchSetupError, match="kind: found 'simulated'"):
        SoundCardBench(BenchSettings(kind="simulated"), KIT)
