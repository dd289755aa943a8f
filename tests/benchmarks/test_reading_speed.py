"""How long everything that is read from one sweep of 2 s takes, beside a straightforward analysis.

    pytest tests/benchmarks/test_reading_speed.py --benchmark-only
    python tests/benchmarks/test_reading_speed.py     the ratio of the two, where the time goes, and the first capture

The reference is that of test_analysis_speed.py. The two are timed in turn, so that a busy machine slows both. Each
round hears a capture that was never heard before; what holds for all captures of this sweep is kept, as in a run.
"""

import sys
import time
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent), str(ROOT / "tests" / "checks")]

from captures import captured, playing
from test_analysis_speed import REQUEST, TWO_SECONDS, straightforward

from checks import distortion, polarity, response, rub_and_buzz
from rig.values.captures import Capture
from rig.verdict import responses

CHECKS = (response, polarity, distortion, rub_and_buzz)


def one_sweep() -> Capture:
    """A sweep of 2 s through the unit as designed, in a room so quiet that every check says something."""

    def as_designed(frequency_hz):
        return responses.design_response(TWO_SECONDS, REQUEST, np.maximum(frequency_hz, 1.0), 343.2)

    return captured(REQUEST, playing(REQUEST, as_designed), noise_v={"microphone": 3e-6, "loopback": 1e-6})


def heard(capture: Capture):
    """Response, polarity, distortion, and rub and buzz of one capture."""
    # What is kept of a capture is kept of this object alone.
    fresh = replace(capture)
    return [check.read([fresh], check.Settings(), TWO_SECONDS) for check in CHECKS]


@pytest.fixture(scope="module")
def sound() -> Capture:
    return one_sweep()


def test_every_check_reads_the_sweep(sound):
    """The check of the comparison: nothing is quick because it was refused."""
    for check, read in zip(CHECKS, heard(sound), strict=True):
        assert read.curves or check is polarity
        assert not [reading.trouble for reading in read.readings if reading.trouble], check.NAME


@pytest.mark.benchmark(group="everything from one sweep of 2 s")
def test_response_polarity_distortion_and_rub_and_buzz(benchmark, sound):
    benchmark(heard, sound)


@pytest.mark.benchmark(group="everything from one sweep of 2 s")
def test_a_straightforward_analysis_of_the_response_alone(benchmark, sound):
    benchmark(straightforward, sound)


def main(rounds: int = 25) -> None:
    """Print the ratio, and the time of each check in the order in which they share their work."""
    capture = one_sweep()
    parts: dict[str, list[float]] = {check.NAME: [] for check in CHECKS}
    reference: list[float] = []
    for _ in range(rounds + 2):
        fresh = replace(capture)
        for check in CHECKS:
            begins = time.perf_counter()
            check.read([fresh], check.Settings(), TWO_SECONDS)
            parts[check.NAME].append(time.perf_counter() - begins)
        begins = time.perf_counter()
        straightforward(fresh)
        reference.append(time.perf_counter() - begins)
    # The first rounds work out what holds for all captures of this sweep.
    rounds_s = [sum(each) for each in zip(*parts.values(), strict=True)]
    total_ms, reference_ms = 1e3 * median(rounds_s[2:]), 1e3 * median(reference[2:])
    print(f"all checks {total_ms:.0f} ms, reference {reference_ms:.0f} ms, ratio {total_ms / reference_ms:.2f}")
    for name, times in parts.items():
        print(f"  {name:14s} {1e3 * median(times[2:]):6.1f} ms")
    print(f"the first capture of a process: {1e3 * rounds_s[0]:.0f} ms, reference {1e3 * reference[0]:.0f} ms")


if __name__ == "__main__":
    main()
