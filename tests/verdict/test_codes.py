"""Nothing is judged that was not played: a capture in another's place, of one run or of another, is void."""

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from simulated_runs import ROOT, simulated

import checks
from rig.run.judging import judge_run
from rig.run.schedule import plan, with_codes
from rig.signals.stimulus import HIGHEST_CODE
from rig.values.captures import Capture
from rig.values.requests import Sweep
from rig.verdict import clocks
from rig.verdict.check import listed_checks
from rig.verdict.examine import capture_troubles

SERIALS = {"booth-two": "BT-0001", "rehearsal-three": "RT-0001"}


def played(kit_name: str, serial: str, run: str, microphone_ppm: float | None = None) -> list[Capture]:
    """All sweeps and silences of a run, with its codes (or none)."""
    bench = simulated(ROOT, kit_name, serial, microphone_ppm=microphone_ppm)
    schedule = plan(bench.kit, listed_checks(bench.kit, checks.ALL))
    schedule = with_codes(schedule, run) if run else schedule
    return [bench.play_one(one, 700.0) for one in schedule.requests if isinstance(one, Sweep)]


@pytest.fixture(scope="module", params=SERIALS)
def run(request: pytest.FixtureRequest) -> list[Capture]:
    return played(request.param, SERIALS[request.param], "one run")


def of_one_layout(captures: Sequence[Capture]) -> list[tuple[Capture, Capture]]:
    """Pairs that nothing but their codes, and how loud their marks are, tells apart."""
    plain = [replace(replace(c.request, code=0).layout(c.sample_rate_hz), mark_peak=0.1) for c in captures]
    return [(captures[a], captures[b]) for a, b in itertools.permutations(range(len(plain)), 2) if plain[a] == plain[b]]


def without(capture: Capture, role: str) -> Capture:
    """The capture of a bench that lacks an input."""
    kept = [n for n, name in enumerate(capture.inputs) if name != role]
    return replace(capture, samples=capture.samples[kept], inputs=tuple(capture.inputs[n] for n in kept))


def test_a_run_has_each_code_once_and_none_of_it_is_that_of_calibrations(run: list[Capture]) -> None:
    codes = [capture.request.code for capture in run]
    assert len(set(codes)) == len(codes)
    assert all(1 <= code <= HIGHEST_CODE for code in codes)
    assert not any(capture_troubles(capture) for capture in run)
    # Without a cable the marks must do, which a bass box and a box from the side do not bring whatever the code.
    for capture in run:
        assert all("the timing marks" in words for words in capture_troubles(without(capture, "loopback")))


@pytest.mark.parametrize("lacks", ["", "loopback"])
def test_a_capture_in_the_place_of_any_other_of_its_run_is_void(run: list[Capture], lacks: str) -> None:
    captures = [without(capture, lacks) for capture in run]
    pairs = of_one_layout(captures)
    # With a loopback to look at it is enough to have each pair one way round.
    pairs = pairs if lacks else [(a, b) for a, b in pairs if a.request.code < b.request.code]
    # Those of other layouts are told by their sweeps; a few stand for all.
    others = list(itertools.permutations(captures, 2))[::37]
    assert len(pairs) >= 9
    for capture, other in [*pairs, *others]:
        assert capture_troubles(replace(capture, request=other.request)), (capture.request, other.request)


def test_the_trouble_names_the_code_that_was_found(run: list[Capture]) -> None:
    capture, other = next((a, b) for a, b in of_one_layout(run) if a.request.stage == "playing")
    found = capture_troubles(replace(capture, request=other.request))
    assert f"(code {capture.request.code}, {other.request.code} was asked for)" in found[0]


def test_exchanged_boxes_are_void_and_were_a_pass_without_codes() -> None:
    for name, outcome in (("", "pass"), ("one run", "void")):
        captures = played("booth-two", "BT-0001", name)
        kit = simulated(ROOT, "booth-two", "BT-0001").kit
        asked = [kit.sweep("leads", channel, quiet=True) for channel in ("left", "right")]
        left, right = (next(one for one in captures if one.request == request) for request in asked)
        exchanged = [replace(left, request=right.request), replace(right, request=left.request)]
        leads = [listed for listed in listed_checks(kit, checks.ALL) if listed.name == "leads"]
        assert judge_run(kit, leads, [(one, capture_troubles(one)) for one in exchanged], ()).outcome == outcome


def test_captures_of_another_serial_are_void() -> None:
    ours, theirs = (played("booth-two", serial, serial) for serial in ("BT-0001", "BT-0002"))
    same = [a.request.code == b.request.code for a, b in zip(ours, theirs, strict=True)]
    assert sum(same) <= 1
    for mine, other, is_same in zip(ours, theirs, same, strict=True):
        assert is_same or capture_troubles(replace(other, request=mine.request)), mine.request


def test_a_capture_of_before_codes_is_void_in_a_run_with_them() -> None:
    coded, plain = (played("booth-two", "BT-0001", name)[0] for name in ("one run", ""))
    assert not capture_troubles(plain)
    assert capture_troubles(replace(plain, request=coded.request))


def test_two_runs_share_the_code_of_a_request_once_in_63_times() -> None:
    kit = simulated(ROOT, "booth-two", "BT-0001").kit
    schedule = plan(kit, listed_checks(kit, checks.ALL))
    codes = np.array([[r.code for r in with_codes(schedule, f"run {n}").requests] for n in range(400)])
    of_two = [np.mean(codes[n:] == codes[:-n]) for n in range(1, 200)]
    assert np.mean(of_two) == pytest.approx(1 / 63, rel=0.05)


def test_more_sweeps_than_codes_give_each_code_again() -> None:
    kit = simulated(ROOT, "booth-two", "BT-0001").kit
    schedule = plan(kit, listed_checks(kit, checks.ALL))
    stage = schedule.stages[0]
    many = tuple(replace(stage.groups[0].gates[0], seconds=1.0 + n / 64) for n in range(100))
    schedule = replace(schedule, stages=(replace(stage, groups=(replace(stage.groups[0], gates=many),)),), needs={})
    codes = [request.code for request in with_codes(schedule, "one run").requests if isinstance(request, Sweep)]
    assert codes[:10] == codes[63:73]
    assert len(set(codes[:63])) == 63


def test_a_microphone_of_another_clock_without_a_cable_says_what_it_cannot_prove() -> None:
    captures = played("booth-two", "BT-0001", "one run", microphone_ppm=40.0)
    captures = [without(c, "loopback") for c in captures if c.request.stage == "playing" and not c.request.is_silence]
    assert not any("nothing in the recording proves" in words for words in clocks.remarks(captures, captures))
    # Noise drowns its marks, as where a box does not play them.
    quiet = captures[0]
    noise = np.random.default_rng(1).normal(0, 0.3 * np.std(quiet.samples), quiet.samples.shape).astype(np.float32)
    drowned = replace(quiet, samples=noise)
    assert any("nothing in the recording proves" in words for words in clocks.remarks(captures, [drowned]))
    pairs = of_one_layout(captures)[:4]
    for capture, other in pairs:
        wrong = replace(capture, request=other.request)
        rest = [one for one in captures if one not in (capture, other)]
        assert capture_troubles(wrong) or clocks.clock_disagreement([*rest, wrong], [wrong])
