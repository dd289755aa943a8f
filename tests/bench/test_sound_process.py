"""What runs in the child when the sound library itself fails: words for the person at the bench, never a traceback."""

import sys
from types import SimpleNamespace

import numpy as np
import pytest

from rig.bench import sound_process
from rig.bench.devices import WantedDevice
from rig.bench.shuttle import DONE, allocate
from rig.bench.sound_process import audio_process, list_in_child

WANTED = WantedDevice("api", "card", 1, 1, 48000.0, None, 0)


class PortAudioError(Exception):
    """As the library's own."""


class Library(SimpleNamespace):
    """A library whose card stops by itself as soon as it was started; some of its calls fail."""

    PortAudioError = PortAudioError

    def __init__(self, samplerate=48000.0, **failing):
        self.failing, self.samplerate = failing, samplerate

    def call(self, name):
        if name in self.failing:
            raise self.failing[name]

    def query_hostapis(self):
        return [{"name": "api"}]

    def query_devices(self):
        self.call("list")
        names = {"max_input_channels": 1, "max_output_channels": 1, "default_samplerate": 48000.0}
        return [{"name": "card", "hostapi": 0, **names}]

    def get_portaudio_version(self):
        return (1, "of the tests")

    def Stream(self, **named):  # noqa: N802 (the library's name)
        self.call("open")
        steps = {name: (lambda name=name: self.call(name)) for name in ("start", "abort", "close")}
        return SimpleNamespace(samplerate=self.samplerate, latency=0.1, active=False, **steps)


@pytest.fixture
def said(monkeypatch):
    """What the child says to its parent, by the library's failing calls."""
    monkeypatch.setattr(sound_process, "ignore_interrupt", lambda: None)

    def run(target, *args, **failing):
        monkeypatch.setitem(sys.modules, "sounddevice", Library(**failing))
        words = []
        target(SimpleNamespace(send=words.append, poll=lambda seconds: False), *args)
        return words

    return run


@pytest.mark.parametrize("call", ["abort", "close"])
def test_a_device_that_is_gone_when_it_is_to_be_closed_leaves_no_traceback(said, call):
    opened, ended = said(audio_process, allocate(64, (1,), (1,), 48000.0), WANTED, **{call: PortAudioError("gone")})
    assert (opened[0], ended[0]) == ("open", "error")


@pytest.mark.parametrize("text", ["", "Device unavailable [PaErrorCode -9985]"])
@pytest.mark.parametrize("call", ["list", "open", "start"])
def test_a_library_that_fails_is_told_with_what_to_do(said, call, text):
    ((kind, words),) = said(audio_process, allocate(64, (1,), (1,), 48000.0), WANTED, **{call: PortAudioError(text)})
    assert kind == "error"
    assert text in words
    assert "()" not in words
    assert "another program" in words or "plug it in" in words


@pytest.mark.parametrize("hz", [float("nan"), float("inf"), 0.0, -48000.0, 44100.0])
def test_a_rate_that_is_not_the_one_asked_for_is_refused(said, hz):
    ((kind, words),) = said(audio_process, allocate(64, (1,), (1,), 48000.0), WANTED, samplerate=hz)
    assert kind == "error"
    assert f"runs at {hz:g} Hz" in words


def test_a_list_that_cannot_be_had_is_told_with_what_to_do(said):
    ((kind, words),) = said(list_in_child, list=PortAudioError(""))
    assert kind == "error"
    assert "plug it in" in words


def test_a_block_of_no_length_is_none():
    buffers = allocate(64, (1,), (1,), 48000.0)
    callback = sound_process.Shuttle(buffers)
    for frames in (0, 1, 0):
        callback.process(np.zeros((frames, 1), np.float32), np.zeros((frames, 1), np.float32))
    assert buffers.state()[DONE] == 1
