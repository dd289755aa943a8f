"""The figure of learnt masks: the mask, its middle, and every build in it."""

import textwrap
from collections.abc import Sequence
from pathlib import Path

from rig.drawing.panels import Band, Line, Panel, curve_axes, figure
from rig.drawing.svg import DESIGN, write_svg
from rig.study.learning import Learnt

BUILD = 'fill="none" stroke="#0b3d7a" stroke-width="0.9"'
#: Letters in a line below a panel; layout.
LINE_LENGTH = 58


def draw_masks(learnt: Sequence[Learnt], path: Path) -> Path:
    """Draw one panel a mask into an SVG file and return its path."""
    return write_svg(path, figure([_panel(one) for one in learnt], columns=2))


def _panel(one: Learnt) -> Panel:
    _, quantity, subject = one.key
    share = f", about {100 * one.rejects:.2g} % of good units outside" if one.rejects == one.rejects else ""
    name = textwrap.fill(f"mask: {one.words}{share}", LINE_LENGTH)
    lines = [Line(one.frequency_hz, build, "builds", BUILD) for build in one.builds]
    lines.append(Line(one.frequency_hz, one.centre, "middle", DESIGN))
    shown = [one.centre, *one.builds, *(() if one.unit == "ohm" else (one.lower, one.upper))]
    across, up = curve_axes(one.frequency_hz, shown, one.unit)
    band = Band(one.frequency_hz, one.lower, one.upper, name)
    return Panel(f"{quantity}, {subject}", across, up, tuple(lines), (band,))
