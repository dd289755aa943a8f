"""Captures that were not measured so: one of a run's is changed, and no check that reads it passes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from hostile.ground import KIT, OF_TODAY, Ground, newest_folder
from hostile.promise import kitproof
from rig.run.judging import basis, evidence, judge_run, settled
from rig.run.verify import Job, job
from rig.store.records import load_captures, read_record
from rig.values.captures import Capture
from rig.verdict.examine import capture_integrity, capture_troubles
from rig.verdict.second_look import CheckedCapture

#: A unit that is measured by the same plan: its captures are exchanged with those of the other.
ANOTHER = "SO-0109"
Samples = np.ndarray[Any, np.dtype[np.float32]]
Change = Callable[[Random, Capture, "Measured"], Capture]


@dataclass(frozen=True, eq=False)
class Measured:
    """Two units that passed: what was captured of one, of the other, and how the first was judged."""

    work: Job
    captures: Sequence[CheckedCapture]
    of_another: Sequence[Capture]
    known: dict[Any, Any]


@lru_cache(maxsize=1)
def measured(workspace: Path) -> Measured:
    """Two units of a ground."""
    words = ("verify", KIT, ANOTHER, "--plan", "quick", "--workspace", str(workspace))
    assert kitproof(*words).status == 0
    record = read_record(newest_folder(workspace, OF_TODAY))
    work = job(workspace, KIT, record.plan)
    captures = [(capture, capture_troubles(capture)) for capture in load_captures(record)]
    judged = judge_run(work.kit, work.checks, captures, [])
    assert judged.outcome == "pass"
    looks, troubles = evidence(captures, [])
    known = {
        basis(one, one.requests(work.kit), looks, troubles, {}): result
        for one, result in zip(work.checks, judged.results, strict=True)
    }
    assert settled(looks, troubles)
    return Measured(work, captures, list(load_captures(read_record(newest_folder(workspace, ANOTHER)))), known)


def try_captures(random: Random, ground: Ground) -> None:
    """Change one capture of a run that passed, and judge the run."""
    whole = measured(ground.workspace)
    n = random.randrange(len(whole.captures))
    was = whole.captures[n][0]
    name = random.choice(sorted(CHANGES))
    with np.errstate(all="ignore"):
        now = CHANGES[name](random, was, whole)
        changed = [*whole.captures[:n], (now, capture_troubles(now)), *whole.captures[n + 1 :]]
        judged = judge_run(whole.work.kit, whole.work.checks, changed, [], known=whole.known)
    for listed, result in zip(whole.work.checks, judged.results, strict=True):
        reads_it = was.request in listed.requests(whole.work.kit)
        assert not (reads_it and result.outcome == "pass"), f"{listed.name} passed on {was.request}: {name}"
    assert judged.outcome != "pass", name


def _with(capture: Capture, samples: Samples, **more: Any) -> Capture:
    return replace(capture, samples=np.ascontiguousarray(samples, np.float32), **more)


def _middle(random: Random, capture: Capture, length: int) -> slice:
    """Some frames between the marks: what is lost before or behind them was nothing that is read."""
    late = int(capture_integrity(capture).delay_samples)
    first, last = capture.layout.mark_before + capture.layout.mark_frames, capture.layout.mark_after - length
    start = random.randrange(first, last) + late
    return slice(start, start + length)


def _set(value: float, part: bool) -> Change:
    """Samples at a value: one of them, or an input's whole row."""

    def change(random: Random, capture: Capture, whole: Measured) -> Capture:
        samples = capture.samples.copy()
        row = random.randrange(len(samples))
        samples[row, random.randrange(samples.shape[1]) if part else slice(None)] = value
        return _with(capture, samples)

    return change


def _scaled(factor: float) -> Change:
    return lambda random, capture, whole: _with(capture, capture.samples * np.float32(factor))


def _clipped(random: Random, capture: Capture, whole: Measured) -> Capture:
    most = np.abs(capture.samples).max(axis=1, keepdims=True) * random.choice((0.2, 0.4))
    return _with(capture, np.clip(capture.samples, -most, most))


def _exchanged(random: Random, capture: Capture, whole: Measured) -> Capture:
    return _with(capture, np.roll(capture.samples, 1, axis=0))


def _cut_short(random: Random, capture: Capture, whole: Measured) -> Capture:
    frames = capture.samples.shape[1]
    return _with(capture, capture.samples[:, : random.choice((0, 1, 2, 100, frames // 2, 2 * frames // 3))])


def _lost(random: Random, capture: Capture, whole: Measured) -> Capture:
    gone = _middle(random, capture, random.choice((16, 64, 512)))
    return _with(capture, np.delete(capture.samples, gone, axis=1))


def _doubled(random: Random, capture: Capture, whole: Measured) -> Capture:
    block = _middle(random, capture, random.choice((16, 64, 512)))
    return _with(capture, np.insert(capture.samples, [block.stop], capture.samples[:, block], axis=1))


def _silent_part(random: Random, capture: Capture, whole: Measured) -> Capture:
    samples = capture.samples.copy()
    samples[:, _middle(random, capture, random.choice((512, 4096)))] = 0.0
    return _with(capture, samples)


def _backwards(random: Random, capture: Capture, whole: Measured) -> Capture:
    return _with(capture, capture.samples[:, ::-1])


def _other_rate(random: Random, capture: Capture, whole: Measured) -> Capture:
    return replace(
        capture, sample_rate_hz=random.choice((44100.0, 96000.0, 8000.0, 48100.0, 0.0, float("nan"), -48000.0))
    )


def _resampled(random: Random, capture: Capture, whole: Measured) -> Capture:
    frames = capture.samples.shape[1]
    at = np.linspace(0, frames - 1, int(frames * random.choice((0.9, 44.1 / 48, 1.01, 1.1))))
    return _with(capture, np.stack([np.interp(at, np.arange(frames), row) for row in capture.samples]))


def _noise(random: Random, capture: Capture, whole: Measured) -> Capture:
    numbers = np.random.default_rng(random.randrange(2**32)).normal(size=capture.samples.shape)
    return _with(capture, numbers * np.abs(capture.samples).max() / 5)


def _another_request(random: Random, capture: Capture, whole: Measured) -> Capture:
    """What was captured for another request of the same run."""
    others = [other for other, _ in whole.captures if other is not capture]
    other = random.choice(others)
    return replace(other, request=capture.request)


def _another_unit(random: Random, capture: Capture, whole: Measured) -> Capture:
    """What was captured of another unit for the same."""
    same = [
        other
        for other in whole.of_another
        if (other.request.stage, other.request.at, other.request.level_v, other.request.start_hz)
        == (capture.request.stage, capture.request.at, capture.request.level_v, capture.request.start_hz)
    ]
    return replace(random.choice(same), request=capture.request)


def _odd_inputs(random: Random, capture: Capture, whole: Measured) -> Capture:
    names = random.choice(((), ("microphone",) * len(capture.inputs), ("x",) * len(capture.inputs), capture.inputs[:1]))
    return replace(capture, inputs=names)


CHANGES: dict[str, Change] = {
    "one sample is NaN": _set(float("nan"), True),
    "one sample is infinite": _set(float("inf"), True),
    "a row of NaN": _set(float("nan"), False),
    "a row of zeros": _set(0.0, False),
    "a row of one value": _set(0.25, False),
    "a row beyond full scale": _set(3e38, False),
    "all zeros": _scaled(0.0),
    "denormals": _scaled(1e-40),
    "beyond every converter": _scaled(1e30),
    "clipped": _clipped,
    "inputs exchanged": _exchanged,
    "cut short": _cut_short,
    "lost samples": _lost,
    "doubled samples": _doubled,
    "a silent part": _silent_part,
    "backwards": _backwards,
    "another rate": _other_rate,
    "resampled": _resampled,
    "noise": _noise,
    "of another request": _another_request,
    "of another unit": _another_unit,
    "odd inputs": _odd_inputs,
}
