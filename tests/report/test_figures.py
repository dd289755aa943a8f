"""Figures draw what was measured, where it can be trusted, and the limits it was held against."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import run_by_hand as example
from hypothesis import given
from hypothesis import strategies as st

from rig.design.limits import Limit
from rig.report.figures import curves_svg, panel_title, plot_of, value_range
from rig.values.readings import Curve
from rig.values.verdicts import Mask, Verdict
from rig.verdict.judge import judge_curve

NAN = float("nan")
WITHIN = Limit(around="design", within=[[60, 16000, 2, 2]])


def verdict_of(curve: Curve, lower: float, upper: float) -> Verdict:
    assert curve.design is not None
    inside = (example.GRID_HZ >= 60) & (example.GRID_HZ <= 16000)
    at = example.GRID_HZ[inside]
    mask = Mask(at, curve.design[inside] + lower, curve.design[inside] + upper, curve.design[inside])
    return judge_curve(curve, mask, WITHIN)[0]


def drawn(svg: str, name: str) -> list[list[tuple[float, float]]]:
    """The lines of a class: for each, its points."""
    lines = re.findall(rf'class="{name}" d="([^"]*)"', svg)
    found = []
    for line in lines:
        for stretch in filter(None, line.split("M")):
            found.append([(float(x), float(y)) for x, y in (point.split() for point in stretch.split("L"))])
    return found


def test_the_drawing_is_well_formed_and_has_a_panel_for_each_curve() -> None:
    curves = [example.level_curve("left"), example.level_curve("right", 5), example.impedance_curve("left")]
    tree = ElementTree.fromstring(curves_svg([(curve, None) for curve in curves], 3))
    assert len(tree.findall("svg")) == 3
    words = [element.text for element in tree.iter("text")]
    assert {"20", "50", "100", "1k", "20k", "frequency in Hz", "dB SPL", "ohm"} <= set(words)


def test_limits_are_drawn_where_they_lie() -> None:
    curve = example.level_curve("left")
    verdict = verdict_of(curve, -2, 3)
    svg = curves_svg([(curve, verdict)], 1)
    plot = plot_of(curve, verdict, (0, 0), 668)
    (upper,), (lower,), design = drawn(svg, "upper"), drawn(svg, "lower"), drawn(svg, "design")[0]
    assert svg.count('fill="url(#outside)"') == 2
    assert "upper limit" in svg
    assert "lower limit" in svg
    one_db = plot.height / (plot.up.stop - plot.up.start)
    middle = dict(design)
    at_design = [(x, middle[x]) for x, _ in upper if x in middle]
    assert len(at_design) > 100
    for (x, high), (_, low) in zip(upper, lower, strict=True):
        if x in middle:
            assert middle[x] - high == pytest.approx(3 * one_db, abs=0.11)
            assert low - middle[x] == pytest.approx(2 * one_db, abs=0.11)


def test_an_open_side_is_not_drawn() -> None:
    curve = example.level_curve("left")
    verdict = verdict_of(curve, -np.inf, 3)
    svg = curves_svg([(curve, verdict)], 1)
    assert drawn(svg, "lower") == []
    assert "lower limit" not in svg
    assert svg.count('fill="url(#outside)"') == 1


def test_what_cannot_be_trusted_is_not_drawn_as_measured() -> None:
    curve = example.level_curve(
        "left", valid=(example.GRID_HZ > 50) & ~((example.GRID_HZ > 900) & (example.GRID_HZ < 1100))
    )
    svg = curves_svg([(curve, None)], 1)
    assert len(drawn(svg, "measured")) == 2
    (dotted,) = drawn(svg, "untrusted")
    plot = plot_of(curve, None, (0, 0), 668)
    starts = [stretch[0][0] for stretch in drawn(svg, "measured")]
    assert starts[0] >= plot.x(np.array([50.0]))[0] - 0.1
    assert dotted[0][0] == 0


def test_the_worst_point_is_ringed() -> None:
    curve = example.level_curve("right", 5)
    verdict = verdict_of(curve, -2, 2)
    svg = curves_svg([(curve, verdict)], 1)
    plot = plot_of(curve, verdict, (0, 0), 668)
    ring = re.search(r'<circle cx="([\d.]+)" cy="([\d.]+)"', svg)
    assert ring
    assert float(ring[1]) == pytest.approx(plot.x(np.array([verdict.at_hz]))[0], abs=0.1)
    assert float(ring[2]) == pytest.approx(plot.y(np.array([verdict.value]))[0], abs=0.1)
    assert verdict.at_hz == pytest.approx(3200, rel=0.05)


def test_a_shift_moves_limits_and_design_and_leaves_the_curve_where_it_was_measured() -> None:
    curve = example.level_curve("left")
    raised = Curve(**{**vars(curve), "value": curve.value + 7})
    limit = Limit(around="design", within=[[60, 16000, 2, 2]], align_hz=[200, 4000], align_within_db=10)
    mask = verdict_of(curve, -2, 2).mask
    assert mask is not None
    shifted = judge_curve(raised, mask, limit)[1]
    svg, plot = curves_svg([(raised, shifted)], 1), plot_of(raised, shifted, (0, 0), 668)
    one_db = plot.height / (plot.up.stop - plot.up.start)
    assert f"limits and dashed curve moved by +{shifted.shift_db:.1f} dB" in svg
    (measured,) = drawn(svg, "measured")
    assert dict(measured)[plot.width] == pytest.approx(plot.y(raised.value[-1:])[0], abs=0.1)
    (design,), (upper,) = drawn(svg, "design"), drawn(svg, "upper")
    centre = mask.centre
    assert centre is not None
    assert design[0][1] == pytest.approx(plot.y(centre[:1] + shifted.shift_db)[0], abs=0.1)
    assert design[0][1] - upper[0][1] == pytest.approx(2 * one_db, abs=0.11)
    ring = re.search(r'<circle cx="[\d.]+" cy="([\d.]+)"', svg)
    assert ring
    assert float(ring[1]) == pytest.approx(plot.y(np.array([shifted.value + shifted.shift_db]))[0], abs=0.1)


def test_levels_span_50_db_and_impedances_run_logarithmically() -> None:
    curve = example.level_curve("left")
    bottom, top = value_range(curve, verdict_of(curve, -2, 2))
    assert top - bottom == 50
    assert plot_of(example.impedance_curve("left"), None, (0, 0), 668).up.is_log


def test_a_difference_fills_its_panel() -> None:
    flat = Curve("match", "a", example.GRID_HZ, 0.2 * np.sin(example.GRID_HZ), "dB", np.ones(240, bool))
    bottom, top = value_range(flat, None)
    assert -2 < bottom < -0.2
    assert 0.2 < top < 2


@pytest.mark.parametrize(
    "curve",
    [
        Curve("level", "none", np.array([]), np.array([]), "dB SPL", np.array([], bool)),
        Curve("level", "one", np.array([100.0]), np.array([1.0]), "dB SPL", np.ones(1, bool)),
        Curve("level", "void", example.GRID_HZ, np.full(240, NAN), "dB SPL", np.zeros(240, bool)),
        Curve("impedance", "short", example.GRID_HZ, np.zeros(240), "ohm", np.ones(240, bool)),
        Curve("match", "a<b", example.GRID_HZ, np.full(240, np.inf), "dB", np.ones(240, bool)),
    ],
)
def test_curves_that_hold_nothing_to_draw(curve: Curve) -> None:
    svg = curves_svg([(curve, None)], 1)
    ElementTree.fromstring(svg)
    assert "nan" not in svg
    assert "inf" not in svg.lower()


def test_titles() -> None:
    curve = example.level_curve("left")
    assert panel_title(curve, None) == "left: read, not judged"
    void = Verdict("level", "left", "void", NAN, "dB SPL", NAN, NAN, "", "too loud")
    assert panel_title(curve, void) == "left: VOID"
    assert "FAIL" in panel_title(curve, verdict_of(example.level_curve("right", 5), -2, 2))


@given(st.floats(-1e3, 1e3), st.floats(0.01, 1e3))
def test_ticks_are_inside_and_few(bottom: float, span: float) -> None:
    flat = Curve("x", "a", example.GRID_HZ, np.linspace(bottom, bottom + span, 240), "dB", np.ones(240, bool))
    plot = plot_of(flat, None, (0, 0), 668)
    ticks = np.array(list(plot.up.ticks))
    assert 2 <= ticks.size <= 8
    assert np.all((ticks >= plot.up.start - 1e-6) & (ticks <= plot.up.stop + 1e-6))


def test_names_of_limits_keep_clear_of_the_curve_or_are_left_out() -> None:
    curve = example.level_curve("left")
    crowded = Curve(**{**vars(curve), "value": curve.value + 3.5})
    names = [curves_svg([(c, verdict_of(curve, -2, 2))], 1).count("upper limit") for c in (curve, crowded)]
    assert names == [1, 0]


@pytest.mark.parametrize("far", [1e9, 1e300, 1e308, np.inf])
def test_a_limit_next_to_infinity_is_drawn_as_none(far: float) -> None:
    curve = replace(example.level_curve("left"), unit="dB")
    mask = Mask(example.GRID_HZ, np.full(example.GRID_HZ.shape, -far), np.full(example.GRID_HZ.shape, far))
    verdict = replace(verdict_of(curve, -2, 3), mask=mask)
    with np.errstate(all="raise"):
        bottom, ceiling = value_range(curve, verdict)
        svg = curves_svg([(curve, verdict)], 1)
    assert 0 < ceiling - bottom < 200
    assert "nan" not in svg
    assert "inf" not in svg.replace("outside", "")


def test_a_level_off_the_axis_is_drawn_over_that_on_it() -> None:
    at_hz = np.geomspace(20, 20000, 60)
    ahead = np.where(at_hz > 400, 85.0, np.nan)
    curve = Curve("off-axis level", "left 30 degrees", at_hz, np.full(60, 80.0), "dB SPL", at_hz > 400, on_axis=ahead)
    drawn = curves_svg([(curve, None)], 1)
    assert 'class="on-axis"' in drawn
    assert "wide grey line: on the axis" in drawn
    assert drawn.index('class="on-axis"') < drawn.index('class="measured"')
    assert 'class="on-axis"' not in curves_svg([(replace(curve, on_axis=None), None)], 1)
