"""A bench of two devices without a sound card: two streams on two clocks, cut around each stimulus."""

import multiprocessing
import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from looped_stream import RATE_HZ, looped_card

from rig.bench import listening, soaking, soundcard
from rig.bench.devices import Device
from rig.bench.own_microphone import OwnMicrophone
from rig.bench.settings import BenchSettings
from rig.bench.shuttle import Shuttle
from rig.bench.soundcard import SoundCardBench
from rig.bench.worker import serve
from rig.files.errors import BenchError
from rig.signals import stimulus
from rig.signals.noise_shape import Noise
from rig.values.requests import Guard, Programme, Sweep
from rig.verdict.examine import capture_integrity

KIT = SimpleNamespace(channels=[SimpleNamespace(name="left")])
SETTINGS = {
    "kind": "soundcard",
    "name": "two devices",
    "device": {"host_api": "none", "name": "card", "inputs": 2, "outputs": 2},
    "microphone_device": {"host_api": "none", "name": "microphone", "inputs": 2},
    "playing": {
        "inputs": {"microphone": 2, "loopback": 2},
        "outputs": {"left": 1},
        "loopback_output": 2,
        "input_volts": {"microphone": 1.0, "loopback": 2.0},
        "output_volts": 2.0,
    },
}


def counting(link, buffers, job):
    """A microphone in real time that hears the number of each frame, in millionths; or hands over nothing more."""
    ended = threading.Event()

    def run():
        shuttle, at, frames = Shuttle(buffers), 0, 480
        nothing = np.zeros((frames, 0), np.float32)
        began = time.monotonic()
        while not ended.is_set():
            heard = np.repeat(np.arange(at, at + frames, dtype=np.float32)[:, np.newaxis] * 1e-6, 2, axis=1)
            shuttle.process(heard, nothing)
            at += frames
            time.sleep(max(0.0, began + at / RATE_HZ - time.monotonic()))
            if at > 2 * RATE_HZ and job.name == "silent":
                time.sleep(60)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    link.send(("open", {"sample_rate_hz": RATE_HZ, "name": job.name}))
    serve(link, buffers, thread.is_alive)
    ended.set()


def two_cards(link, buffers, wanted):
    """In place of the sound card's own process."""
    if buffers.outputs:
        looped_card(link, buffers, wanted, speed=1)
    else:
        counting(link, buffers, wanted)


def sweep(**changes):
    settings = {"start_hz": 100.0, "stop_hz": 10000.0, "seconds": 0.2} | changes
    return Sweep("playing", "left", "left", 1.0, 10.0, **settings)


@pytest.fixture
def bench(monkeypatch):
    monkeypatch.setattr(soundcard, "audio_process", two_cards)
    yield SoundCardBench(BenchSettings(**SETTINGS), KIT)
    assert not multiprocessing.active_children()


def test_the_microphone_is_cut_around_each_stimulus_from_a_stream_of_its_own(bench):
    with bench.session(), bench.stage("playing") as player:
        captures = list(player.play([sweep(), sweep(seconds=0.3)]))
        beside = player._microphone
        assert captures[0].inputs == ("microphone", "loopback")
    for capture in captures:
        assert capture.other_clock == ("microphone",)
        plan = stimulus.layout(100.0, 10000.0, capture.request.seconds, RATE_HZ)
        assert capture.samples.shape == (2, plan.frames + round(0.25 * RATE_HZ))
        # The numbers of its frames, one after the other.
        np.testing.assert_allclose(np.diff(capture.samples[0] * 1e6), 1.0, atol=0.1)
        # The loopback is the card's, on its own clock.
        assert "no signal arrived at loopback" not in capture_integrity(capture).troubles
    # These two streams keep no common pace on a busy machine: how much later is told where their moments are given.
    assert captures[1].samples[0, 0] > captures[0].samples[0, 0]
    assert beside is not None
    assert bench.describe()["opened"]["microphone"]["name"] == "microphone"


@pytest.mark.parametrize("microphone_s", [9.0, 10.0, 10.5])
def test_the_time_of_day_says_which_frame_was_at_the_card_s(microphone_s):
    """Streams that began 3 s apart, whose drivers handed over their last blocks at other times."""
    card = SimpleNamespace(moment=(round(7.0 * RATE_HZ), 10.0))
    beside = OwnMicrophone(SimpleNamespace(moment=(round(microphone_s * RATE_HZ), microphone_s)), RATE_HZ)
    frames = stimulus.layout(100.0, 10000.0, 0.2, RATE_HZ).frames
    first, second = (beside.frame_at(card, round(2.0 * RATE_HZ) + n * frames) for n in (0, 1))
    assert first == round((2.0 + 3.0) * RATE_HZ)
    # A stimulus that follows another without a gap is cut that much later.
    assert second - first == frames


def test_a_microphone_that_hangs_ends_the_bench_in_time(monkeypatch):
    monkeypatch.setattr(soundcard, "audio_process", two_cards)
    own = {"host_api": "none", "name": "silent", "inputs": 2}
    bench = SoundCardBench(BenchSettings(**(SETTINGS | {"microphone_device": own})), KIT)
    with pytest.raises(BenchError, match="plugged in"), bench.stage("playing") as player:
        list(player.play([sweep(seconds=2.0)]))
    assert not multiprocessing.active_children()


def test_rows_of_a_programme_hold_what_the_microphone_s_own_stream_heard(monkeypatch):
    monkeypatch.setattr(soundcard, "audio_process", two_cards)
    bench = SoundCardBench(BenchSettings(**(SETTINGS | {"soak": SETTINGS["playing"]})), KIT)
    guard = Guard((), 30.0, 5.0, 3.0, (0.6, 1.6))
    rest = Programme("soak", ("left",), "left", "front", 0.0, 1.0, Noise(), 2.6, 0.5, 1.3, guard)
    bench.refuse([sweep(), rest])
    pieces = []
    with bench.session(), bench.stage("soak") as player:
        player._around = replace(player._around, observe=lambda piece: pieces.append(piece) or ({}, ""))
        rows = list(player.soak(rest))
    assert [row.seconds for row in rows] == pytest.approx([1.3, 2.6])
    for piece in pieces:
        assert piece.has_own_clock
        microphone, loopback = piece.recorded
        np.testing.assert_allclose(np.diff(microphone * 1e6), 1.0, atol=0.1)
        assert loopback.size == round(1.3 * RATE_HZ)
    # One row goes on about where the last one ended.
    assert 0.5 < (pieces[1].recorded[0, 0] - pieces[0].recorded[0, 0]) * 1e6 / RATE_HZ < 2.0


def test_what_no_common_clock_changes_is_told_once():
    assert "over the last minute" in soaking.own_clock_words(("left", "right"), is_first=True)
    assert soaking.own_clock_words(("left", "right"), is_first=False) == ""
    assert soaking.own_clock_words((), is_first=True) == ""


def test_all_inputs_of_both_devices_are_listened_to_without_an_output(monkeypatch):
    monkeypatch.setattr(listening, "audio_process", counting)
    with listening.card_listening(BenchSettings(**SETTINGS)) as card:
        heard = [card.heard(0.1) for _ in range(2)]
    assert not multiprocessing.active_children()
    found = [(one.number, one.is_own_device, one.roles) for one in card.inputs]
    assert found == [(1, False, ()), (2, False, ("loopback",)), (1, True, ()), (2, True, ("microphone",))]
    for samples in heard:
        assert samples.shape == (4, round(0.1 * RATE_HZ))
        np.testing.assert_allclose(np.diff(samples * 1e6), 1.0, atol=0.1)
    assert np.all(heard[1][:, 0] > heard[0][:, -1])
    assert card.calibration.input_volts == {"microphone": 1.0, "loopback": 2.0}


def test_both_devices_are_marked_in_the_list(monkeypatch):
    there = [Device("none", "microphone", 2, 0, 48000.0), Device("none", "card", 2, 2, 48000.0)]
    other = Device("none", "card", 2, 0, 48000.0)
    monkeypatch.setattr(soundcard, "connected_devices", lambda: [*there, other])
    rows = soundcard.list_devices(BenchSettings(**SETTINGS))
    assert [row.fits for row in rows] == [True, True, False]


def test_the_card_that_plays_may_have_no_input_at_all(monkeypatch):
    monkeypatch.setattr(soundcard, "audio_process", two_cards)
    card = {"host_api": "none", "name": "card", "inputs": 0, "outputs": 2}
    playing = SETTINGS["playing"] | {"inputs": {"microphone": 1}, "input_volts": {"microphone": 1.0}}
    del playing["loopback_output"]
    bench = SoundCardBench(BenchSettings(**(SETTINGS | {"device": card, "playing": playing})), KIT)
    with bench.stage("playing") as player:
        (capture,) = player.play([sweep()])
    assert (capture.inputs, capture.other_clock) == (("microphone",), ("microphone",))
    np.testing.assert_allclose(np.diff(capture.samples[0] * 1e6), 1.0, atol=0.1)
    assert not multiprocessing.active_children()
