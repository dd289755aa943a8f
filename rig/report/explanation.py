"""The figure of an explained failure: measured, designed, and what each finding expects, on top of each other."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rig.drawing.panels import Band, Line, Panel, curve_axes, figure
from rig.drawing.svg import DESIGN, MEASURED, SERIES, UNTRUSTED, write_svg
from rig.findings.curves import ExplainedCurve
from rig.report.findings_text import headline

#: Height of a panel with its axes; layout.
HEIGHT = 290
#: One for each finding of a channel, the most probable first; layout.
STYLES = SERIES[1:4]
#: An open lead has thousands of ohms; where all is in order is what one wants to see; layout.
MOST_OHM = 1000.0


def draw_explanation(panels: Sequence[Sequence[ExplainedCurve]], title: str, path: Path) -> Path:
    """Draw each curve with all that is expected of it into an SVG file and return its path.

    Parameters
    ----------
    panels
        One entry a curve: the same measured curve under each finding of its channel, most probable first.
    title
        Of the figure.
    path
        Where it is written; its folder is there.
    """
    return write_svg(path, figure([_panel(panel) for panel in panels], height=HEIGHT, title=title))


def _panel(panel: Sequence[ExplainedCurve]) -> Panel:
    curve, bands = panel[0].measured, []
    at_hz, shown = curve.frequency_hz, [curve.value]
    lines = [Line(at_hz, np.where(curve.valid, curve.value, np.nan), "measured", MEASURED)]
    if not curve.valid.all():
        untrusted = np.where(curve.valid, np.nan, curve.value)
        lines.append(Line(at_hz, untrusted, "measured, not to be trusted", UNTRUSTED))
    if curve.design is not None:
        name, good = "design", panel[0].good
        if good is not None:
            name = "design, as good builds have it"
            bands.append(Band(at_hz, *good, name="good units (95 %)"))
        lines.append(Line(at_hz, curve.design, name, DESIGN))
        shown.append(curve.design)
    for under, style in zip(panel, STYLES, strict=False):
        if under.expected is not None and np.isfinite(under.expected).any():
            lines.append(Line(at_hz, under.expected, _expected_if(under), style))
            shown.append(under.expected)
    if curve.unit == "ohm":
        shown = [np.minimum(value, MOST_OHM) for value in shown]
    title = f"{curve.quantity}, {curve.subject}"
    return Panel(title, *curve_axes(at_hz, shown, curve.unit), lines=tuple(lines), bands=tuple(bands))


def _expected_if(under: ExplainedCurve) -> str:
    """What must be wrong for the curve to be like this."""
    both = [one for one in (under.finding, under.besides) if one is not None]
    return "expected if: " + "\nand: ".join(headline(one) for one in both)
