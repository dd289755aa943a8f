"""A confusion table as a figure: what was wrong, and what was told."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.drawing.svg import drawing, rectangle, standalone, text

#: Of a cell, and of the names beside and above the cells, in the drawing's units; layout.
CELL, MARGIN = 22.0, 130.0
#: What a cell of a share of 1 is filled with; shares above the second number are written in white; layout.
FULL, DARK = (11, 61, 122), 0.5


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
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    drawn = [text(4, MARGIN - 8, "built in"), text(MARGIN, 12, "told first")]
    drawn += [text(MARGIN - 6, _middle(n) + 3.5, name, anchor="end") for n, name in enumerate(rows)]
    drawn += [text(_middle(n) + 3.5, MARGIN - 6, name, upwards=True) for n, name in enumerate(columns)]
    for (row, column), part in np.ndenumerate(share):
        shade = ",".join(f"{255 - part * (255 - full):.0f}" for full in FULL)
        style = f'fill="rgb({shade})" stroke="#ddd" stroke-width="0.5"'
        drawn.append(rectangle(MARGIN + CELL * column, MARGIN + CELL * row, CELL, CELL, style))
        if counts[row, column]:
            colour = f'fill="{"#fff" if part > DARK else "#000"}"'
            drawn.append(text(_middle(column), _middle(row) + 3.5, str(counts[row, column]), colour, anchor="middle"))
    width, height = (MARGIN + CELL * len(names) + 4 for names in (columns, rows))
    return standalone(drawing(width, height, drawn, "what was built in, and what was told first"), 0.35 * width)


def _middle(number: int) -> float:
    return MARGIN + CELL * (number + 0.5)
