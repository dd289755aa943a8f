"""The page of a study of the rig: limits ranked, the spread over frequency, and the readings behind the worst."""

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from rig.design.kit import Kit
from rig.design.limits import Limit
from rig.drawing.axes import Axis, Plot, frequency_axis, linear_axis, log_axis
from rig.drawing.panels import BELOW, RIGHT, WIDTH, Line, Panel, Rule, figure
from rig.drawing.svg import Floats, drawing, path, rectangle
from rig.report.templates import template
from rig.report.words import moment
from rig.statistics.gauge import wide_cells
from rig.study import capability_words as words
from rig.study.capability import GOOD_PERCENT, WORST_PERCENT, Capability, LimitStudy
from rig.verdict.judge import delta_unit, limit_words

#: Limits in the ranked figure, and limits whose readings are drawn; layout.
MOST_BARS, MOST_CHARTS = 20, 6
#: Heights of the figures, of a bar, and width of the names of bars; layout.
BANDS_HEIGHT, CHART_HEIGHT, BAR, NAMES = 215, 190, 24.0, 250.0
#: Axes of percentages begin here: less is nothing to a builder; layout.
LEAST_PERCENT = 0.1
#: Room at an axis' end, as a part of its value; layout.
ROOM = 1.1
COLOURS = {"good": "#0b3d7a", "usable": "#8a8a8a", "too tight": "#d95f02"}
PERCENT_TICKS = (0.1, 0.3, 1, 3, 10, 30, 100, 300, 1000)
GRADE = 'fill="none" stroke="#000" stroke-width="1" stroke-dasharray="5 4"'
INTERVAL = 'fill="none" stroke="#000" stroke-width="1.1"'
SUBJECT = 'fill="none" stroke="#000" stroke-width="1.2"'
NO_LINE = 'fill="none"'
HARD_LIMIT = 'fill="none" stroke="#000" stroke-width="2"'
BETWEEN = 'fill="none" stroke="#bbb" stroke-width="1"'


def page(kit: Kit, capability: Capability, made_at: str) -> str:
    """The page as HTML, with everything in it."""
    rows = words.rows_to_show(capability.limits)
    charted = [row for row in words.worst_of_each(rows) if row.study][:MOST_CHARTS]
    bands = by_band(capability.limits)
    figures = {
        "bars": bars_svg([row for row in rows if row.study][:MOST_BARS]),
        "bands": [(title, bands_svg(lines)) for title, lines in bands.items()],
        "charts": [(words.sentence(row), wide_words(row), chart_svg(row)) for row in charted],
    }
    return template("capability.html").render(
        kit=kit,
        found=words.found(capability),
        capability=capability,
        remarks=list(words.remarks(capability)),
        made_at=moment(made_at),
        tight=words.too_tight(capability.limits),
        meaning=words.MEANING,
        rows=[_cells(row) for row in rows],
        **figures,
    )


def _cells(row: LimitStudy) -> list[str]:
    lower = row.lower if math.isfinite(row.lower) else None
    upper = row.upper if math.isfinite(row.upper) else None
    limit = limit_words(Limit(lower=_figures(lower), upper=_figures(upper)), row.unit) if lower or upper else "–"
    if row.study is None:
        return [row.check, words.name(row), limit, *["–"] * 6, row.reason]
    study, unit = row.study, delta_unit(row.unit)
    spreads = (study.repeatability, study.appraiser, study.interaction, study.part)
    numbers = [f"{spread.value:.2g} {unit}".strip() if math.isfinite(spread.value) else "–" for spread in spreads]
    share = f"{words.percent(row.percent.value)} ({words.interval(row.percent)})"
    return [row.check, words.name(row), limit, share, *numbers, words.categories(study), row.grade]


def _figures(value: float | None) -> float | None:
    """In four figures: a limit from a mask has many."""
    return None if value is None else float(f"{value:.4g}")


def wide_words(row: LimitStudy) -> str:
    """Whose repeats of which unit differ by more than the others'; empty: nobody's."""
    if row.values is None or row.chosen is None:
        return ""
    cells = [
        f"{row.chosen.units[unit]} by {row.chosen.by[by] or 'nobody named'}" for unit, by in wide_cells(row.values)
    ]
    return f"These repeats differ by more than the others do; look at them first: {', '.join(cells)}." if cells else ""


def by_band(rows: Sequence[LimitStudy]) -> dict[str, dict[str, list[LimitStudy]]]:
    """Quantity of curves -> subject -> rows of its bands, by rising frequency."""
    found: dict[str, dict[str, list[LimitStudy]]] = {}
    on_curves = [row for row in rows if math.isfinite(row.at_hz) and row.study]
    for row in sorted(on_curves, key=lambda row: (row.check, row.quantity, row.subject, row.at_hz)):
        found.setdefault(f"{row.check}: {row.quantity}", {}).setdefault(row.subject, []).append(row)
    return found


def bars_svg(rows: Sequence[LimitStudy]) -> Markup:
    """Ranked bars of percent of the limits' widths, with their intervals."""
    shares = np.array([max(row.percent.value, LEAST_PERCENT) for row in rows])
    across = percent_axis("spread of the rig, six standard deviations, in percent of the limit's width", shares)
    names = Axis("", len(rows) - 0.5, -0.5, {float(n): f"{words.name(row)}: {row.grade}" for n, row in enumerate(rows)})
    plot = Plot(NAMES, 6, WIDTH - NAMES - RIGHT, BAR * len(rows), across, names)
    drawn = []
    for place, row in enumerate(rows):
        middle, style = float(plot.y(place)), f'fill="{COLOURS[row.grade]}"'
        drawn.append(rectangle(0, middle - 0.33 * BAR, float(plot.x(shares[place])), 0.66 * BAR, style, "bar"))
        low, high = plot.x(np.array([row.percent.lower, row.percent.upper]))
        drawn.append(path(f"M{low:.1f} {middle:.1f}H{high:.1f}", INTERVAL))
    drawn += [path(f"M{float(plot.x(share)):.1f} 0v{plot.height:g}", GRADE) for share in (GOOD_PERCENT, WORST_PERCENT)]
    height = plot.top + plot.height + BELOW
    return Markup(drawing(WIDTH, height, [*plot.frame(""), *plot.content(drawn)], "limits, the worst first"))


def bands_svg(lines: dict[str, list[LimitStudy]]) -> Markup:
    """Percent of the mask's width over frequency, a line for each subject."""
    at_hz = [row.at_hz for rows in lines.values() for row in rows]
    across = frequency_axis(min(at_hz) / ROOM, max(at_hz) * ROOM)
    up = percent_axis("percent of width", [row.percent.value for rows in lines.values() for row in rows])
    drawn = tuple(
        Line(
            np.array([row.at_hz for row in rows]),
            np.array([max(row.percent.value, LEAST_PERCENT) for row in rows]),
            subject,
            SUBJECT,
            marks=number,
        )
        for number, (subject, rows) in enumerate(lines.items())
    )
    rules = tuple(Rule(share, style=GRADE) for share in (GOOD_PERCENT, WORST_PERCENT))
    return Markup(figure([Panel("", across, up, drawn, rules=rules)], height=BANDS_HEIGHT))


def chart_svg(row: LimitStudy) -> Markup:
    """The readings of a study, unit by unit, a sign for each person or jig, between the limits."""
    assert row.values is not None
    assert row.chosen is not None
    units, people, times = row.values.shape
    lines = []
    for person in range(people):
        aside = (np.arange(times) + person * (times + 1) - people * times / 2) * (0.7 / (people * (times + 1)))
        places = np.arange(units)[:, np.newaxis] + aside
        name = row.chosen.by[person] or "nobody named"
        lines.append(Line(places.ravel(), row.values[:, person].ravel(), name, NO_LINE, marks=person))
    limits = [limit for limit in (row.lower, row.upper) if math.isfinite(limit)]
    shown = np.append(row.values[np.isfinite(row.values)], limits)
    room = max(0.06 * float(np.ptp(shown)), 1e-9 * float(np.abs(shown).max()), np.finfo(float).tiny)
    across = Axis("", -0.5, units - 0.5, {float(n): unit for n, unit in enumerate(row.chosen.units)})
    up = linear_axis(row.unit, float(shown.min()) - room, float(shown.max()) + room)
    rules = [Rule(n - 0.5, style=BETWEEN, is_upright=True) for n in range(1, units)]
    rules += [Rule(limit, style=HARD_LIMIT) for limit in limits]
    return Markup(figure([Panel("", across, up, tuple(lines), rules=tuple(rules))], height=CHART_HEIGHT))


def percent_axis(name: str, shares: Sequence[float] | Floats) -> Axis:
    """A logarithmic axis of percentages that holds shares, and 100 %."""
    return log_axis(name, LEAST_PERCENT, max(100.0, 1.3 * float(np.max(shares, initial=0.0))), PERCENT_TICKS)
