"""Processes share the processors; none of them starts threads of its own for sums."""

import subprocess
import sys

import pytest


@pytest.mark.skipif(sys.platform != "linux", reason="a process's threads are counted in /proc")
def test_a_sum_does_not_hang_on_how_many_threads_add_it_up() -> None:
    code = "import os, rig, numpy; print(os.environ['OPENBLAS_NUM_THREADS'], len(os.listdir('/proc/self/task')))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env={})
    assert told.stdout.split() == ["1", "1"]
