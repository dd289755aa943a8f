"""From captures to verdicts: bad captures are void with a reason, and nothing a check meets ends in an exception."""

import sys
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

import checks
from checks import ALL
from rig.calibration.known_load import calibrate_known_load
from rig.values.verdicts import Verdict
from rig.verdict.check import listed_checks
from rig.verdict.examine import capture_troubles, examine, void, without_doubtful
from rig.verdict.responses import design_response

sys.path.append(str(Path(__file__).parents[1] / "checks"))
from captures import BENCH, at_leads, captured, flat, playing, spoiled
from drawn_units import short_kit

KIT = short_kit("booth-two")
LISTED = {listed.name: listed for listed in listed_checks(KIT, checks.ALL)}


@lru_cache(maxsize=1)
def bench():
    known = captured(KIT.sweep("leads", "left"), at_leads(flat(10.0)), BENCH, noise_v=1e-6)
    return replace(BENCH, known_load=calibrate_known_load(known, 10.0, "2026-01-01T12:00:00+00:00"))


@lru_cache(maxsize=64)
def good(request):
    """A unit exactly as designed."""
    if request.stage == "leads":
        from rig.circuit.channel import impedance_ohm

        load = at_leads(lambda f: impedance_ohm(KIT.model(request.channel), np.maximum(f, 1.0)))
        return captured(request, load, bench(), noise_v=1e-6)
    aside = 1.0 if request.channel == request.at else 0.4
    paths = playing(request, lambda f: aside * design_response(KIT, request, np.maximum(f, 1.0), 343.2))
    noise_v = {"microphone": 1e-5, "loopback": 1e-6}
    # No two moments sound alike.
    seed = [channel.name for channel in KIT.channels].index(request.at)
    return captured(request, paths, bench(), noise_v=noise_v, seed=seed)


def looked_over(name, how="", role=""):
    listed = LISTED[name]
    needed = listed.requests(KIT)
    made = {request: good(request) for request in needed}
    if how:
        made = {request: spoiled(capture, how, role) for request, capture in made.items()}
    troubles = {request: capture_troubles(capture) for request, capture in made.items()}
    return listed, needed, made, troubles


@pytest.mark.parametrize("name", LISTED)
def test_a_unit_as_designed_fails_nothing(name):
    result = examine(*looked_over(name), KIT)
    assert not result.reason
    undecided = [v for v in result.verdicts if v.outcome != "pass"]
    # No reference build was measured on this bench, and nothing else is open.
    assert all("reference" in verdict.reason for verdict in undecided)
    assert result.outcome == ("void" if undecided else "pass")
    assert (name == "response") == bool(undecided)


WAYS = [
    ("zero", ""), ("silent", ""), ("noise", ""), ("nan", ""), ("clipped", ""), ("short", ""), ("empty", ""),
    ("zero", "first"), ("nan", "first"), ("clipped", "first"),
]  # fmt: skip


@pytest.mark.parametrize("name", LISTED)
def test_bad_captures_are_void_with_a_reason_and_never_pass_even_if_nothing_spoke_against_them(name):
    """The checks stand on their own: what the look at the samples missed must not pass, and must not crash."""
    stage = LISTED[name].requests(KIT)[0].stage
    first = {"leads": "sense", "playing": "microphone"}[stage]
    for how, role in WAYS:
        listed, needed, made, troubles = looked_over(name, how, first if role else "")
        result = examine(listed, needed, made, troubles, KIT)
        assert result.outcome == "void", (how, role)
        assert result.reason or all(verdict.reason for verdict in result.verdicts), (how, role)
        # Of clipping the samples alone tell.
        if how != "clipped":
            unseen = examine(listed, needed, made, dict.fromkeys(troubles, ()), KIT)
            assert unseen.outcome != "pass", (how, role)


@pytest.mark.parametrize("name", LISTED)
def test_a_capture_that_is_missing_makes_the_check_void(name):
    listed, needed, made, troubles = looked_over(name)
    del made[needed[-1]]
    result = examine(listed, needed, made, troubles, KIT)
    assert result.outcome == "void"
    assert result.reason == f"not measured: {needed[-1]}"


@pytest.mark.parametrize("name", LISTED)
def test_a_part_of_a_check_is_judged_by_what_there_is(name):
    listed, needed, made, troubles = looked_over(name)
    result = examine(listed, needed[:1], made, troubles, KIT, partial=True)
    assert result.verdicts
    assert "fail" not in {verdict.outcome for verdict in result.verdicts}


def test_a_flag_of_the_driver_makes_the_check_void():
    listed, needed, made, _ = looked_over("polarity")
    made[needed[0]] = replace(made[needed[0]], flags=("input overflow",))
    troubles = {request: capture_troubles(capture) for request, capture in made.items()}
    result = examine(listed, needed, made, troubles, KIT)
    assert result.outcome == "void"
    assert "input overflow" in result.reason


def test_a_check_without_limits_proves_nothing():
    listed, needed, made, troubles = looked_over("polarity")
    result = examine(listed, needed, made, troubles, KIT.model_copy(update={"limits": {}}))
    assert (result.outcome, result.verdicts) == ("void", ())
    assert "proves nothing" in result.reason


def test_the_same_captures_give_the_same_verdicts():
    for name in LISTED:
        one, other = (examine(*looked_over(name), KIT) for _ in range(2))
        assert repr(one.verdicts) == repr(other.verdicts)


def test_void_keeps_its_reason():
    result = void(LISTED["leads"], "the operator skipped it")
    assert (result.outcome, result.reason, result.verdicts) == ("void", "the operator skipped it", ())


def verdict_of(quantity, outcome="fail"):
    return Verdict(quantity, "left", outcome, 1.0, "dB", -1.0 if outcome == "fail" else 1.0, 1e3, "", "wrong")


RESTS_ON = {check.NAME: check.RESTS_ON for check in ALL}


@pytest.mark.parametrize(
    ("check", "part", "doubtful", "judged"),
    [
        ("impedance", "leads", {"fs", "impedance"}, set()),
        ("response", "leads", set(), {"sensitivity", "match"}),
        ("response", "microphone gain", {"sensitivity", "level"}, {"match", "mean match"}),
        ("response", "microphone place", {"sensitivity", "match"}, set()),
        ("polarity", "microphone sign", {"driver polarity"}, {"polarity between"}),
        ("a workspace's own", "microphone gain", {"anything"}, set()),
    ],
)
def test_what_rests_on_a_doubted_part_of_the_bench_is_void_and_the_rest_is_judged(check, part, doubtful, judged):
    verdicts = [verdict_of(quantity, outcome) for quantity in doubtful | judged for outcome in ("fail", "pass")]
    left = without_doubtful(verdicts, RESTS_ON.get(check), {part: "it looks wrong"})
    assert {v.quantity for v in left if v.outcome == "void"} == doubtful
    assert {v.quantity for v in left if v.outcome != "void"} == judged
    assert all("it looks wrong" in v.reason for v in left if v.outcome == "void")


def test_a_shape_does_not_rest_on_a_gain_once_its_level_is_taken_out():
    verdicts = [verdict_of("free-field level shift"), verdict_of("free-field level"), verdict_of("level")]
    left = without_doubtful(verdicts, RESTS_ON["response"], {"microphone gain": "a knob was turned"})
    assert [v.outcome for v in left] == ["void", "fail", "void"]
