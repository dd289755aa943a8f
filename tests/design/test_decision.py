"""Decision rules on readings and curves: what passes, what fails, and what is too near to tell."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.design.decision import Decision
from rig.design.limits import Limit
from rig.statistics.conformity import decide, probability_of_conformity
from rig.values.readings import Curve, Reading
from rig.values.verdicts import Mask
from rig.verdict.judge import judge_curve, judge_number

BAND = Limit(lower=10.0, upper=20.0)
GUARDED = Decision(rule="guarded")
RISK = Decision(rule="risk", false_acceptance=0.01)


def at(value: float, uncertainty: float = 0.5) -> Reading:
    return Reading("fs", "woofer", value, "Hz", uncertainty)


@pytest.mark.parametrize(
    ("value", "simple", "guarded"),
    [(15, "pass", "pass"), (11, "pass", "pass"), (10.9, "pass", "void"), (10, "pass", "void"), (9.9, "fail", "void"),
     (9.01, "fail", "void"), (8.99, "fail", "fail"), (19.1, "pass", "void"), (21.1, "fail", "fail")],
)  # fmt: skip
def test_a_guard_band_of_the_expanded_uncertainty(value: float, simple: str, guarded: str) -> None:
    assert judge_number(at(value), BAND).outcome == simple
    assert judge_number(at(value), BAND, GUARDED).outcome == guarded


def test_what_is_too_near_says_how_near() -> None:
    verdict = judge_number(at(10.4), BAND, GUARDED)
    assert verdict.reason == "0.4 Hz inside its limit, known to ±1 Hz (k = 2): too near to tell"
    assert verdict.may_pass


def test_without_an_uncertainty_nothing_is_proved_under_a_rule_that_needs_one() -> None:
    assert judge_number(at(15, math.nan), BAND).outcome == "pass"
    for decision in (GUARDED, RISK):
        verdict = judge_number(at(15, math.nan), BAND, decision)
        assert verdict.outcome == "void"
        assert "uncertainty is not known" in verdict.reason


def test_an_exact_reading_is_decided_by_the_limit_itself() -> None:
    for decision in (GUARDED, RISK):
        assert judge_number(at(10.0, 0.0), BAND, decision).outcome == "pass"
        assert judge_number(at(9.999, 0.0), BAND, decision).outcome == "fail"


@given(st.floats(5, 25), st.floats(0.01, 3), st.floats(0.001, 0.3))
def test_the_risk_rule_keeps_its_promise(value: float, uncertainty: float, risk: float) -> None:
    verdict = judge_number(at(value, uncertainty), BAND, Decision(rule="risk", false_acceptance=risk))
    conform = float(probability_of_conformity(value, uncertainty, 10, 20))
    if verdict.outcome == "pass":
        assert 1 - conform <= risk
    if verdict.outcome == "fail":
        assert conform <= risk


@given(st.floats(-50, 50), st.floats(0, 5), st.floats(-10, 10), st.floats(0, 20))
def test_nothing_is_both_accepted_and_rejected(value: float, u: float, lower: float, width: float) -> None:
    for rule in ("simple", "guarded", "risk"):
        accepted, rejected = decide(value, u, lower, lower + width, rule)  # type: ignore[arg-type]
        assert not (accepted and rejected)
        assert rule != "simple" or accepted or rejected


def curve(values: list[float], uncertainty: float | None) -> Curve:
    hz = np.geomspace(100, 1000, len(values))
    u = None if uncertainty is None else np.full(hz.size, uncertainty)
    return Curve("level", "left", hz, np.array(values), "dB", np.full(hz.size, True), u)


MASK = Mask(np.array([100.0, 1000.0]), np.array([-2.0, -2.0]), np.array([2.0, 2.0]))
ANY = Limit(mask="m.csv")
LINE = [0.0] * 9


@pytest.mark.parametrize(
    ("peak", "simple", "guarded"),
    [(0.5, "pass", "pass"), (1.5, "pass", "void"), (2.5, "fail", "void"), (3.5, "fail", "fail")],
)
def test_a_curve_is_decided_point_by_point(peak: float, simple: str, guarded: str) -> None:
    values = LINE[:4] + [peak] + LINE[5:]
    (plain,) = judge_curve(curve(values, 0.5), MASK, ANY)
    (careful,) = judge_curve(curve(values, 0.5), MASK, ANY, GUARDED)
    assert (plain.outcome, careful.outcome) == (simple, guarded)
    if careful.outcome == "void":
        assert "too near to tell at 316 Hz" in careful.reason


def test_a_curve_without_uncertainty_is_void_under_a_guard_band() -> None:
    (verdict,) = judge_curve(curve(LINE, None), MASK, ANY, GUARDED)
    assert verdict.outcome == "void"


def test_the_smallest_probability_of_a_curve_is_told() -> None:
    values = LINE[:4] + [2.0] + LINE[5:]
    (verdict,) = judge_curve(curve(values, 0.5), MASK, ANY)
    assert verdict.conformity == pytest.approx(0.5, abs=1e-9)
    assert verdict.uncertainty == pytest.approx(0.5)


def test_a_rule_s_words() -> None:
    assert "simple acceptance" in Decision().words()
    assert "guard band of 1 times" in GUARDED.words()
    assert "at most 1 %" in RISK.words()
