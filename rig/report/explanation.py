"""The figure of an explained failure: measured, designed, and what each finding expects, on top of each other."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from rig.findings.curves import Under
from rig.report.figures import FREQUENCY_TICKS_HZ, OHM_TICKS
from rig.report.findings_text import headline
from rig.values.readings import Curve, Floats

#: What a level may span in a panel; deeper notches are cut off.
SPAN_DB = 50.0
#: One for each finding of a channel, the most probable first; told apart without colour by their dashes.
STYLES = (
    {"color": "C3", "linewidth": 1.5, "linestyle": (0, (6, 2))},
    {"color": "C2", "linewidth": 1.1, "linestyle": (0, (3, 2))},
    {"color": "C4", "linewidth": 1.1, "linestyle": (0, (1, 1.5))},
)


def draw_explanation(panels: Sequence[Sequence[Under]], title: str, path: Path) -> Path:
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
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    with mpl.rc_context({"svg.hashsalt": "kitproof", "font.size": 9, "svg.fonttype": "none", "text.parse_math": False}):
        figure, axes = plt.subplots(
            len(panels), 1, figsize=(10, 4.0 * len(panels)), squeeze=False, layout="constrained"
        )
        figure.suptitle(title, fontsize=10)
        for axis, panel in zip(axes.flat, panels, strict=True):
            _panel(axis, panel)
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None})
        plt.close(figure)
    return path


def _panel(axis: Axes, panel: Sequence[Under]) -> None:
    curve = panel[0].measured
    shown = [curve.value]
    axis.plot(curve.frequency_hz, np.where(curve.valid, curve.value, np.nan), color="C0", linewidth=2, label="measured")
    if not curve.valid.all():
        untrusted = np.where(curve.valid, np.nan, curve.value)
        axis.plot(curve.frequency_hz, untrusted, color="C0", linewidth=0.8, label="measured, not to be trusted")
    if curve.design is not None:
        band, label = panel[0].good, "design"
        if band is not None:
            label = "design, as good builds have it"
            axis.fill_between(curve.frequency_hz, *band, color="0.85", linewidth=0, label="good units (95 %)")
        axis.plot(curve.frequency_hz, curve.design, color="0.35", linewidth=1, linestyle="--", label=label)
        shown.append(curve.design)
    for under, style in zip(panel, STYLES, strict=False):
        if under.expected is not None and np.isfinite(under.expected).any():
            axis.plot(curve.frequency_hz, under.expected, label=_expected_if(under))[0].set(**style)
            shown.append(under.expected)
    _scales(axis, curve, np.concatenate(shown))
    axis.set_title(f"{curve.quantity}, {curve.subject}", loc="left")
    axis.set_xlabel("Hz")
    axis.set_ylabel(curve.unit)
    axis.grid(which="both", linewidth=0.3, color="0.8")
    # Below the panel: a notch may be anywhere in it.
    axis.legend(fontsize=7, loc="upper left", bbox_to_anchor=(0, -0.16), frameon=False)


def _expected_if(under: Under) -> str:
    """What must be wrong for the curve to be like this."""
    both = [one for one in (under.finding, under.besides) if one is not None]
    return "expected if: " + "\nand: ".join(headline(one) for one in both)


def _scales(axis: Axes, curve: Curve, shown: Floats) -> None:
    from matplotlib.ticker import NullFormatter

    axis.set_xscale("log")
    hertz = curve.frequency_hz
    axis.set_xticks([f for f in FREQUENCY_TICKS_HZ if hertz[0] <= f <= hertz[-1]])
    axis.xaxis.set_major_formatter("{x:g}")
    axis.xaxis.set_minor_formatter(NullFormatter())
    shown = shown[np.isfinite(shown)]
    if curve.unit == "ohm":
        shown = shown[shown > 0]
        axis.set_yscale("log")
        # An open lead has thousands of ohms; where all is in order is what one wants to see.
        axis.set_yticks([ohm for ohm in OHM_TICKS if shown.min() <= ohm <= shown.max()])
        axis.set_ylim(max(shown.min(), OHM_TICKS[0]) * 0.9, min(shown.max(), OHM_TICKS[-1]) * 1.1)
        axis.yaxis.set_major_formatter("{x:g}")
        axis.yaxis.set_minor_formatter(NullFormatter())
    else:
        axis.set_ylim(max(shown.min(), shown.max() - SPAN_DB) - 2, shown.max() + 2)
