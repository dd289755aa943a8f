"""Verdicts: void until there is evidence, and monotonic in the limits."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.design.limits import Limit, worst_point
from rig.values.readings import CheckReadings, Curve, Reading
from rig.verdict.judge import judge, judge_number, outcome_of

GRID_HZ = np.geomspace(20, 20000, 121)
WINDOW = [[100.0, 5000.0, 3.0, 3.0]]
FINITE = st.floats(-1e6, 1e6)


def level(value=0.0, valid=None, frequency_hz=GRID_HZ, design=0.0, quantity="level", subject="left", **more):
    size = frequency_hz.size
    value = np.broadcast_to(np.asarray(value, float), size).copy()
    valid = np.ones(size, bool) if valid is None else valid
    design = None if design is None else np.broadcast_to(np.asarray(design, float), size)
    return Curve(quantity, subject, frequency_hz, value, "dB", valid, design=design, **more)


def around(within=WINDOW, **more):
    return Limit(around="design", within=within, **more)


def verdicts_of(limits, *readings, folder=Path(), partial=False):
    numbers = tuple(r for r in readings if isinstance(r, Reading))
    curves = tuple(r for r in readings if isinstance(r, Curve))
    if isinstance(limits, Limit):
        limits = {"level": limits}
    return judge(CheckReadings(numbers, curves), limits, folder, "response", partial=partial)


def write_mask(folder, *rows):
    (folder / "m.csv").write_text("\n".join(["frequency_hz,lower,upper", *rows, ""]), encoding="utf-8")


def outcomes(limits, *readings, **more):
    return [verdict.outcome for verdict in verdicts_of(limits, *readings, **more)]


@given(FINITE, st.none() | FINITE, st.none() | FINITE)
def test_a_number_passes_exactly_between_its_limits(value, lower, upper):
    if (lower is None and upper is None) or (lower is not None and upper is not None and lower > upper):
        return
    verdict = judge_number(Reading("q", "s", value, "V"), Limit(lower=lower, upper=upper))
    inside = (lower is None or value >= lower) and (upper is None or value <= upper)
    assert verdict.outcome == ("pass" if inside else "fail")
    assert (verdict.margin >= 0) == inside
    assert bool(verdict.reason) == (not inside)


@given(FINITE, FINITE, FINITE, st.floats(0, 1e6), st.floats(0, 1e6))
def test_widening_a_number_limit_never_turns_pass_into_fail(value, one, other, lower_by, upper_by):
    lower, upper = sorted((one, other))
    narrow = judge_number(Reading("q", "s", value, ""), Limit(lower=lower, upper=upper))
    wide = judge_number(Reading("q", "s", value, ""), Limit(lower=lower - lower_by, upper=upper + upper_by))
    assert not (narrow.outcome == "pass" and wide.outcome == "fail")
    assert wide.margin >= narrow.margin


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_number_that_is_none_is_void(value):
    assert judge_number(Reading("q", "s", value, ""), Limit(lower=-1e300, upper=1e300)).outcome == "void"
    assert judge_number(Reading("q", "s", value, ""), Limit(upper=1.0)).outcome == "void"


@pytest.mark.parametrize(
    ("value", "noise", "outcome"),
    [
        (3.5, 0.2, "fail"),
        (3.5, 0.3, "void"),
        (-3.5, 0.3, "void"),
        (2.9, 0.3, "pass"),
        (9.0, 2.0, "fail"),
        (4, np.nan, "fail"),
    ],
)
def test_outside_by_less_than_the_noise_of_its_capture_is_void_and_never_a_fail(value, noise, outcome):
    parts = {"calibration": 9.0, "noise": noise}
    number = judge_number(Reading("q", "s", value, "dB", 9.0, parts=parts), Limit(lower=-3.0, upper=3.0))
    at_one = np.where(np.abs(np.log(GRID_HZ / 1000)) < 0.1, value, 0.0)
    everywhere = {"noise": np.full(GRID_HZ.size, noise)}
    (curve,) = verdicts_of(around(), level(at_one, parts=everywhere, uncertainty=everywhere["noise"]))
    assert (number.outcome, curve.outcome) == (outcome, outcome)
    assert number.may_pass == curve.may_pass == (outcome == "void")
    assert outcome != "void" or ("noise hides it" in number.reason and "noise hides it" in curve.reason)


def test_a_reading_with_trouble_is_void_and_says_why():
    limits = {"fs": Limit(lower=0.0, upper=100.0)}
    verdict = verdicts_of(limits, Reading("fs", "left", 50.0, "Hz", trouble="too noisy"))[0]
    assert (verdict.outcome, verdict.reason) == ("void", "too noisy")
    assert outcomes(around(), level(trouble="too noisy")) == ["void"]


rough = st.integers(0, 2**32 - 1).map(lambda seed: np.random.default_rng(seed).normal(0, 1.5, GRID_HZ.size))
widths = st.floats(0, 6)


@given(rough, rough, widths, widths, widths, widths, st.floats(0, 10), st.floats(0, 10))
def test_widening_a_window_never_turns_pass_into_fail(value, design, minus, plus, more, further, slide, slide_more):
    narrow = around([[100.0, 5000.0, minus, plus]], slide_percent=slide)
    wide = around([[100.0, 5000.0, minus + more, plus + further]], slide_percent=slide + slide_more)
    curve = level(value, design=design)
    before, after = verdicts_of(narrow, curve)[0], verdicts_of(wide, curve)[0]
    assert not (before.outcome == "pass" and after.outcome == "fail")
    # In decibels another point may be the worst of wider windows, but none that was inside gets outside.
    assert after.margin >= 0 or before.margin < 0


@given(rough, widths, widths, st.floats(0, 3), st.floats(0, 3))
def test_widening_an_aligned_window_never_turns_pass_into_fail(value, minus, plus, shift, more):
    def limit(extra):
        return around(
            [[100.0, 5000.0, minus + extra, plus + extra]], align_hz=[200.0, 2000.0], align_within_db=shift + extra
        )

    before, after = (outcome_of(outcomes(limit(extra), level(value))) for extra in (0.0, more))
    assert not (before == "pass" and after == "fail")


@given(rough, st.floats(0.5, 6))
def test_a_curve_passes_exactly_when_every_point_in_the_mask_does(value, width):
    verdict = verdicts_of(around([[100.0, 5000.0, width, width]]), level(value))[0]
    ends = np.interp(np.log([100.0, 5000.0]), np.log(GRID_HZ), value)
    inside = np.concatenate([value[(GRID_HZ >= 100) & (GRID_HZ <= 5000)], ends])
    assert verdict.margin == pytest.approx(width - np.max(np.abs(inside)), abs=1e-6)
    assert verdict.outcome == ("pass" if verdict.margin >= 0 else "fail")


#: An impedance, and windows of 15 % of it to both sides.
OHM = 6 + 54 * np.exp(-(np.log2(GRID_HZ / 2000) ** 2))


def ohms(value, design=OHM):
    return replace(level(value, design=design), unit="ohm")


def test_the_worst_point_is_the_one_furthest_outside_in_parts_of_its_window():
    """0.56 ohm where 6 are right is worse than 12 ohm too many of 60."""
    value = OHM.copy()
    peak, dip = (int(np.argmin(np.abs(GRID_HZ - hz))) for hz in (2000, 200))
    value[peak] *= 0.78
    value[dip] = 0.56
    limit = around([[100.0, 5000.0, 15.0, 15.0]], percent=True)
    verdict = verdicts_of(limit, ohms(value))[0]
    assert (verdict.at_hz, verdict.value) == (pytest.approx(GRID_HZ[dip]), pytest.approx(0.56))
    # The margin stays in ohms.
    assert verdict.margin == pytest.approx(0.56 - 0.85 * OHM[dip], rel=1e-3)
    assert "at 2" in verdict.reason
    # Where all is inside, the point named is the one nearest to its limit in the same way.
    value = OHM * 1.01
    value[dip] = 1.12 * OHM[dip]
    assert verdicts_of(limit, ohms(value))[0].at_hz == pytest.approx(GRID_HZ[dip])


@pytest.mark.parametrize(
    ("unit", "lower", "upper", "margins", "worst"),
    [
        ("ohm", [4.0, 40.0], [8.0, 80.0], [-3.0, -7.0], 0),
        # Levels under a limit: decibels are compared as they are.
        ("dB", [-np.inf, -np.inf], [-50.0, -30.0], [-4.0, -4.1], 1),
        ("dB", [-1e9, -1e9], [-50.0, -30.0], [4.0, 3.9], 1),
        # Other quantities over a limit: in parts of the limit.
        ("ohm", [4.0, 40.0], [np.inf, np.inf], [-3.0, -7.0], 0),
        # A side that is open in part of the mask counts as wide as the windows beside it are.
        ("dB", [-2.0, -np.inf, -2.0], [2.0, 2.0, 2.0], [-1.0, -1.1, -0.5], 1),
        # Outside a window of no width is worse than outside any other; inside it is nothing.
        ("dB", [0.0, -1.0], [0.0, 1.0], [-0.1, -5.0], 0),
        ("dB", [0.0, 0.0], [0.0, 0.0], [-0.1, -5.0], 1),
        ("dB", [0.0, 0.0], [0.0, 0.0], [0.0, -5.0], 1),
    ],
)
def test_what_the_parts_of_a_window_are(unit, lower, upper, margins, worst):
    lower, upper, margins = (np.array(values, float) for values in (lower, upper, margins))
    assert worst_point(margins, lower, upper, unit, np.ones(margins.size, bool)) == worst
    assert worst_point(margins, lower, upper, unit, np.arange(margins.size) != worst) != worst


def test_the_worst_place_is_named():
    value = np.zeros(GRID_HZ.size)
    place = int(np.argmin(np.abs(GRID_HZ - 1000)))
    value[place] = -4.5
    verdict = verdicts_of(around(), level(value))[0]
    assert verdict.outcome == "fail"
    assert verdict.at_hz == pytest.approx(GRID_HZ[place])
    assert verdict.value == pytest.approx(-4.5)
    assert verdict.margin == pytest.approx(-1.5)
    assert "too low at 1" in verdict.reason


INSIDE = [int(n) for n in np.flatnonzero((GRID_HZ >= 100) & (GRID_HZ <= 5000))]


@given(st.sampled_from(INSIDE))
def test_one_point_that_is_not_valid_inside_the_mask_makes_it_void(place):
    valid = np.ones(GRID_HZ.size, bool)
    valid[place] = False
    assert outcomes(around(), level(valid=valid)) == ["void"]


@given(st.sampled_from(INSIDE), st.sampled_from([np.nan, np.inf, -np.inf]))
def test_one_point_that_is_not_finite_makes_it_void_and_never_fail(place, wrong):
    value = np.zeros(GRID_HZ.size)
    value[place] = wrong
    assert outcomes(around(), level(value)) == ["void"]
    outside = around([[100.0, 5000.0, 3.0, 3.0]], align_hz=[100.0, 5000.0], align_within_db=1.0)
    assert set(outcomes(outside, level(value))) == {"void"}


def test_a_trusted_point_outside_fails_whatever_is_hidden_elsewhere():
    valid = (GRID_HZ < 200) | (GRID_HZ > 500)
    value = np.where(np.abs(GRID_HZ - 2000) < 60, 4.0, 0.0)
    (verdict,) = verdicts_of(around(), level(value, valid))
    assert (verdict.outcome, verdict.margin) == ("fail", -1.0)
    assert 1900 < verdict.at_hz < 2100
    assert outcomes(around(), level(0.0, valid)) == ["void"]


def test_beside_a_hidden_stretch_nothing_that_was_not_read_fails(tmp_path):
    """A mask with a point in the hole: what a straight line across the hole would be there is nobody's reading."""
    write_mask(tmp_path, "100,-3,3", "990,-30,30", "1000,-1,1", "1010,-30,30", "5000,-3,3")
    value = np.where(GRID_HZ < 1000, 2.5, -2.0)
    valid = (GRID_HZ < 700) | (GRID_HZ > 1400)
    assert outcomes(Limit(mask="m.csv"), level(value, valid), folder=tmp_path) == ["void"]


def test_a_hole_where_the_level_is_taken_from_fails_nothing():
    valid = (GRID_HZ < 600) | (GRID_HZ > 900)
    value = np.where(np.abs(GRID_HZ - 3000) < 60, 9.0, 0.0)
    aligned = around(align_hz=[500.0, 1000.0], align_within_db=1.0)
    assert outcomes(aligned, level(value, valid)) == ["void"]


@pytest.mark.parametrize(
    ("value", "rows", "expected"),
    [
        (-1.0, ("100,,0", "5000,,0"), "pass"),
        (1.0, ("100,,0", "5000,,0"), "void"),
        (-1.0, ("100,-5,0", "5000,-5,0"), "void"),
        (-6.0, ("100,-5,0", "5000,-5,0"), "fail"),
    ],
)
def test_a_bound_passes_below_an_upper_limit_and_never_fails_above_it(tmp_path, value, rows, expected):
    write_mask(tmp_path, *rows)
    bound = np.abs(GRID_HZ - 1000) < 100
    curve = level(np.where(bound, value, -2.0), ~bound, at_most=bound)
    (verdict,) = verdicts_of(Limit(mask="m.csv"), curve, folder=tmp_path)
    assert verdict.outcome == expected
    assert verdict.may_pass == (expected == "void")
    assert ("noise hides" in verdict.reason) == (expected == "void")


def test_points_outside_the_mask_may_be_anything_that_is_not_trusted():
    outside = (GRID_HZ < 90) | (GRID_HZ > 5600)
    assert outcomes(around(), level(np.where(outside, np.nan, 0.0), ~outside)) == ["pass"]
    assert outcomes(around(), level(np.where(outside, 90.0, 0.0))) == ["pass"]


@pytest.mark.parametrize(
    "frequency_hz",
    [
        np.geomspace(6000, 20000, 50),
        np.geomspace(20, 90, 50),
        np.geomspace(120, 20000, 50),
        np.geomspace(20, 4500, 50),
        np.array([20.0, 20000.0]),
        np.array([100.0, 5000.0]),
        np.concatenate([np.geomspace(20, 600, 50), np.geomspace(1000, 20000, 50)]),
        np.array([1000.0]),
        np.array([]),
    ],
    ids=["above", "below", "starts late", "ends early", "far ends", "ends only", "hole", "one point", "nothing"],
)
def test_a_curve_that_does_not_cover_the_mask_is_void(tmp_path, frequency_hz):
    (tmp_path / "mask.csv").write_text("frequency_hz,lower,upper\n100,-3,3\n5000,-3,3\n", encoding="utf-8")
    assert outcomes(Limit(mask="mask.csv"), level(frequency_hz=frequency_hz), folder=tmp_path) == ["void"]
    assert outcomes(around(), level(frequency_hz=frequency_hz)) == ["void"]


def test_nothing_valid_is_void():
    assert outcomes(around(), level(valid=np.zeros(GRID_HZ.size, bool))) == ["void"]


@pytest.mark.parametrize(("value", "expected"), [(0.0, "pass"), (9.0, "pass"), (-2.9, "pass"), (-3.1, "fail")])
def test_a_mask_open_above_limits_only_below(tmp_path, value, expected):
    (tmp_path / "mask.csv").write_text("frequency_hz,lower,upper\n100,-3,\n5000,-3,\n", encoding="utf-8")
    assert outcomes(Limit(mask="mask.csv"), level(value), folder=tmp_path) == [expected]


def test_a_mask_may_open_and_close_along_the_way(tmp_path):
    (tmp_path / "mask.csv").write_text(
        "frequency_hz,lower,upper\n100,-3,3\n999,-3,3\n1000,,3\n2000,,3\n2001,-3,3\n5000,-3,3\n", encoding="utf-8"
    )
    for low_hz, expected in ((1500, "pass"), (500, "fail"), (3000, "fail")):
        dip = np.where(np.abs(np.log(GRID_HZ / low_hz)) < 0.05, -20.0, 0.0)
        assert outcomes(Limit(mask="mask.csv"), level(dip), folder=tmp_path) == [expected]


@pytest.mark.parametrize(("offset", "shift_outcome"), [(0.0, "pass"), (0.9, "pass"), (-1.1, "fail"), (30.0, "fail")])
def test_what_alignment_takes_out_is_judged_itself(offset, shift_outcome):
    limit = around(align_hz=[200.0, 2000.0], align_within_db=1.0)
    found = verdicts_of(limit, level(offset))
    assert [verdict.outcome for verdict in found] == [shift_outcome, "pass"]
    assert found[0].quantity == "level shift"
    assert found[0].value == pytest.approx(offset, abs=1e-9)
    assert found[1].shift_db == pytest.approx(offset, abs=1e-9)


def test_alignment_is_the_mean_over_the_logarithm_of_frequency():
    value = np.where(GRID_HZ < 632.4, 2.0, 0.0)
    limit = around(align_hz=[200.0, 2000.0], align_within_db=9.0)
    assert verdicts_of(limit, level(value))[0].value == pytest.approx(1.0, abs=0.05)


def test_alignment_where_there_is_no_middle_is_void(tmp_path):
    (tmp_path / "open.csv").write_text("frequency_hz,lower,upper\n100,-3,\n5000,-3,\n", encoding="utf-8")
    (tmp_path / "far.csv").write_text("frequency_hz,lower,upper\n100,-3,3\n5000,-3,3\n", encoding="utf-8")
    aligned = {"align_hz": [200.0, 2000.0], "align_within_db": 1e12}
    assert outcomes(Limit(mask="open.csv", **aligned), level(), folder=tmp_path) == ["void"]
    assert outcomes(Limit(mask="far.csv", **aligned), level(), folder=tmp_path) == ["pass", "pass"]
    beyond = {"align_hz": [8000.0, 9000.0], "align_within_db": 1.0}
    assert outcomes(Limit(mask="far.csv", **beyond), level(), folder=tmp_path) == ["void"]


def test_a_level_that_is_only_relative_proves_its_shape_alone():
    relative = level(absolute=False)
    assert outcomes(around(), relative) == ["void"]
    assert outcomes(around(align_hz=[200.0, 2000.0], align_within_db=1e3), relative) == ["void", "pass"]


def test_a_slide_forgives_a_moved_slope_and_no_more():
    design = 24 * np.log2(GRID_HZ / 500)
    for moved, expected in ((1.04, "pass"), (1.06, "fail")):
        value = 24 * np.log2(GRID_HZ * moved / 500)
        limit = around([[100.0, 5000.0, 0.1, 0.1]], slide_percent=4.5)
        assert outcomes(limit, level(value, design=design)) == [expected]


def test_windows_with_a_step_judge_each_side_by_its_own():
    limit = around([[100.0, 1000.0, 1.0, 1.0], [1000.0, 5000.0, 4.0, 4.0]])
    just_below = GRID_HZ[GRID_HZ < 1000][-1]
    assert outcomes(limit, level(np.where(just_below == GRID_HZ, 1.5, 0.0))) == ["fail"]
    dense = np.unique(np.append(GRID_HZ, [999.999, 1000.0, 1000.001]))
    assert outcomes(limit, level(np.where(dense <= 1000, 0.9, 3.9), frequency_hz=dense)) == ["pass"]
    assert outcomes(limit, level(np.where(dense > 990, 3.9, 0.9), frequency_hz=dense)) == ["fail"]


def test_the_key_with_the_subject_goes_before_the_one_without():
    limits = {"fs": Limit(lower=40.0, upper=50.0), "fs right": Limit(lower=80.0, upper=90.0)}
    found = verdicts_of(limits, *(Reading("fs", subject, 45.0, "Hz") for subject in ("left", "right")))
    assert [(v.subject, v.outcome) for v in found] == [("left", "pass"), ("right", "fail")]


def test_a_key_limits_only_its_own_quantity():
    limits = {"fs": Limit(lower=40.0, upper=50.0)}
    assert outcomes(limits, Reading("fs", "left", 45.0, "Hz"), Reading("fs2", "left", 0.0, "Hz")) == ["pass"]


@pytest.mark.parametrize("key", ["Fs", "fs middle", "f", "fs left box"])
def test_a_limit_that_meets_nothing_is_void(key):
    limits = {"fs left": Limit(lower=40.0, upper=50.0), key: Limit(lower=0.0)}
    found = verdicts_of(limits, Reading("fs", "left", 45.0, "Hz"))
    assert [(v.quantity, v.outcome) for v in found] == [("fs", "pass"), (key, "void")]
    assert outcome_of([v.outcome for v in found]) == "void"
    assert outcomes(limits, Reading("fs", "left", 45.0, "Hz"), partial=True) == ["pass"]


def test_a_limit_of_the_wrong_kind_is_void():
    assert outcomes({"level": Limit(lower=-1e9)}, level()) == ["void"]
    assert outcomes({"fs": around()}, Reading("fs", "left", 45.0, "Hz")) == ["void"]


def test_what_has_no_limit_is_not_judged():
    assert verdicts_of({}, level(), Reading("fs", "left", 45.0, "Hz")) == []


@given(st.lists(st.sampled_from(["pass", "fail", "void"])))
def test_one_outcome_of_several(several):
    found = outcome_of(several)
    assert (found == "fail") == ("fail" in several)
    assert (found == "pass") == (bool(several) and set(several) == {"pass"})


def test_a_limit_around_the_design_is_what_good_builds_have_and_void_before_them() -> None:
    limit = {"parts misfit": Limit(around="design")}

    def outcome(good_at_most: float) -> tuple[str, str]:
        reading = Reading("parts misfit", "left", 0.5, "%", good_at_most=good_at_most)
        (verdict,) = judge(CheckReadings((reading,)), limit, Path(), "parts")
        return verdict.outcome, verdict.limit

    assert outcome(0.6) == ("pass", "at most 0.6 %")
    assert outcome(0.4) == ("fail", "at most 0.4 %")
    assert outcome(float("nan"))[0] == "void"


@pytest.mark.parametrize(
    ("limits", "outcomes"),
    [
        ({"parts misfit": Limit(around="design")}, ["pass", "fail"]),
        ({"parts misfit": Limit(around="design"), "evidence of a wrong part": Limit(upper=8.0)}, ["pass", "pass"]),
        ({"parts misfit": Limit(upper=1.0)}, ["pass"]),
    ],
)
def test_what_builds_have_taught_of_good_parts_is_one_limit(limits: dict[str, Limit], outcomes: list[str]) -> None:
    misfit = Reading("parts misfit", "left", 0.5, "%", good_at_most=0.6)
    evidence = Reading("evidence of a wrong part", "left", 7.0, "", good_at_most=5.0)
    verdicts = judge(CheckReadings((misfit, evidence)), limits, Path(), "parts")
    assert [verdict.outcome for verdict in verdicts] == outcomes
