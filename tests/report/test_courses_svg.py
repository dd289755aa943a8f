"""Figures over time: lines where they were read, bounds where they lie, names that do not cover each other."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.drawing.axes import Plot
from rig.drawing.svg import MOST_POINTS
from rig.report.courses import Bound, TimeLine, TimePanel, courses_svg, plot_of, spaced_apart

SECONDS = np.arange(5.0, 7201.0, 5.0)
RISE_K = 30 * (1 - np.exp(-SECONDS / 900))
LINE = TimeLine("heat sink", SECONDS, RISE_K, RISE_K, (30.2, 0.8))


def panel(*lines: TimeLine, **changes: object) -> TimePanel:
    return TimePanel(**({"title": "Rise", "unit": "K", "to_s": 7200.0, "lines": lines or (LINE,)} | changes))  # type: ignore[arg-type]


def stretches(svg: str, name: str) -> list[list[tuple[float, float]]]:
    """The unbroken stretches of lines of a class, each as its points."""
    found = re.findall(rf'class="{name}" d="([^"]*)"', svg)
    parts = [part for line in found for part in line.split("M") if part]
    return [[(float(x), float(y)) for x, y in (point.split() for point in part.split("L"))] for part in parts]


def usual_plot(shown: TimePanel) -> Plot:
    """The one panel of a drawing of the usual size."""
    return plot_of(shown, 44, 720 - 44 - 150, 205 - 24 - 36)


def test_what_was_read_and_its_fit_lie_where_they_were() -> None:
    shown = panel()
    svg, plot = courses_svg([shown], 1), usual_plot(shown)
    (read,), (fit,) = stretches(svg, "read"), stretches(svg, "fit")
    for drawn in (read, fit):
        assert drawn[0] == pytest.approx((plot.x(5.0), plot.y(RISE_K[0])), abs=0.06)
        assert drawn[-1] == pytest.approx((plot.x(7200.0), plot.y(RISE_K[-1])), abs=0.06)


def test_a_line_is_broken_where_nothing_was_read() -> None:
    value = np.where((SECONDS > 1000) & (SECONDS < 2000), np.nan, RISE_K)
    assert len(stretches(courses_svg([panel(TimeLine("a", SECONDS, value))], 1), "read")) == 2


def test_eight_hours_of_rows_are_thinned_and_keep_their_peak() -> None:
    seconds = np.arange(1.0, 8 * 3600 + 1)
    value = np.sin(seconds / 50)
    value[20000] = 9.0
    shown = panel(TimeLine("a", seconds, value), to_s=float(seconds[-1]))
    svg = courses_svg([shown], 1)
    (read,) = stretches(svg, "read")
    assert len(read) <= MOST_POINTS + 2
    assert min(y for _, y in read) == pytest.approx(float(usual_plot(shown).y(9.0)), abs=0.06)
    assert len(svg) < 20000


def test_the_steady_state_is_a_bar_behind_the_edge_as_high_as_its_uncertainty() -> None:
    shown = panel()
    svg, plot = courses_svg([shown], 1), usual_plot(shown)
    high, low = map(float, re.findall(r'class="steady" d="M[\d.]+ ([\d.]+)V([\d.]+)', svg)[0])
    assert high == pytest.approx(24 + float(plot.y(31.0)), abs=0.06)
    assert low == pytest.approx(24 + float(plot.y(29.4)), abs=0.06)
    assert "heat sink → 30.2 ± 0.80 K" in svg


def test_limits_are_solid_and_hatched_guards_are_not() -> None:
    bounds = (Bound("limit 42 K", 42.0, is_limit=True), Bound("guard 48 K", 48.0))
    shown = panel(bounds=bounds)
    svg, plot = courses_svg([shown], 1), usual_plot(shown)
    assert f'class="limit" d="M0 {float(plot.y(42)):.1f}H' in svg
    assert f'class="guard" d="M0 {float(plot.y(48)):.1f}H' in svg
    assert re.findall(r'class="(?:limit|guard)"[^>]*dasharray', svg) == re.findall(r'class="guard"[^>]*dasharray', svg)
    assert re.findall(r'class="outside" x="0.0" y="0.0" [^>]*height="([\d.]+)"', svg) == [f"{float(plot.y(42)):.1f}"]
    assert "limit 42 K" in svg
    # Everything is inside the panel.
    assert plot.up.stop > 48


def test_a_lower_limit_holds_for_the_end_alone() -> None:
    shown = panel(bounds=(Bound("at least 10 K", 10.0, is_limit=True, is_lower=True),))
    svg, plot = courses_svg([shown], 1), usual_plot(shown)
    start, y, end = map(float, re.findall(r'class="limit" d="M([\d.]+) ([\d.]+)H([\d.]+)"', svg)[0])
    assert start > 0.8 * plot.width
    assert end == pytest.approx(plot.width, abs=0.06)
    assert y == pytest.approx(float(plot.y(10.0)), abs=0.06)
    top, height = map(float, re.findall(r'class="outside" x="[\d.]+" y="([\d.]+)" .*height="([\d.]+)"', svg)[0])
    assert (top, top + height) == pytest.approx((float(plot.y(10.0)), plot.height), abs=0.11)


@pytest.mark.parametrize(
    ("limits", "told"),
    [((15.0, 32.0), "15 to 32 K"), ((-np.inf, 32.0), "up to 32 K"), ((15.0, np.inf), "from 15 K")],
)
def test_limits_of_the_steady_state_stand_around_its_bar(limits: tuple[float, float], told: str) -> None:
    shown = panel(TimeLine("heat sink", SECONDS, RISE_K, steady_limits=limits))
    svg, plot = courses_svg([shown], 1), usual_plot(shown)
    assert f"limit in the end: {told}" in svg
    heights = re.findall(r'class="steady-limit" d="M[\d.]+ [\d.]+V([\d.]+)', svg)
    wanted = [24 + float(plot.y(limit)) for limit in limits if np.isfinite(limit)]
    assert [float(y) for y in heights] == pytest.approx(wanted, abs=0.06)
    assert "limit in the end" not in courses_svg([panel()], 1)


def test_events_are_numbered_in_their_order_and_do_not_cover_each_other() -> None:
    svg = courses_svg([panel(marks=(100.0, 110.0, 7200.0))], 1)
    numbers = re.findall(r'<text x="([\d.]+)" y="([\d.]+)" text-anchor="middle" font-weight="bold">(\d)</text>', svg)
    assert [n for *_, n in numbers] == ["1", "2", "3"]
    (x1, y1, _), (x2, y2, _), _ = ((float(x), float(y), n) for x, y, n in numbers)
    assert np.hypot(x1 - x2, y1 - y2) > 14
    assert svg.count('class="mark"') == 3


def test_a_gap_is_hatched_from_its_beginning_to_its_end() -> None:
    shown = panel(gaps=((1000.0, 1600.0),))
    x, width = map(float, re.findall(r'class="gap" x="([\d.]+)" y="0.0" width="([\d.]+)"', courses_svg([shown], 1))[0])
    plot = usual_plot(shown)
    assert x == pytest.approx(float(plot.x(1000.0)), abs=0.06)
    assert width == pytest.approx(float(plot.x(600.0)), abs=0.06)


def test_several_lines_have_shapes_of_their_own_and_are_named_where_they_end() -> None:
    lines = [TimeLine(name, SECONDS, RISE_K * part) for name, part in (("left", 1.0), ("right", 1.01), ("bass", 0.2))]
    svg = courses_svg([panel(*lines)], 1)
    shapes = re.findall(r'class="shape-on-line" d="([^"]*)"', svg)
    assert len(set(shapes)) == 3
    named = re.findall(r'<text x="[\d.]+" y="([\d.]+)" class="name" fill="#000">([^<]*)</text>', svg)
    assert {words.split()[0] for _, words in named} == {"left", "right", "bass"}
    ys = sorted(float(y) for y, _ in named)
    assert min(np.diff(ys)) >= 11.4
    # A single line needs none.
    assert "shape-on-line" not in courses_svg([panel()], 1)


def test_a_line_that_ended_early_says_that_its_value_is_the_last() -> None:
    lost = TimeLine("heat sink", SECONDS, np.where(SECONDS < 3600, 20.0, np.nan))
    assert ">heat sink last 20.0 K<" in courses_svg([panel(lost)], 1)
    assert ">heat sink 30.0 K<" in courses_svg([panel()], 1)


@pytest.mark.parametrize("value", [np.full(SECONDS.size, np.nan), np.zeros(SECONDS.size), np.full(SECONDS.size, -5.0)])
def test_lines_that_hold_little(value: np.ndarray) -> None:
    svg = courses_svg([panel(TimeLine("a<b&", SECONDS, value))], 1)
    ElementTree.fromstring(svg)
    assert "nan" not in svg
    assert "inf" not in svg


@given(st.lists(st.floats(0, 200), max_size=9))
def test_names_are_kept_apart_in_their_order_and_where_there_is_room_stay(wanted: list[float]) -> None:
    placed = spaced_apart(wanted, 11.5)
    order = sorted(range(len(wanted)), key=lambda n: wanted[n])
    gaps = np.diff([placed[n] for n in order])
    assert np.all(gaps >= 11.5 - 1e-6)
    if np.all(np.diff(np.sort(wanted)) >= 11.5):
        assert placed == pytest.approx(wanted)
    assert sum(placed) == pytest.approx(sum(wanted), abs=1e-6)
