"""Silence is proved: it lies between two marks, is a live input's, and is judged only where nothing sounds."""

import json
from collections.abc import Callable
from dataclasses import asdict, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from checks import hum_and_noise
from rig.design.kit import load_kit
from rig.files.plain import json_bytes, restored
from rig.run.archive import ArchiveBench
from rig.simulated.bench import SimulatedBench
from rig.store.recordings import read_captures, write_captures
from rig.store.run_json import CaptureEntry
from rig.values.captures import Capture, Untrusted
from rig.verdict.examine import capture_troubles
from rig.verdict.responses import quiet_part

KIT = load_kit(Path(__file__).parents[2], "booth-two")
SETTINGS = hum_and_noise.Settings(seconds=1.0)


@lru_cache(maxsize=4)
def captures(kit_name: str = "booth-two") -> tuple[Capture, ...]:
    """What hum_and_noise asks for, on the simulated bench."""
    kit = load_kit(Path(__file__).parents[2], kit_name)
    bench = SimulatedBench(kit, kit.serial_example)
    with bench.stage("playing") as player:
        return tuple(player.play(hum_and_noise.requests(kit, SETTINGS)))


def silence(without_loopback: bool = False) -> Capture:
    capture = captures()[0]
    if not without_loopback:
        return capture
    row = capture.inputs.index("microphone")
    return replace(capture, samples=capture.samples[[row]], inputs=("microphone",))


def lost(samples: np.ndarray) -> np.ndarray:
    return np.concatenate([samples[:, :30000], samples[:, 30064:], samples[:, -64:]], axis=1)


def zeroed(samples: np.ndarray) -> np.ndarray:
    samples[:, 30000:31000] = 0
    return samples


def repeated(samples: np.ndarray) -> np.ndarray:
    samples[:, 30000:31024] = samples[:, 28976:30000]
    return samples


def at_another_rate(samples: np.ndarray) -> np.ndarray:
    at = np.arange(samples.shape[1])
    return np.float32([np.interp(at * 44100 / 48000, at, row) for row in samples])


def clipped(samples: np.ndarray) -> np.ndarray:
    samples[:, 30000:30003] = 1.0
    return samples


@pytest.mark.parametrize("without_loopback", [False, True])
def test_a_good_silence_has_nothing_against_it(without_loopback: bool) -> None:
    assert capture_troubles(silence(without_loopback)) == ()


@pytest.mark.parametrize("without_loopback", [False, True])
@pytest.mark.parametrize("spoil", [lost, zeroed, repeated, at_another_rate, clipped, np.zeros_like])
def test_a_silence_that_is_no_true_recording_is_told(
    spoil: Callable[[np.ndarray], np.ndarray], without_loopback: bool
) -> None:
    capture = silence(without_loopback)
    assert capture_troubles(replace(capture, samples=spoil(capture.samples.copy())))


@pytest.mark.parametrize("kit_name", ["booth-two", "rehearsal-three"])
def test_the_marks_are_not_part_of_what_is_judged(kit_name: str) -> None:
    for capture in captures(kit_name):
        if capture.request.is_silence:
            row = capture.volts("microphone")
            part = row[quiet_part(capture)]
            assert part.size >= SETTINGS.seconds * capture.sample_rate_hz
            steps = [piece.std() for piece in np.array_split(part, 10)]
            assert max(steps) < 2 * min(steps)
            assert not capture_troubles(capture)


def test_a_silence_without_marks_of_an_older_record_is_still_read(tmp_path: Path) -> None:
    old = [replace(c, request=replace(c.request, marks=None)) for c in captures() if c.request.is_silence]
    calibrations, entries = write_captures([(c, ()) for c in [*old, captures()[1]]], tmp_path)
    stored = json.loads(json_bytes(entries))
    for entry in stored[:-1]:
        del entry["request"]["marks"]
    read = list(read_captures(tmp_path, restored(tuple[CaptureEntry, ...], stored), calibrations))
    assert [asdict(c.request) for c in read[:-1]] == [asdict(c.request) for c in old]
    assert read[-1].request.marks == captures()[1].request.marks
    # It answers for the silence that is asked for today.
    given = list(ArchiveBench(read, {}).play([captures()[0].request]))
    assert given[0].request.marks is None
    assert quiet_part(given[0]) == slice(0, given[0].samples.shape[1])


def test_the_same_silence_handed_out_twice_is_none() -> None:
    first, second, *others = captures()
    with pytest.raises(Untrusted, match="an old recording"):
        hum_and_noise.read([first, replace(second, samples=first.samples), *others], SETTINGS, KIT)


def test_a_silence_that_something_makes_quieter_than_the_moments_before_the_sweeps_is_none() -> None:
    first, *others = captures()
    samples = first.samples.copy()
    samples[first.inputs.index("microphone"), quiet_part(first)] *= np.float32(0.1)
    with pytest.raises(Untrusted, match="20 dB quieter"):
        hum_and_noise.read([replace(first, samples=samples), *others], SETTINGS, KIT)
    assert hum_and_noise.read([first, *others], SETTINGS, KIT).readings


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"inputs": ("microphone", "microphone")}, "once"),
        ({"inputs": ("microphone", "phone")}, "phone"),
        ({"inputs": ("microphone",)}, "a row for each of 1 inputs"),
        ({"sample_rate_hz": float("nan")}, "sample rate"),
        ({"sample_rate_hz": 8000.0}, "cannot sound at the rate that was found"),
        ({"samples": np.zeros(10, np.float32)}, "shape"),
        ({"samples": np.full((2, 300000), np.inf, np.float32)}, "not finite"),
        ({"other_clock": ("drive",)}, "drive"),
    ],
)
@pytest.mark.parametrize("number", [0, 2])
def test_a_capture_of_a_wrong_form_is_refused_before_any_check_reads_it(
    number: int, changes: dict[str, object], words: str
) -> None:
    capture = replace(captures()[number], **changes)  # type: ignore[arg-type]
    assert words in capture_troubles(capture)[0]
