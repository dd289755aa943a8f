"""Panels of lines, bands and marks over two axes, with a legend: the usual figure, said in a few values.

`figure([Panel(...), ...], columns=2)` gives an `<svg>` element for a page; `svg.write_svg` and `pdf.write_pdf` make
files of it. What else a panel is to show is drawn with the pieces of `rig.drawing.svg` between `Plot.frame` and
`Plot.content`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.drawing.axes import Axis, Plot, frequency_axis, linear_axis, ohm_axis
from rig.drawing.svg import (
    GREY,
    LIMIT,
    MEASURED,
    RIM,
    SHAPES,
    Floats,
    drawing,
    path,
    path_of,
    rectangle,
    shape,
    stretches,
    text,
    thinned,
    words_width,
)

#: In the drawing's own units; a page scales the width to its column, and at 180 mm ten units are 7 points; layout.
WIDTH, HEIGHT = 720, 205
#: Room left of the first panel, between panels, right of the last, above and below each; layout.
LEFT, GAP, RIGHT, ABOVE, BELOW = 44, 50, 8, 24, 36
#: Height of a line of a legend or title, width of its sample of a line, and size of its letters; layout.
ROW, SAMPLE, LEGEND_SIZE, TITLE_SIZE = 13.0, 26.0, 9.0, 13.0
#: What a panel of levels spans at most; deeper notches are cut off; layout.
LEVEL_SPAN_DB = 50.0


@dataclass(frozen=True)
class Line:
    """A curve. Arrays have shape (n,); it is broken where `value` is not finite."""

    across: Floats
    value: Floats
    #: In the legend; lines of one name stand there once, those without none.
    name: str = ""
    style: str = MEASURED
    #: Which of `svg.SHAPES` stands at each point; None: no shape.
    marks: int | None = None


@dataclass(frozen=True)
class Band:
    """An area between two curves; an infinite edge is that of the panel. Arrays have shape (n,)."""

    across: Floats
    lower: Floats
    upper: Floats
    name: str = ""
    style: str = GREY


@dataclass(frozen=True)
class Rule:
    """A straight line right across the panel, at a value of the axis at its left, or at its foot; words stand at it."""

    value: float
    words: str = ""
    style: str = LIMIT
    is_upright: bool = False


@dataclass(frozen=True)
class Panel:
    """What one panel shows, from the ground up: bands, rules, lines."""

    title: str
    across: Axis
    up: Axis
    lines: tuple[Line, ...] = ()
    bands: tuple[Band, ...] = ()
    rules: tuple[Rule, ...] = ()


def figure(panels: Sequence[Panel], columns: int = 1, height: float = HEIGHT, title: str = "") -> str:
    """Panels row by row, each with its legend below it, as an `<svg>` element.

    Parameters
    ----------
    panels, columns
        At least one panel; how many stand beside each other.
    height
        Of a panel with its title and axes, in the drawing's units.
    title
        Of the whole figure; it may have several lines.
    """
    width = column_width(columns)
    top, drawn = 0.0, []
    for line in title.splitlines():
        top += 1.5 * ROW
        drawn.append(text(LEFT, top - 4, line, f'font-size="{TITLE_SIZE:g}" font-weight="bold"'))
    for first in range(0, len(panels), columns):
        lowest = 0.0
        for column, panel in enumerate(panels[first : first + columns]):
            left = column_left(column, width)
            plot = Plot(left, top + ABOVE, width, height - ABOVE - BELOW, panel.across, panel.up)
            drawn += [*plot.frame(panel.title), *plot.content(_content(plot, panel))]
            legend, rows = _legend(panel, left, top + height + 4, width)
            drawn += legend
            lowest = max(lowest, height + rows * ROW + (8 if rows else 0))
        top += lowest
    return drawing(WIDTH, top, drawn, "; ".join(filter(None, [title, *(panel.title for panel in panels)])))


def column_width(columns: int) -> float:
    """Width of a panel where so many stand beside each other."""
    return (WIDTH - LEFT - RIGHT - GAP * (columns - 1)) / columns


def column_left(column: int, width: float) -> float:
    """Where the panel of a column begins."""
    return LEFT + column * (width + GAP)


def _content(plot: Plot, panel: Panel) -> list[str]:
    drawn = [path(way, band.style, "band") for band in panel.bands for way in _areas(plot, band)]
    for rule in panel.rules:
        drawn += _rule(plot, rule)
    for line in panel.lines:
        drawn.append(path(plot.way(line.across, line.value), line.style, "line"))
        if line.marks is not None:
            drawn += [
                shape(line.marks, x, y, _filled(line.marks))
                for x, y in zip(plot.x(line.across), plot.y(line.value), strict=True)
                if np.isfinite(y)
            ]
    return drawn


def _filled(marks: int) -> str:
    """Shapes are filled in turns, so that neighbours are told apart when they are small."""
    return f'fill="{"#fff" if marks % 2 else "#000"}" stroke="#000"'


def _areas(plot: Plot, band: Band) -> list[str]:
    """An area for each stretch in which both edges are known."""
    shown = np.where(np.isnan(band.lower) | np.isnan(band.upper), np.nan, 0.0)
    areas = []
    for stretch in stretches(shown):
        ways = []
        for edge in (band.upper, band.lower):
            across, value = thinned(band.across[stretch], edge[stretch])
            ways.append((plot.x(across), plot.y(value)))
        (xs, upper), (back, lower) = ways
        areas.append(path_of(np.append(xs, back[::-1]), np.append(upper, lower[::-1])) + "Z")
    return areas


def _rule(plot: Plot, rule: Rule) -> list[str]:
    anchor = "start"
    if rule.is_upright:
        x = float(plot.x(rule.value))
        # Beside the line, where there is more room.
        anchor = "start" if x < 0.8 * plot.width else "end"
        way, at = f"M{x:.1f} 0v{plot.height:.1f}", (x + 3 if anchor == "start" else x - 3, 11.0)
    else:
        y = float(plot.y(rule.value))
        # Above the line, but inside the panel.
        way, at = f"M0 {y:.1f}h{plot.width:.1f}", (4.0, y - 3 if y > 14 else y + 11)
    return [path(way, rule.style, "rule"), *([text(*at, rule.words, RIM, anchor=anchor)] if rule.words else [])]


def _legend(panel: Panel, left: float, top: float, width: float) -> tuple[list[str], int]:
    """Samples and names below a panel, and how many rows they take; names with line breaks take several."""
    entries = {band.name: rectangle(0, -7, SAMPLE - 6, 7, band.style) for band in panel.bands if band.name}
    for line in panel.lines:
        if line.name and line.name not in entries:
            sample = path(f"M0 -3h{SAMPLE - 6:g}", line.style)
            entries[line.name] = sample if line.marks is None else sample + _mark(line.marks)
    drawn, x, row = [], 0.0, 0
    for name, sample in entries.items():
        lines = name.splitlines()
        across = SAMPLE + max(words_width(words, LEGEND_SIZE) for words in lines) + 14
        if x and (x + across > width or len(lines) > 1):
            x, row = 0.0, row + 1
        for n, words in enumerate(lines):
            drawn.append(text(left + x + SAMPLE, top + (row + n + 1) * ROW, words, f'font-size="{LEGEND_SIZE:g}"'))
        drawn.append(f'<g transform="translate({left + x:.1f} {top + (row + 1) * ROW:.1f})">{sample}</g>')
        row, x = row + len(lines) - 1, x + across
    return drawn, row + 1 if entries else 0


def _mark(marks: int) -> str:
    return f'<path d="{SHAPES[marks % len(SHAPES)]}" transform="translate({SAMPLE / 2 - 3:g} -3)" {_filled(marks)}/>'


def curve_axes(frequency_hz: Floats, values: Sequence[Floats], unit: str) -> tuple[Axis, Axis]:
    """Axes that hold curves over one grid of frequencies: ohms logarithmic, levels no more than `LEVEL_SPAN_DB`."""
    shown = np.concatenate([np.asarray(value, dtype=np.float64) for value in values])
    shown = shown[np.isfinite(shown)]
    across = frequency_axis(float(frequency_hz[0]), float(frequency_hz[-1]))
    if unit == "ohm":
        shown = shown[shown > 0]
        low, high = (float(shown.min()), float(shown.max())) if shown.size else (1.0, 100.0)
        return across, ohm_axis(low / 1.2, high * 1.2)
    low, high = (float(shown.min()), float(shown.max())) if shown.size else (-1.0, 1.0)
    room = max(0.08 * (high - low), 0.25)
    low = max(low, high - LEVEL_SPAN_DB) if unit.startswith("dB") else low
    return across, linear_axis(unit, low - room, high + room)
