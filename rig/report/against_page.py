"""The page of two batches against each other: a bar of the difference for each reading, within its margin or not."""

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from rig.drawing.axes import Axis, Plot, linear_axis
from rig.drawing.panels import BELOW, RIGHT, WIDTH
from rig.drawing.svg import circle, drawing, path, rectangle
from rig.report.templates import template
from rig.report.words import moment
from rig.statistics.equivalence import RISK
from rig.study.batch_against import Against, Compared, sentence
from rig.study.batch_words import reading_name

#: Rows of the figure, height of a row, width of the names; and margins that the axis reaches to at most; layout.
MOST_ROWS, ROW, NAMES, FARTHEST = 40, 15.0, 250.0, 6.0
COLOURS = {"different": "#d95f02", "cannot tell": "#8a8a8a", "same": "#0b3d7a"}
WITHIN = 'fill="#dbe6f2"'


def page(found: Against, sides: tuple[str, str], remarks: Sequence[str], made_at: str, rows: list[list[str]]) -> str:
    """The page as HTML; `sides` say which runs are the first and the second, `rows` are the cells of its table."""
    drawn = [one for one in found.rows if one.margin > 0][:MOST_ROWS]
    return template("against.html").render(
        kit=found.first.kit,
        first=sides[0],
        second=sides[1],
        said=sentence(found),
        remarks=remarks,
        made_at=moment(made_at),
        figure=differences_svg(drawn) if drawn else "",
        rows=rows,
    )


def differences_svg(rows: Sequence[Compared]) -> Markup:
    """Differences with their intervals, in parts of their margins."""
    edges = np.array([one.comparison.interval(1 - 2 * RISK) for one in rows]) / np.array([[one.margin] for one in rows])
    reach = float(np.clip(1.1 * np.abs(edges).max(), 1.5, FARTHEST))
    across = linear_axis("difference in parts of its margin", -reach, reach)
    names = Axis("", len(rows) - 0.5, -0.5, {float(n): reading_name(one.key, one.at_hz) for n, one in enumerate(rows)})
    plot = Plot(NAMES, 6, WIDTH - NAMES - RIGHT, ROW * len(rows), across, names)
    left, right = float(plot.x(-1.0)), float(plot.x(1.0))
    parts = [rectangle(left, 0, right - left, plot.height, WITHIN)]
    for place, one in enumerate(rows):
        low, high = plot.x(edges[place])
        y, colour = float(plot.y(place)), COLOURS[one.verdict]
        parts.append(path(f"M{low:.1f} {y:.1f}H{high:.1f}", f'fill="none" stroke="{colour}" stroke-width="2"'))
        middle = float(plot.x(one.comparison.difference / one.margin))
        parts.append(circle(middle, y, 3.2, f'fill="{"#fff" if one.verdict == "same" else colour}" stroke="{colour}"'))
    height = plot.top + plot.height + BELOW
    return Markup(drawing(WIDTH, height, [*plot.frame(""), *plot.content(parts)], "differences, the largest first"))
