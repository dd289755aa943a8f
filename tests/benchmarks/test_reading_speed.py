"""How long everything that is read from one sweep of 2 s takes, beside a straightforward analysis.

    pytest tests/benchmarks/test_reading_speed.py --benchmark-only
    python tests/benchmarks/test_reading_speed.py     the ratio of the two, where the time goes, and the first capture
    python tests/benchmarks/test_reading_speed.py --rehearsed     the first capture behind `rehearse`, as in a run

There are two references. That of test_analysis_speed.py gives the level alone, a small part of the work.
`everything_straightforward` gives as many kinds of results as the checks do, by the plainest means and without any of
their noise bounds, uncertainties, or search for faint trains. All are timed in
turn, by the processor time of their thread. Each round hears a capture that was never heard before; what holds for
all captures of this sweep is kept, as in a run.
"""

import sys
import time
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
import pytest
import scipy

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent), str(ROOT / "tests" / "checks")]

from captures import captured, playing
from test_analysis_speed import REQUEST, TWO_SECONDS, inverted, smoothed_level, straightforward

import checks
from checks import distortion, polarity, response, rub_and_buzz
from rig.run.rehearsal import rehearse
from rig.values.captures import Capture
from rig.verdict import responses
from rig.verdict.check import listed_checks

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


def rehearsed() -> None:
    """What is done while the first question of a run is read."""
    rehearse(TWO_SECONDS, listed_checks(TWO_SECONDS, checks.ALL, "bench"))


def everything_straightforward(capture: Capture):
    """Level, signs of the drivers, harmonics 2 to 10 and impulses in the residual, as a first script gives them."""
    impulse, rate_hz = inverted(capture), capture.sample_rate_hz
    level, response = smoothed_level(impulse), impulse.time[0]
    heard_v, sweep = capture.volts("microphone"), capture.layout.alone
    arrives = int(np.argmax(np.abs(response)))
    direct = response[max(0, arrives - 48) : arrives + 2400]
    bands = [driver.band_hz for driver in TWO_SECONDS.channel(REQUEST.channel).drivers]
    filters = [scipy.signal.butter(4, band, "bandpass", fs=rate_hz, output="sos") for band in bands]
    signs = [
        np.sign(filtered[np.argmax(np.abs(filtered))])
        for filtered in (scipy.signal.sosfilt(f, direct) for f in filters)
    ]
    harmonics = []
    for order in range(1, 11):
        first = arrives - round(sweep.rate_s * np.log(order) * rate_hz)
        frames = round(0.6 * sweep.rate_s * np.log((order + 1) / order) * rate_hz)
        piece = np.take(response, np.arange(first - frames // 3, first + frames - frames // 3), mode="wrap")
        harmonics.append(np.abs(np.fft.rfft(piece * np.hanning(frames), 2**14)))
    at_hz, density = scipy.signal.welch(heard_v[capture.layout.silence], rate_hz, nperseg=4096)
    line_hz, time_s, blocks = scipy.signal.stft(heard_v, rate_hz, nperseg=1024)
    begins_s = (capture.layout.sweep_start + capture.layout.margins[0]) / rate_hz
    blocks[line_hz[:, np.newaxis] < 10 * sweep.frequency_hz(time_s - begins_s)] = 0
    _, residual = scipy.signal.istft(blocks, rate_hz)
    pieces = residual[: residual.size // 480 * 480].reshape(-1, 480)
    crest = np.max(np.abs(pieces), axis=1) / np.sqrt(np.mean(pieces**2, axis=1) + 1e-30)
    return level, signs, harmonics, (at_hz, density), crest


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


@pytest.mark.benchmark(group="everything from one sweep of 2 s")
def test_a_straightforward_analysis_of_everything(benchmark, sound):
    benchmark(everything_straightforward, sound)


def main(rounds: int = 25) -> None:
    """Print the ratios, and the time of each check in the order in which they share their work."""
    capture = one_sweep()
    if is_rehearsed := "--rehearsed" in sys.argv:
        rehearsed()
    readers = {
        check.NAME: lambda fresh, check=check: check.read([fresh], check.Settings(), TWO_SECONDS) for check in CHECKS
    }
    references = {"level alone": straightforward, "everything": everything_straightforward}
    times: dict[str, list[float]] = {name: [] for name in (*readers, *references)}
    for _ in range(rounds + 2):
        fresh = replace(capture)
        for name, read in (readers | references).items():
            begins = time.thread_time()
            read(fresh)
            times[name].append(1e3 * (time.thread_time() - begins))
    # The first rounds work out what holds for all captures of this sweep.
    whole = [sum(each) for each in zip(*(times[name] for name in readers), strict=True)]
    print(f"all checks {median(whole[2:]):.0f} ms")
    for name in references:
        later = median(times[name][2:])
        print(f"  ratio {median(whole[2:]) / later:.2f} to a straightforward script, {name}: {later:.0f} ms; ", end="")
        # Against the script's usual time: its own first one holds what its libraries load late.
        first = "behind the rehearsal" if is_rehearsed else "of a process"
        print(f"the first capture {first} {whole[0] / later:.2f}")
    for name in readers:
        print(f"  {name:14s} {median(times[name][2:]):6.1f} ms")


if __name__ == "__main__":
    main()
