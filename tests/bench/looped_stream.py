"""Sound processes without a sound card: one that loops its outputs back to its inputs, and some that fail.

In a module of their own, so that a child process imports little.
"""

import os
import threading
import time
from pathlib import Path

import numpy as np

from rig.bench.shuttle import FADED, Shuttle
from rig.bench.worker import serve

RATE_HZ = 48000.0


def run_stream(buffers, channels, job, ended):
    """A driver that loops its outputs back to its inputs, `job["speed"]` times as fast as real."""
    shuttle = Shuttle(buffers)
    frames = 512
    sounding, heard = np.ones((frames, channels), np.float32), np.zeros((frames, channels), np.float32)
    at = 0
    while not ended.is_set():
        if job.get("hang_at") is not None and at >= job["hang_at"]:
            time.sleep(60)
        if job.get("die_at") is not None and at >= job["die_at"]:
            os._exit(3)
        bits = 2 if at == job.get("flag_at") else 0
        shuttle.process(heard, sounding, bits)
        if "log" in job:
            # When, and how loud at most: for whoever looks when this process and its parent are gone.
            with Path(job["log"]).open("ab") as log:
                log.write(np.array([time.monotonic(), np.max(np.abs(sounding))]).tobytes())
        heard[:] = sounding
        sounding[:] = 9.0
        at += frames
        time.sleep(frames / RATE_HZ / job.get("speed", 20))


def looped(link, buffers, job):
    """A whole sound process without a sound card; recordings lag by one block of 512 frames."""
    ended = threading.Event()
    channels = max((*buffers.outputs, *buffers.inputs))
    thread = threading.Thread(target=run_stream, args=(buffers, channels, job, ended), daemon=True)
    thread.start()
    link.send(("open", {"sample_rate_hz": RATE_HZ}))
    if job.get("deaf"):
        time.sleep(60)
    serve(link, buffers, thread.is_alive)
    if "note" in job:
        Path(job["note"]).write_text(str(int(buffers.state()[FADED])), encoding="utf-8")
    ended.set()


def never_opens(link, buffers, job):
    time.sleep(60)


def dies_at_once(link, buffers, job):
    os._exit(5)


def reports(link, buffers, job):
    link.send(job)


def looped_card(link, buffers, wanted, speed=10):
    """In place of the sound card's own process."""
    looped(link, buffers, {"speed": speed})
