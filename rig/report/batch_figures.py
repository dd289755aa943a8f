"""Figures of a batch: readings between their limits, control charts, curves of all units, daily checks."""

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from rig.drawing.axes import Axis, linear_axis
from rig.drawing.panels import Band, Line, Panel, Rule, curve_axes, figure
from rig.drawing.svg import FAINT, HATCHED, Floats
from rig.statistics import change
from rig.statistics.chart import Chart, individuals_chart, run_rules
from rig.study.batch_curves import Stack
from rig.study.batch_readings import Spread
from rig.study.batch_study import BatchStudy, Cause
from rig.study.batch_words import figures, reading_name, units_at

#: Heights of figures; layout.
HEIGHT, LOW, CURVES = 170, 120, 230
#: Bars of a histogram, serials written at an axis, curves drawn one by one, units with a mark each; layout.
BARS, SERIALS, MOST_CURVES, MOST_MARKS = 24, 6, 400, 80
#: From so many units before a change limits are drawn; from fewer, from all: common practice, no source.
FEWEST_BEFORE = 8
POINTS = 'fill="none" stroke="#0b3d7a" stroke-width="1"'
DOTS = 'fill="none"'
AVERAGE = 'fill="none" stroke="#d95f02" stroke-width="2"'
CENTRE = 'fill="none" stroke="#555" stroke-width="1"'
CONTROL = 'fill="none" stroke="#555" stroke-width="1" stroke-dasharray="6 4"'
LIMIT = 'fill="none" stroke="#000" stroke-width="2"'
CHANGE = 'fill="none" stroke="#b3261e" stroke-width="1.6"'
LIKELY = 'fill="#f4d3cf"'
UNIT = 'fill="none" stroke="#9db4d0" stroke-width="0.6"'
MEDIAN = 'fill="none" stroke="#0b3d7a" stroke-width="2.2"'
BAND = 'fill="#c3d2e6"'
ODD = 'fill="none" stroke="#b3261e" stroke-width="1.3" stroke-dasharray="5 2"'
BAR = 'fill="#9db4d0"'


def spread_svg(one: Spread) -> Markup:
    """Readings as a histogram between their limits."""
    known = one.known
    limits = [side for side in (one.lower, one.upper) if math.isfinite(side)]
    shown = np.append(known, limits)
    room = 0.04 * float(np.ptp(shown)) or 1e-9
    low, high = float(shown.min()) - room, float(shown.max()) + room
    counts, edges = np.histogram(known, BARS, (low, high))
    tops = np.repeat(counts.astype(float), 2)
    across = np.repeat(edges, 2)[1:-1]
    panel = Panel(
        "",
        linear_axis(one.unit or "no unit", low, high),
        linear_axis("units", 0.0, max(1.0, 1.1 * float(counts.max()))),
        bands=(Band(across, np.zeros(across.size), tops, style=BAR),),
        rules=tuple(Rule(side, figures(side, ""), LIMIT, is_upright=True) for side in limits),
    )
    return Markup(figure([panel], height=LOW))


def charts_svg(study: BatchStudy, cause: Cause) -> Markup:
    """The individuals, moving ranges and moving average of what moved most, with where it changed."""
    head = cause.head
    series = head.series
    values = np.array(series.values)
    if series.stack is not None:
        values = series.stack.values[:, int(np.argmin(np.abs(series.stack.frequency_hz - head.at_hz)))]
    known = np.flatnonzero(np.isfinite(values))
    x, y = known.astype(float), values[known]
    # What was before it tells what to expect after it.
    before = y[known < head.before]
    chart = individuals_chart(before if before.size >= FEWEST_BEFORE and not head.is_drift else y)
    across = serial_axis(study)
    rules = (Rule(head.before - 0.5, units_at(study, head.before)[0], CHANGE, is_upright=True),)
    band = np.array([head.earliest - 0.5, head.latest + 0.5 if head.latest > head.earliest else head.before + 0.5])
    likely = Band(band, np.full(2, -np.inf), np.full(2, np.inf), "where it most likely changed, 95 %", LIKELY)
    signals = run_rules((y - chart.centre) / chart.sigma).any(axis=1) if chart.sigma > 0 else np.zeros(y.size, bool)
    lines = [Line(x, y, "a unit each", POINTS, marks=0 if x.size <= MOST_MARKS else None)]
    if signals.any():
        lines.append(Line(x[signals], y[signals], "breaks a run rule of ISO 7870-2", DOTS, marks=1))
    panels = [
        Panel(
            reading_name(series.key, head.at_hz),
            across,
            _axis(series.unit, [y, np.array([chart.lower, chart.upper])]),
            (*_control(across, chart), *lines),
            (likely,),
            rules,
        ),
        Panel(
            "moving range",
            across,
            _axis(series.unit, [np.abs(np.diff(y)), np.array([0.0, chart.upper_range])]),
            (Line(x[1:], np.abs(np.diff(y)), style=POINTS),),
            rules=(Rule(chart.mean_range, style=CENTRE), Rule(chart.upper_range, style=CONTROL), *rules),
        ),
        _average_panel(study, cause, across, rules),
    ]
    return Markup(figure(panels, height=HEIGHT))


def _average_panel(study: BatchStudy, cause: Cause, across: Axis, rules: Sequence[Rule]) -> Panel:
    """The moving average of ranks as if they were normal, within limits that hold for all charts together."""
    scores = change.normal_scores(cause.head.series.values[np.newaxis])[0]
    average = change.moving_average(scores)
    places = np.arange(scores.size, dtype=float)
    limits = study.drift.limits
    assert limits is not None
    edge = limits.average * change.moving_average_sigma(scores.size)
    edges = [Line(places, side, "limits for all charts together", CONTROL) for side in (edge, -edge)]
    return Panel(
        "moving average (EWMA), in standard deviations",
        across,
        _axis("", [average, edge, -edge]),
        (*edges, Line(places, average, "moving average", AVERAGE)),
        rules=(Rule(0.0, style=CENTRE), *rules),
    )


def _control(across: Axis, chart: Chart) -> list[Line]:
    """Mean, and three standard deviations by the moving range."""
    ends = np.array([across.start, across.stop])
    sides = [Line(ends, np.full(2, side), "three standard deviations", CONTROL) for side in (chart.lower, chart.upper)]
    return [Line(ends, np.full(2, chart.centre), "mean before it", CENTRE), *sides]


def serial_axis(study: BatchStudy) -> Axis:
    """An axis along the units, in the order of measuring."""
    count = len(study.batch.units)
    # Not at the very end, where half of it would not be seen.
    places = np.unique(np.linspace(0, 0.95 * (count - 1), SERIALS).astype(int))
    return Axis("", -0.5, count - 0.5, {float(place): units_at(study, place)[0] for place in places})


def _axis(unit: str, values: Sequence[Floats]) -> Axis:
    shown = np.concatenate(values)
    shown = shown[np.isfinite(shown)]
    room = 0.06 * float(np.ptp(shown)) or 1e-9
    return linear_axis(unit, float(shown.min()) - room, float(shown.max()) + room)


def stack_svg(study: BatchStudy, stack: Stack) -> Markup:
    """A curve of all units, with mask, median, band, and the odd ones by serial."""
    hz = stack.frequency_hz
    low, high = stack.band
    odd = [(place, far) for series, place, far in study.drift.odd if series.stack is stack]
    some = np.linspace(0, len(stack.values) - 1, min(len(stack.values), MOST_CURVES)).astype(int)
    lines = [Line(hz, stack.values[place], "a unit each", UNIT) for place in some]
    lines.append(Line(hz, stack.middle, "median", MEDIAN))
    lines += [Line(hz, stack.values[place], f"odd: {units_at(study, place)[0]}", ODD) for place, _ in odd[:5]]
    edges = [edge for edge in (stack.lower, stack.upper) if np.isfinite(edge).any()]
    bands = [Band(hz, low, high, "nine of ten units", BAND)]
    bands += [Band(hz, stack.upper, np.full(hz.size, np.inf), "outside the mask", HATCHED)] if _any(stack.upper) else []
    bands += (
        [Band(hz, np.full(hz.size, -np.inf), stack.lower, "outside the mask", HATCHED)] if _any(stack.lower) else []
    )
    across, up = curve_axes(hz, [stack.values.ravel(), *edges], stack.unit)
    panel = Panel(reading_name(stack.key), across, up, tuple(lines), tuple(bands))
    return Markup(figure([panel], height=CURVES))


def _any(edge: Floats) -> bool:
    return bool(np.isfinite(edge).any())


def daily_svg(study: BatchStudy) -> Markup | None:
    """Daily checks of the benches over the days of the batch, each against its first; None: there are none."""
    found: dict[tuple[str, str, str], list[tuple[float, float]]] = {}
    began = study.batch.units["started_at"].iloc[0]
    ended = study.batch.units["started_at"].iloc[-1]
    for one in study.daily:
        day = (one.moment - began).total_seconds() / 86400
        if -7 <= day <= (ended - began).total_seconds() / 86400 + 7:
            found.setdefault((one.bench, one.quantity, one.of), []).append((day, one.value))
    panels = []
    for quantity, unit in (("level", "dB"), ("resistor", "percent")):
        lines: list[Line] = []
        for (bench, kind, of), points in found.items():
            if kind == quantity and len(points) > 1:
                x, y = np.array(points).T
                middle = float(np.median(y))
                off = y - middle if quantity == "level" else 100 * (y / middle - 1)
                lines.append(Line(x, off, f"{of} on {bench or 'the bench'}", FAINT, marks=len(lines)))
        if lines:
            across = linear_axis(
                "days from the first unit on",
                min(line.across[0] for line in lines) - 0.5,
                max(line.across[-1] for line in lines) + 0.5,
            )
            up = _axis(unit, [line.value for line in lines])
            panels.append(Panel(f"daily check of a {quantity}, off its median", across, up, tuple(lines)))
    return Markup(figure(panels, height=HEIGHT)) if panels else None
