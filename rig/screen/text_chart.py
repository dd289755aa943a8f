"""Curves over frequency as text, for a terminal of 80 columns."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.drawing.axes import FREQUENCY_TICKS_HZ
from rig.values.readings import Floats

#: The field that is drawn in, in characters, and the room for values to its left; layout.
COLUMNS, ROWS, LEFT = 68, 14, 7


@dataclass(frozen=True, eq=False)
class TextLine:
    """A curve: one character at each column. Arrays of shape (n,); NaN is left out."""

    sign: str
    frequency_hz: Floats
    value: Floats


def text_chart(lines: Sequence[TextLine], bottom: float, top: float, ticks: Floats, is_log: bool = False) -> list[str]:
    """Lines of text, the earlier curves on top of the later; what lies outside is left out.

    Parameters
    ----------
    lines
        Over the same band.
    bottom, top
        Of the vertical axis.
    ticks
        Values written at its left.
    is_log
        The vertical axis is logarithmic.
    """
    from_hz, to_hz = lines[0].frequency_hz[0], lines[0].frequency_hz[-1]
    at_hz = np.geomspace(from_hz, to_hz, COLUMNS)
    field = [[" "] * COLUMNS for _ in range(ROWS)]
    for line in reversed(lines):
        values = np.interp(np.log(at_hz), np.log(line.frequency_hz), line.value, np.nan, np.nan)
        for column, row in enumerate(_rows(values, bottom, top, is_log)):
            if np.isfinite(row) and 0 <= row < ROWS:
                field[int(row)][column] = line.sign
    names = {int(row): f"{tick:g}" for row, tick in zip(_rows(ticks, bottom, top, is_log), ticks, strict=True)}
    drawn = [f"{names.get(row, ''):>{LEFT - 2}} |{''.join(cells)}".rstrip() for row, cells in enumerate(field)]
    return [*drawn, *_frequencies(from_hz, to_hz)]


def _rows(values: Floats, bottom: float, top: float, is_log: bool) -> Floats:
    scale = np.log if is_log else np.asarray
    share = (scale(top) - scale(values)) / (scale(top) - scale(bottom))
    return np.asarray(np.round(share * (ROWS - 1)))


def _frequencies(from_hz: float, to_hz: float) -> list[str]:
    """The axis below: a line with marks, and their names."""
    rule, names = ["-"] * COLUMNS, [" "] * COLUMNS
    for tick in FREQUENCY_TICKS_HZ:
        if from_hz <= tick <= to_hz:
            column = round(np.log(tick / from_hz) / np.log(to_hz / from_hz) * (COLUMNS - 1))
            rule[column] = "+"
            name = f"{tick / 1000:g}k" if tick >= 1000 else f"{tick:g}"
            first = min(max(column - len(name) // 2, 0), COLUMNS - len(name))
            names[first : first + len(name)] = name
    return [" " * (LEFT - 1) + "+" + "".join(rule), " " * LEFT + "".join(names).rstrip() + "  Hz"]
