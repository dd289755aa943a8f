"""Captures side by side: what stands in another's place is void."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT, simulated

import checks
from rig.run.judging import evidence, judge_run
from rig.values.captures import Capture
from rig.verdict.check import listed_checks
from rig.verdict.examine import capture_troubles
from rig.verdict.same_run import misplaced

BENCH = simulated(ROOT, "booth-two", "BT-0001")
KIT = BENCH.kit
PLACE = KIT.positions[0].name
LEADS = [listed for listed in listed_checks(KIT, checks.ALL) if listed.name == "leads"]


def captured(stage: str, channel: str, level: float = 1.0) -> Capture:
    request = KIT.sweep(stage, channel, position="" if stage == "leads" else PLACE, quiet=True)
    return BENCH.play_one(replace(request, level_v=level * request.level_v), 100.0)


@pytest.fixture(scope="module")
def playing() -> list[Capture]:
    """Quiet sweeps at both boxes, and one of each four times as loud."""
    return [captured("playing", channel, level) for channel in ("left", "right") for level in (1.0, 4.0)]


def troubles_of(captures: list[Capture]) -> dict[object, tuple[str, ...]]:
    return evidence([(capture, capture_troubles(capture)) for capture in captures], ())[1]


def test_captures_that_are_what_they_say_stand(playing: list[Capture]) -> None:
    assert not any(troubles_of(playing).values())


def test_a_capture_of_another_level_is_void(playing: list[Capture]) -> None:
    quiet, loud, *others = playing
    exchanged = [replace(quiet, request=loud.request), replace(loud, request=quiet.request), *others]
    # Each by itself is a sound capture of the sweep that was asked for.
    assert not any(capture_troubles(capture) for capture in exchanged)
    found = troubles_of(exchanged)
    assert "-12.0 dB from the level that was asked for" in found[loud.request][0]
    assert "+12.0 dB from the level that was asked for" in found[quiet.request][0]
    assert not any(found[capture.request] for capture in others)


def test_one_capture_under_two_names_proves_neither() -> None:
    left, right = captured("leads", "left"), captured("leads", "right")
    whole = judge_run(KIT, LEADS, [(left, ()), (right, ())], ())
    assert whole.outcome == "pass"
    judged = judge_run(KIT, LEADS, [(left, ()), (replace(left, request=right.request), ())], ())
    assert judged.outcome == "void"
    assert "the very samples of another capture" in judged.results[0].reason


def test_a_sweep_with_other_ends_or_another_length_is_void() -> None:
    for capture in (captured("leads", "left"), captured("playing", "left")):
        for part, factor in (("start_hz", 1.03), ("stop_hz", 0.97), ("seconds", 1.002), ("seconds", 0.99)):
            asked = replace(capture.request, **{part: factor * getattr(capture.request, part)})
            assert capture_troubles(replace(capture, request=asked)), (part, factor)


def test_a_short_at_one_box_is_no_other_level() -> None:
    """The drive hangs on what is connected: boxes are not held against each other at their leads."""
    left, right = captured("leads", "left"), captured("leads", "right")
    right = replace(right, samples=(right.samples * np.float32(0.1)))
    assert misplaced({capture.request: capture for capture in (left, right)}) == {}
