"""The figure of learnt masks: the mask, its middle, and every build in it."""

from collections.abc import Sequence
from pathlib import Path

from matplotlib.axes import Axes

from rig.study.learning import Learnt


def draw_masks(learnt: Sequence[Learnt], path: Path) -> Path:
    """Draw one panel a mask into an SVG file and return its path."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    with mpl.rc_context({"svg.hashsalt": "kitproof", "font.size": 9, "text.parse_math": False}):
        rows = (len(learnt) + 1) // 2
        figure, axes = plt.subplots(rows, 2, figsize=(11, 3.1 * rows), squeeze=False, layout="constrained")
        for axis, one in zip(axes.flat, learnt, strict=False):
            _panel(axis, one)
        for axis in axes.flat[len(learnt) :]:
            axis.set_visible(False)
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None})
        plt.close(figure)
    return path


def _panel(axis: Axes, one: Learnt) -> None:
    axis.fill_between(one.frequency_hz, one.lower, one.upper, color="0.88", label="mask")
    axis.plot(one.frequency_hz, one.centre, color="0.35", linewidth=1.0, linestyle="--", label="middle")
    for n, build in enumerate(one.builds):
        axis.plot(one.frequency_hz, build, linewidth=0.8, color="C0", label="builds" if n == 0 else None)
    axis.set_xscale("log")
    if one.unit == "ohm":
        axis.set_yscale("log")
    _, quantity, subject = one.key
    share = f", about {100 * one.rejects:.2g} % of good units outside" if one.rejects == one.rejects else ""
    axis.set_title(f"{quantity}, {subject}: {one.words}{share}", fontsize=8, loc="left")
    axis.set_xlabel("Hz")
    axis.set_ylabel(one.unit)
    axis.grid(which="both", linewidth=0.3, color="0.8")
    axis.legend(fontsize=7, loc="best", frameon=False)
