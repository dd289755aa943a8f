"""The sound process and its shuttle, against streams that need no sound card, some of which hang or die."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from looped_stream import RATE_HZ, dies_at_once, looped, never_opens, reports

from rig.bench import shuttle, worker
from rig.bench.shuttle import BROKEN, DONE, FADED, STOP, STREAMING, WRITTEN, Shuttle, allocate
from rig.bench.worker import AudioProcess
from rig.files.errors import BenchError, BenchSetupError


def is_alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").split()[2] != "Z"
    except FileNotFoundError:
        return False


@pytest.fixture
def opened():
    """Open looped streams, and see that none is left."""
    running = []

    def start(job=None, ring_frames=48000, outputs=(1, 3), inputs=(1, 3)):
        buffers = allocate(ring_frames, outputs, inputs, RATE_HZ)
        audio = AudioProcess(looped, buffers, job or {})
        running.append(audio)
        return audio, buffers

    yield start
    for audio in running:
        audio.kill()
    assert not multiprocessing.active_children()


@given(
    blocks=st.lists(st.integers(1, 300), min_size=1, max_size=40),
    start=st.integers(300, 900),
    length=st.integers(1, 900),
)
@settings(max_examples=60, deadline=None)
def test_shuttle_plays_and_records_at_the_frames_it_was_told(blocks, start, length):
    ring, ramp = 2048, 100
    buffers = allocate(ring, (2,), (1, 3), 100 / shuttle.RAMP_S)
    assert buffers.ramp_frames == ramp
    playing, recording = buffers.rings()
    wave = np.random.default_rng(0).uniform(-1, 1, length).astype(np.float32)
    playing[0, start : start + length] = wave
    state = buffers.state()
    state[WRITTEN] = start + length
    callback = Shuttle(buffers)
    sounded, at = [], 0
    for frames in blocks:
        if at + frames > ring:
            break
        heard = np.arange(at, at + frames, dtype=np.float32)[:, None] * np.array([1, 10, 100], np.float32)
        sounding = np.full((frames, 4), np.nan, np.float32)
        callback.process(heard, sounding)
        sounded.append(sounding)
        at += frames
    sounded = np.concatenate(sounded)
    expected = np.zeros(ring, np.float32)
    expected[start : start + length] = wave
    np.testing.assert_array_equal(sounded[:, 1], expected[:at])
    assert not sounded[:, [0, 2, 3]].any()
    assert state[DONE] == at
    np.testing.assert_array_equal(recording[:, :at], np.arange(at) * np.array([[1], [100]]))


def test_stop_fades_within_the_ramp_and_stays_silent():
    buffers = allocate(4096, (1,), (1,), RATE_HZ)
    buffers.rings()[0][:] = 1.0
    state = buffers.state()
    state[WRITTEN] = 10**9
    callback = Shuttle(buffers)
    block = np.zeros((64, 1), np.float32)

    def run(blocks):
        parts = []
        for _ in range(blocks):
            callback.process(block, sounding := np.zeros((64, 1), np.float32))
            parts.append(sounding[:, 0])
        return np.concatenate(parts)

    opening = run(64)
    assert opening[0] < 0.001
    assert opening[-1] == 1.0
    state[STOP] = 1
    stopped = run(64)
    steepest = np.max(np.abs(np.diff(np.concatenate((opening, stopped)))))
    assert steepest < 1.01 / buffers.ramp_frames
    assert buffers.ramp_frames <= 0.1 * RATE_HZ
    assert not stopped[buffers.ramp_frames :].any()
    assert state[FADED] == 1
    state[STOP] = 0
    assert run(64)[-1] == 1.0
    assert state[FADED] == 0


@given(
    steps=st.lists(st.tuples(st.integers(1, 400), st.integers(0, 700)), min_size=1, max_size=40),
    stop_at=st.integers(0, 60),
)
@settings(max_examples=100, deadline=None)
def test_a_stream_that_is_written_late_never_jumps(steps, stop_at):
    """Blocks of any length, writing by any amount between them, a stop at any time: no step larger than the ramp's."""
    ramp = 100
    buffers = allocate(65536, (1,), (1,), ramp / shuttle.RAMP_S)
    buffers.rings()[0][:] = 1.0
    state = buffers.state()
    state[STREAMING] = 1
    callback, sounded, missing = Shuttle(buffers), [], 0
    for count, (frames, written) in enumerate(steps):
        state[WRITTEN] += written
        state[STOP] = int(count >= stop_at)
        at = int(state[DONE])
        callback.process(np.zeros((frames, 1), np.float32), sounding := np.full((frames, 1), np.nan, np.float32))
        sounded.append(sounding[:, 0])
        assert not sounding[max(int(state[WRITTEN]) - at, 0) :].any()
        if count < stop_at:
            missing += max(at + frames - max(int(state[WRITTEN]), at), 0)
        assert state[BROKEN] >= missing
    stream = np.concatenate(([0.0], *sounded, [sounded[-1][-1]]))
    assert np.max(np.abs(np.diff(stream))) < 1.01 / ramp
    after_stop = np.concatenate([np.zeros(0), *sounded[stop_at:]])
    assert not after_stop[ramp:].any()


def test_a_stream_that_is_fed_in_time_is_played_as_it_is():
    buffers = allocate(65536, (1,), (1,), RATE_HZ)
    buffers.rings()[0][:] = 0.5
    state = buffers.state()
    state[STREAMING] = 1
    callback, sounded = Shuttle(buffers), []
    for _ in range(60):
        state[WRITTEN] = int(state[DONE]) + 512 + buffers.ramp_frames
        callback.process(np.zeros((512, 1), np.float32), sounding := np.zeros((512, 1), np.float32))
        sounded.append(sounding[:, 0])
    assert np.all(np.concatenate(sounded)[buffers.ramp_frames :] == 0.5)
    assert state[BROKEN] == 0


def test_what_is_written_comes_back_across_the_ring_s_end(opened):
    audio, buffers = opened(ring_frames=96000)
    random = np.random.default_rng(1)
    start = audio.done + 9600
    for _ in range(5):
        wave = random.uniform(-1, 1, 30000).astype(np.float32)
        audio.write(start, wave, [3])
        audio.wait_for(start + 30000 + 512, 20)
        heard = audio.read(start + 512, 30000)
        np.testing.assert_array_equal(heard[1], wave)
        assert not heard[0].any()
        start = audio.done + 9600
    assert start > 2 * buffers.ring_frames


def test_a_recording_that_was_not_fetched_is_refused(opened):
    audio, buffers = opened({"speed": 200})
    audio.wait_for(2 * buffers.ring_frames, 20)
    with pytest.raises(BenchError, match="not fetched in time"):
        audio.read(0, 100)


def test_flags_belong_to_the_frames_they_came_with(opened):
    audio, _ = opened({"flag_at": 5120})
    audio.wait_for(10240, 20)
    assert audio.flags_between(0, 5120) == ()
    assert audio.flags_between(5000, 6000) == ("input overflow",)
    assert audio.flags_between(5121, 10240) == ()


def test_close_fades_and_leaves_no_process(opened, tmp_path):
    audio, _ = opened({"note": str(tmp_path / "note")})
    audio.wait_for(9600, 20)
    audio.close()
    assert (tmp_path / "note").read_text() == "1"
    assert not is_alive(audio.pid)


def test_silence_stops_and_the_stream_plays_on(opened):
    audio, _ = opened({"speed": 1})
    audio.write(audio.done + 4800, np.ones(30000, np.float32), [1])
    audio.wait_for(audio.done + 9600, 20)
    audio.silence()
    quiet_from = audio.done + 512
    # The very next thing that is played sounds in full from its first frame on.
    start = audio.done + 1100
    audio.write(start, np.full(1000, 0.5, np.float32), [1])
    audio.wait_for(start + 2000, 20)
    assert np.all(audio.read(start + 512, 1000)[0] == 0.5)
    assert not audio.read(quiet_from, start - quiet_from + 512).any()


@pytest.mark.parametrize(
    ("target", "job", "error", "words"),
    [
        (never_opens, {}, BenchError, "did not open within"),
        (dies_at_once, {}, BenchError, "ended while opening"),
        (reports, ("error", "no such device"), BenchError, "no such device"),
        (reports, ("setup", "wrong key"), BenchSetupError, "wrong key"),
    ],
)
def test_failures_to_open_are_told_and_leave_no_process(target, job, error, words):
    buffers = allocate(4800, (1,), (1,), RATE_HZ)
    with pytest.raises(error, match=words):
        AudioProcess(target, buffers, job, open_deadline_s=2.0 if target is never_opens else 30.0)
    assert not multiprocessing.active_children()


@pytest.mark.parametrize(
    ("job", "words"),
    [({"hang_at": 9600}, "handed over nothing"), ({"die_at": 9600}, "process ended|process died")],
)
def test_a_driver_that_hangs_or_dies_is_ended(opened, monkeypatch, job, words):
    monkeypatch.setattr(worker, "HEARTBEAT_S", 0.5)
    audio, _ = opened(job)
    with pytest.raises(BenchError, match=words):
        audio.wait_for(10**7, 60)
    assert not is_alive(audio.pid)


def test_a_slow_driver_meets_the_deadline(opened):
    audio, _ = opened({"speed": 1})
    with pytest.raises(BenchError, match="did not come back"):
        audio.wait_for(10**7, 0.3)
    assert not is_alive(audio.pid)


def test_a_child_that_does_not_listen_is_ended_by_force(opened, monkeypatch):
    monkeypatch.setattr(worker, "CLOSE_DEADLINE_S", 0.5)
    audio, _ = opened({"deaf": True})
    audio.close()
    assert not is_alive(audio.pid)


PARENT = """
import sys, time
import numpy as np
sys.path[:0] = {path!r}
from looped_stream import RATE_HZ, looped
from rig.bench.shuttle import allocate
from rig.bench.worker import AudioProcess
if __name__ == "__main__":
    job = {{"note": {note!r}, "log": {log!r}, "speed": 1}}
    audio = AudioProcess(looped, allocate(480000, (1,), (1,), RATE_HZ), job)
    audio.write(audio.done + 4800, np.full({written}, 0.5, np.float32), [1])
    audio.stream()
    audio.wait_for(audio.written - {written} + 9600, 20)
    print(audio.pid, flush=True)
    time.sleep(60)
"""


@pytest.mark.parametrize(
    ("fate", "written", "most"), [(signal.SIGKILL, 200000, 100000), (signal.SIGSTOP, 60000, 61024)]
)
def test_when_the_parent_dies_or_hangs_the_sound_ends(tmp_path, fate, written, most):
    script, note, log = tmp_path / "parent.py", tmp_path / "note", tmp_path / "log"
    here = Path(__file__).parent
    paths = [str(here), str(here.parent.parent)]
    script.write_text(PARENT.format(path=paths, note=str(note), log=str(log), written=written))
    with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True) as parent:
        child = int(parent.stdout.readline())
        began = time.monotonic()
        os.kill(parent.pid, fate)
        if fate == signal.SIGSTOP:
            # It hangs for longer than what is written lasts; the stream itself runs on.
            time.sleep(2.5)
            assert is_alive(child)
            os.kill(parent.pid, signal.SIGKILL)
    deadline = time.monotonic() + 20
    while is_alive(child) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not is_alive(child)
    assert note.read_text() == "1"
    blocks = np.fromfile(log).reshape(-1, 2)
    loud = blocks[blocks[:, 1] > 0, 0]
    assert loud[0] < began
    print(f"\nsilent {1e3 * (loud[-1] - began):.0f} ms after the parent's end")
    # In frames, for a busy machine is slower in all it does: killed, much of what was written never sounded; hung, no
    # more sounded than was written, to a block or two.
    assert loud.size * 512 < most
