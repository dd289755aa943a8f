"""A tone held for a person with a meter: its level, its end, and what happens when the device goes."""

import multiprocessing
import time

import numpy as np
import pytest
from looped_stream import RATE_HZ, looped

from rig.bench.holding import Tone, held
from rig.bench.routing import Routing
from rig.bench.shuttle import allocate
from rig.bench.worker import AudioProcess
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.tone import measure_tone
from rig.values.captures import Calibration

ROUTING = Routing(
    outputs_of=lambda channel: {"left": (1,), "both": (1, 2)}[channel],
    roles=("microphone", "loopback"),
    rows=(0, 1),
    calibration=Calibration({"microphone": 1.0, "loopback": 1.0}, 2.0),
    sample_rate_hz=RATE_HZ,
)


@pytest.fixture
def opened():
    """Looped streams, ten times as fast as real, and none left behind."""
    running = []

    def start(**job):
        audio = AudioProcess(looped, allocate(round(60 * RATE_HZ), (1, 2), (1, 2), RATE_HZ), {"speed": 10} | job)
        running.append(audio)
        return audio

    yield start
    for audio in running:
        audio.kill()
    assert not multiprocessing.active_children()


def test_the_tone_has_the_level_that_was_asked_for_at_its_outputs_alone(opened):
    with held(opened(), ROUTING, "left", Tone(110.0, 0.5)) as tone:
        assert tone.is_sounding()
        assert tone.peak == pytest.approx(0.5 * np.sqrt(2) / 2.0)
        heard = tone.recorded(1.0)
    found = measure_tone(heard["microphone"], RATE_HZ, 110.0)
    assert found.rms == pytest.approx(0.25, rel=1e-6)
    assert found.frequency_hz == pytest.approx(110.0, rel=1e-7)
    assert not heard["loopback"].any()


def test_it_ends_with_the_context_and_the_next_sounds_whole(opened):
    audio = opened()
    for channel in ("left", "both"):
        with held(audio, ROUTING, channel, Tone(110.0, 0.5)) as tone:
            assert measure_tone(tone.recorded(0.5)["microphone"], RATE_HZ, 110.0).rms == pytest.approx(0.25, rel=1e-6)
        began = audio.done
        audio.wait_for(began + 20000, 5.0)
        assert not audio.read(began + 2000, 10000).any()


def test_it_ends_by_itself_and_says_so(opened):
    audio = opened()
    with held(audio, ROUTING, "left", Tone(110.0, 0.5, seconds=2.0)) as tone:
        deadline = time.monotonic() + 20
        while tone.is_sounding() and time.monotonic() < deadline:
            time.sleep(0.01)
        assert not tone.is_sounding()
        began = audio.done
        audio.wait_for(began + 5000, 5.0)
        assert not audio.read(began + 1000, 3000).any()


def test_its_edges_are_soft(opened):
    audio = opened()
    with held(audio, ROUTING, "left", Tone(1000.0, 0.5, seconds=1.0)) as tone:
        while tone.is_sounding():
            time.sleep(0.01)
        audio.wait_for(audio.done + 2000, 5.0)
        wave = audio.read(0, min(audio.done, 96000))[0]
    first = np.flatnonzero(wave)[0]
    # A tenth of a second from nothing to full.
    assert np.max(np.abs(wave[first : first + 480])) < 0.02
    assert np.max(np.abs(wave)) == pytest.approx(0.5 * np.sqrt(2) / 2, rel=0.01)


@pytest.mark.parametrize("level_v", [0.0, -1.0, 1.5])
def test_what_the_card_cannot_give_is_refused_before_it_sounds(opened, level_v):
    audio = opened()
    with (
        pytest.raises(BenchSetupError, match="allowed by output_volts is up to 2 V"),
        held(audio, ROUTING, "left", Tone(110.0, level_v)),
    ):
        pass
    assert audio.written == 0


def test_a_device_that_goes_meanwhile_is_told(opened):
    def wait_on(tone):
        while tone.is_sounding():
            time.sleep(0.01)

    audio = opened(die_at=512 * 200)
    with held(audio, ROUTING, "left", Tone(110.0, 0.5)) as tone, pytest.raises(BenchError, match=r"died|ended"):
        wait_on(tone)
