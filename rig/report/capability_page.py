"""The page of a study of the rig: limits ranked, the spread over frequency, and the readings behind the worst."""

import math
from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup
from matplotlib.axis import Axis
from matplotlib.figure import Figure

from rig.design.kit import Kit
from rig.design.limits import Limit
from rig.report.wiring import STYLE, svg
from rig.report.words import moment
from rig.statistics.gauge import wide_cells
from rig.study import capability_words as words
from rig.study.capability import GOOD_PERCENT, WORST_PERCENT, Capability, LimitStudy
from rig.verdict.judge import apart, limit_words

#: Limits in the ranked figure, and limits whose readings are drawn.
MOST_BARS, MOST_CHARTS = 20, 6
WIDTH_INCH = 7.1
FONT_SIZE = 8.5
#: Axes of percentages begin here: less is nothing to a builder.
LEAST_PERCENT = 0.1
COLOURS = {"good": "#0b3d7a", "usable": "#7a7a7a", "too tight": "#d95f02"}
HATCHES = {"good": "", "usable": "//", "too tight": "xx"}
MARKERS = "osD^vP*X"
FREQUENCY_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
PERCENT_TICKS = (0.1, 0.3, 1, 3, 10, 30, 100, 300, 1000)


def page(kit: Kit, capability: Capability, made_at: str) -> str:
    """The page as HTML, with everything in it."""
    rows = words.rows_to_show(capability.limits)
    charted = [row for row in words.worst_of_each(rows) if row.study][:MOST_CHARTS]
    bands = by_band(capability.limits)
    with mpl.rc_context(STYLE | {"font.size": FONT_SIZE}):
        figures = {
            "bars": bars_svg([row for row in rows if row.study][:MOST_BARS]),
            "bands": [(title, bands_svg(lines)) for title, lines in bands.items()],
            "charts": [(words.sentence(row), wide_words(row), chart_svg(row)) for row in charted],
        }
    return _template().render(
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
    study, unit = row.study, apart(row.unit)
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
    figure = Figure(figsize=(WIDTH_INCH, 0.7 + 0.24 * len(rows)))
    axes = figure.add_axes((0.36, 0.5 / (0.7 + 0.24 * len(rows)), 0.62, 0.24 * len(rows) / (0.7 + 0.24 * len(rows))))
    shares = np.array([max(row.percent.value, LEAST_PERCENT) for row in rows])
    top = max(100.0, float(shares.max(initial=0.0)) * 1.3)
    for place, row in enumerate(rows):
        axes.barh(
            place,
            max(shares[place] - LEAST_PERCENT, 0.0),
            0.66,
            left=LEAST_PERCENT,
            linewidth=0,
            color=COLOURS[row.grade],
            hatch=HATCHES[row.grade],
            edgecolor="white",
        )
        low, high = np.clip([row.percent.lower, row.percent.upper], LEAST_PERCENT, top)
        axes.plot([low, high], [place, place], color="black", linewidth=0.9)
    axes.set(xscale="log", xlim=(LEAST_PERCENT, top), ylim=(len(rows) - 0.4, -0.6))
    axes.set_yticks(range(len(rows)), [words.name(row) for row in rows])
    _percent_axis(axes.xaxis, top)
    for share in (GOOD_PERCENT, WORST_PERCENT):
        axes.axvline(share, color="black", linewidth=0.8, linestyle=(0, (4, 3)))
    axes.set_xlabel("spread of the rig, six standard deviations, in percent of the limit's width")
    return _svg(figure)


def bands_svg(lines: dict[str, list[LimitStudy]]) -> Markup:
    """Percent of the mask's width over frequency, a line for each subject."""
    figure = Figure(figsize=(WIDTH_INCH, 2.3))
    axes = figure.add_axes((0.08, 0.19, 0.9, 0.76))
    values = [row.percent.value for rows in lines.values() for row in rows]
    top = max(100.0, 1.3 * max(values))
    for number, (subject, rows) in enumerate(lines.items()):
        shares = [max(row.percent.value, LEAST_PERCENT) for row in rows]
        dashes = "-" if number == 0 else (0, (5, 1 + number))
        axes.plot([row.at_hz for row in rows], shares, color="black", linewidth=1.2, linestyle=dashes,
                  marker=MARKERS[number % len(MARKERS)], markersize=4, label=subject)  # fmt: skip
    axes.set(xscale="log", yscale="log", ylim=(LEAST_PERCENT, top), ylabel="percent of width")
    at_hz = [row.at_hz for rows in lines.values() for row in rows]
    axes.set_xlim(min(at_hz) / 1.1, max(at_hz) * 1.1)
    ticks = [tick for tick in FREQUENCY_TICKS_HZ if min(at_hz) / 1.1 <= tick <= max(at_hz) * 1.1]
    axes.set_xticks(ticks, [f"{tick / 1000:g}k" if tick >= 1000 else f"{tick}" for tick in ticks])
    axes.set_xlabel("frequency in Hz")
    axes.xaxis.minorticks_off()
    _percent_axis(axes.yaxis, top)
    for share in (GOOD_PERCENT, WORST_PERCENT):
        axes.axhline(share, color="black", linewidth=0.8, linestyle=(0, (4, 3)))
    axes.legend(loc="lower right", frameon=False, ncols=3)
    return _svg(figure)


def chart_svg(row: LimitStudy) -> Markup:
    """The readings of a study, unit by unit, a sign for each person or jig, between the limits."""
    assert row.values is not None
    assert row.chosen is not None
    figure = Figure(figsize=(WIDTH_INCH, 2.1))
    axes = figure.add_axes((0.11, 0.15, 0.87, 0.74))
    units, people, times = row.values.shape
    for person in range(people):
        places = np.arange(units)[:, np.newaxis] + (np.arange(times) + person * (times + 1) - people * times / 2) * (
            0.7 / (people * (times + 1))
        )
        axes.plot(places.ravel(), row.values[:, person].ravel(), MARKERS[person % len(MARKERS)], markersize=4.5,
                  markerfacecolor="none" if person % 2 else "black", markeredgecolor="black",
                  label=row.chosen.by[person] or "nobody named")  # fmt: skip
    for limit in (row.lower, row.upper):
        if math.isfinite(limit):
            axes.axhline(limit, color="black", linewidth=1.6)
    for between in range(1, units):
        axes.axvline(between - 0.5, color="#ccc", linewidth=0.8)
    axes.set(xlim=(-0.5, units - 0.5), ylabel=row.unit)
    axes.set_xticks(range(units), row.chosen.units)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), frameon=False, ncols=6, borderaxespad=0)
    return _svg(figure)


def _percent_axis(axis: Axis, top: float) -> None:
    ticks = [tick for tick in PERCENT_TICKS if tick <= top]
    axis.set_ticks(ticks, labels=[f"{tick:g}" for tick in ticks])
    axis.minorticks_off()


def _svg(figure: Figure) -> Markup:
    """The figure as an element of a page."""
    text = svg(figure)
    return Markup(text[text.index("<svg") :])


def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("capability.html")
