"""Captures of a bench check on the simulated bench, for tests."""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from rig.bench_check.assessment import assess, requests
from rig.bench_check.bench_finding import BenchFinding
from rig.calibration.known_load import calibrate_known_load
from rig.design.kit import Kit, load_kit
from rig.simulated.bench import SimulatedBench
from rig.values.captures import Capture, KnownLoad

ROOT = Path(__file__).parents[2]
RATE_HZ = 48000.0


@lru_cache(maxsize=2)
def kit_of(name: str = "booth-two") -> Kit:
    """A demo kit."""
    return load_kit(ROOT, name)


@lru_cache(maxsize=4)
def known_load(sense_in: str = "return") -> KnownLoad:
    """The bench's inputs, compared the day before."""
    bench = SimulatedBench(kit_of(), "BT-0001", sense_in=sense_in)
    return calibrate_known_load(bench.known_load_capture(8.2), 8.2, "2026-01-14T12:00:00+00:00")


@lru_cache(maxsize=16)
def captures(stage: str, *faults: str, sense_in: str = "return") -> tuple[Capture, ...]:
    """What a stage's requests bring on booth-two."""
    bench = SimulatedBench(kit_of(), "BT-0001", faults, sense_in=sense_in)
    bench.known_load = known_load(sense_in)
    with bench.stage(stage) as player:  # type: ignore[arg-type]
        return tuple(player.play(requests(kit_of(), stage, RATE_HZ)))  # type: ignore[arg-type]


def wrong(found: Sequence[Capture], load_ohm: float | None = None) -> dict[str, BenchFinding]:
    """What is told to be wrong, by what it is."""
    return {one.what: one for one in assess(kit_of(), found, load_ohm) if one.is_right is False}


def with_calibration(found: Sequence[Capture], **changes: object) -> list[Capture]:
    """Captures of a bench that believes otherwise of itself."""
    return [replace(one, calibration=replace(one.calibration, **changes)) for one in found]  # type: ignore[arg-type]


def with_row(found: Sequence[Capture], role: str, change: np.ufunc) -> list[Capture]:
    """Captures with the samples of one input changed."""
    changed = []
    for one in found:
        samples = one.samples.copy()
        row = one.inputs.index(role)
        samples[row] = change(samples[row])
        changed.append(replace(one, samples=samples))
    return changed


def without_row(found: Sequence[Capture], role: str) -> list[Capture]:
    """Captures of a bench that has no such input."""
    kept = [n for n, name in enumerate(found[0].inputs) if name != role]
    return [replace(one, samples=one.samples[kept], inputs=tuple(one.inputs[n] for n in kept)) for one in found]


def replaced_row(capture: Capture, other: Capture, role: str) -> Capture:
    """A capture with one input as another capture has it."""
    samples = capture.samples.copy()
    samples[capture.inputs.index(role)] = other.samples[other.inputs.index(role)]
    return replace(capture, samples=samples)
