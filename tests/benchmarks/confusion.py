"""A confusion table as a figure: what was wrong, and what was told."""

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from rig.report.wiring import STYLE, svg

#: Of one cell.
CELL_INCH = 0.3
MARGIN_INCH = 1.6
FONT_SIZE = 8.0
COLOUR_MAP = "Blues"
#: Shares above this are written in white.
DARK = 0.5


def confusion_svg(counts: NDArray[np.int_], rows: Sequence[str], columns: Sequence[str]) -> str:
    """Counts as a table of cells, each shaded by its share of its row, as SVG.

    Parameters
    ----------
    counts : array of shape (rows, columns)
        How often each (what was told, a column) was said of each (what was wrong, a row).
    rows, columns : sequence of str

    Raises
    ------
    ValueError
        If names and counts do not match.
    """
    if counts.shape != (len(rows), len(columns)):
        raise ValueError(
            f"confusion: found counts of shape {counts.shape} for {len(rows)} rows, {len(columns)} columns"
        )
    with mpl.rc_context(STYLE | {"font.size": FONT_SIZE}):
        return svg(_figure(counts, rows, columns))


def _figure(counts: NDArray[np.int_], rows: Sequence[str], columns: Sequence[str]) -> Figure:
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    size = (MARGIN_INCH + CELL_INCH * len(columns), MARGIN_INCH + CELL_INCH * len(rows))
    figure = Figure(figsize=size)
    left, top = MARGIN_INCH / size[0], 1 - MARGIN_INCH / size[1]
    axes = figure.add_axes((left - 0.1 / size[0], 0.1 / size[1], 1 - left, top))
    axes.imshow(share, cmap=COLOUR_MAP, vmin=0, vmax=1, aspect="auto")
    axes.set_xticks(range(len(columns)), columns, rotation=90)
    axes.set_yticks(range(len(rows)), rows)
    axes.xaxis.tick_top()
    axes.xaxis.set_label_position("top")
    axes.set_xlabel("told first")
    axes.set_ylabel("built in")
    for row, column in zip(*np.nonzero(counts), strict=True):
        colour = "white" if share[row, column] > DARK else "black"
        axes.text(column, row, str(counts[row, column]), ha="center", va="center", color=colour)
    axes.set_xticks(np.arange(len(columns) + 1) - 0.5, minor=True)
    axes.set_yticks(np.arange(len(rows) + 1) - 0.5, minor=True)
    axes.grid(which="minor", color="#dddddd", linewidth=0.5)
    axes.tick_params(which="both", length=0)
    return figure
