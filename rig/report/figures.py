"""Figures of curves for the certificate: vector drawings that can be read in black and white."""

import io
import re
import warnings
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from rig.judge import Verdict, hertz
from rig.readings import Curve, Floats
from rig.report.words import VERDICT_WORDS, margin_words, worst_first

#: A curve with its verdict; None: no limit judges it.
Panel = tuple[Curve, Verdict | None]

WIDTH_IN = 7.1
PANEL_HEIGHT_IN = 2.15
#: Curves with more points than this are thinned for drawing.
MOST_POINTS = 500
LEVEL_SPAN = 50.0
FREQUENCY_TICKS_HZ = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
OHM_TICKS = (0.5, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 50, 70, 100, 150, 200, 300, 500, 1000)
MEASURED_COLOUR, QUIET_COLOUR, HATCH_COLOUR = "#0b3d7a", "#555555", "#999999"

STYLE = {
    # Text stays text: smaller files, and whoever reads can search and select it.
    "svg.fonttype": "none",
    "svg.hashsalt": "kitproof",
    # A dollar sign in a name is a dollar sign.
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.size": 7.5,
    "axes.linewidth": 0.6,
    "hatch.linewidth": 0.5,
}


def curves_svg(panels: Sequence[Panel]) -> str:
    """One drawing with a panel for each curve, as SVG to be put into a page.

    Measured: solid, and dotted where it cannot be trusted; design: dashed; limits: thin lines, hatched outside. A ring
    stands where the curve comes closest to its limit, or is furthest outside it.
    """
    columns = 1 if len(panels) == 1 else 2
    rows = -(-len(panels) // columns)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, PANEL_HEIGHT_IN * rows))
        side, gap = 0.42 / WIDTH_IN, 0.55 / WIDTH_IN
        width = (1 - side - 0.1 / WIDTH_IN - gap * (columns - 1)) / columns
        for n, (curve, verdict) in enumerate(panels):
            row, column = divmod(n, columns)
            bottom = (rows - 1 - row + 0.4 / PANEL_HEIGHT_IN) / rows
            place = (side + column * (width + gap), bottom, width, (PANEL_HEIGHT_IN - 0.65) / PANEL_HEIGHT_IN / rows)
            _draw(figure.add_axes(place), curve, verdict)
        return to_svg(figure)


def to_svg(figure: Figure) -> str:
    """A figure as an `<svg>` element without dates, outside references and identities that nothing refers to."""
    stream = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with mpl.rc_context(STYLE), warnings.catch_warnings():
        # The reader's own font draws what matplotlib's font lacks.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        FigureCanvasSVG(figure).print_svg(stream, metadata=nothing)
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\s(xmlns(:xlink)?|version)="[^"]*"', "", text)
    text = re.sub(r'<g id="[^"]*"', "<g", text)
    return re.sub(r"\n\s*", "\n", text.replace("xlink:href", "href")).strip()


def _draw(axes: Any, curve: Curve, verdict: Verdict | None) -> None:
    shift = verdict.shift_db if verdict else 0.0
    frequency_hz, value = curve.frequency_hz, curve.value - shift
    _axes(axes, curve, verdict, value)
    axes.set_title(panel_title(curve, verdict), loc="left", fontsize=7.5, fontweight="bold", pad=4)
    if frequency_hz.size == 0:
        return
    if curve.design is not None:
        at, design = thinned(frequency_hz, curve.design)
        axes.plot(at, design, color=QUIET_COLOUR, linewidth=0.9, linestyle=(0, (5, 2.5)))
    at, shown = thinned(frequency_hz, value)
    axes.plot(at, shown, color=QUIET_COLOUR, linewidth=0.8, linestyle=(0, (1, 1.6)))
    trusted = np.where(curve.valid, value, np.nan)
    at, shown = thinned(frequency_hz, trusted)
    axes.plot(at, shown, color=MEASURED_COLOUR, linewidth=1.5)
    if verdict is not None and verdict.mask is not None:
        _limits(axes, verdict, frequency_hz, trusted)
        axes.plot([verdict.at_hz], [verdict.value], "o", ms=7, mfc="none", mec="black", mew=1.1)


def panel_title(curve: Curve, verdict: Verdict | None) -> str:
    """Of what the curve is and what was made of it."""
    if verdict is None:
        return f"{curve.subject}: read, no limit set"
    word = VERDICT_WORDS[verdict.outcome]
    if not np.isfinite(verdict.margin):
        return f"{curve.subject}: {word}"
    place = f" at {hertz(verdict.at_hz)}" if np.isfinite(verdict.at_hz) else ""
    return f"{curve.subject}: {word}, {margin_words(verdict)}{place}"


def _limits(axes: Any, verdict: Verdict, frequency_hz: Floats, trusted: Floats) -> None:
    assert verdict.mask is not None
    mask = verdict.mask
    bottom, top = axes.get_ylim()
    measured = np.interp(np.log(mask.frequency_hz), np.log(frequency_hz), trusted)
    sides = ((mask.upper, top, "upper limit", 1), (mask.lower, bottom, "lower limit", -1))
    for edge, end, words, sign in sides:
        set_here = np.isfinite(edge)
        if not set_here.any():
            continue
        drawn = np.where(set_here, edge, np.nan)
        axes.plot(mask.frequency_hz, drawn, color="black", linewidth=0.8)
        axes.fill_between(
            mask.frequency_hz,
            np.clip(drawn, bottom, top),
            end,
            where=set_here,
            hatch="////" if sign > 0 else "\\\\\\\\",
            facecolor="none",
            edgecolor=HATCH_COLOUR,
            linewidth=0,
        )
        _label(axes, mask.frequency_hz, drawn, sign * (drawn - measured), words, sign)


def _label(axes: Any, at_hz: Floats, edge: Floats, room: Floats, words: str, sign: int) -> None:
    """Name a limit beside its line, outside it, where the measured curve is far away."""
    where = axes.transAxes.inverted().transform(axes.transData.transform(np.column_stack([at_hz, edge])))
    free = (where[:, 0] > 0.02) & (where[:, 0] < 0.78) & (where[:, 1] > 0.14) & (where[:, 1] < 0.86)
    free &= np.isfinite(room)
    if not free.any():
        return
    best = int(np.argmax(np.where(free, room, -np.inf)))
    reach = (where[:, 0] >= where[best, 0]) & (where[:, 0] <= where[best, 0] + 0.2) & np.isfinite(where[:, 1])
    height = np.max(sign * where[reach, 1]) * sign
    axes.text(
        where[best, 0],
        height + sign * 0.03,
        words,
        transform=axes.transAxes,
        va="bottom" if sign > 0 else "top",
        fontsize=6.5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
    )


def _axes(axes: Any, curve: Curve, verdict: Verdict | None, value: Floats) -> None:
    known = curve.frequency_hz.size > 1
    low_hz, high_hz = (curve.frequency_hz[0], curve.frequency_hz[-1]) if known else (20.0, 20000.0)
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    ticks = [tick for tick in FREQUENCY_TICKS_HZ if low_hz * 0.999 <= tick <= high_hz * 1.001]
    _fixed(axes.xaxis, ticks, [f"{tick / 1000:g}k" if tick >= 1000 else f"{tick:g}" for tick in ticks])
    axes.set_xlabel("frequency in Hz", labelpad=1, fontsize=7)
    bottom, top = value_range(curve, verdict, value)
    if curve.unit == "ohm":
        axes.set_yscale("log")
        levels = [tick for tick in OHM_TICKS if bottom <= tick <= top]
        _fixed(axes.yaxis, levels, [f"{tick:g}" for tick in levels])
    axes.set_ylim(bottom, top)
    axes.set_ylabel(f"{curve.unit}", labelpad=1, fontsize=7)
    axes.grid(True, color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(length=2.5, width=0.6, pad=2, labelsize=7)


def _fixed(axis: Any, ticks: list[float] | list[int], words: list[str]) -> None:
    axis.set_major_locator(FixedLocator(ticks))
    axis.set_major_formatter(FixedFormatter(words))
    axis.set_minor_locator(NullLocator())


def value_range(curve: Curve, verdict: Verdict | None, value: Floats) -> tuple[float, float]:
    """Lowest and highest value of a panel: 50 dB for levels, whole curve and limits for everything else.

    Parameters
    ----------
    curve, verdict
        What is to be drawn.
    value
        The values as they are drawn, shape (n,): a shift that was taken out before judging is taken out here too.
    """
    content = [value[curve.valid]]
    if verdict is not None and verdict.mask is not None:
        first, last = verdict.mask.frequency_hz[0], verdict.mask.frequency_hz[-1]
        judged = curve.valid & (curve.frequency_hz >= first) & (curve.frequency_hz <= last)
        content = [value[judged], verdict.mask.lower, verdict.mask.upper, np.array([verdict.value])]
    shown = np.concatenate(content)
    shown = shown[np.isfinite(shown)]
    if curve.unit == "ohm":
        shown = shown[shown > 0]
        return (shown.min() / 1.3, shown.max() * 1.3) if shown.size else (1.0, 100.0)
    if shown.size == 0:
        return -1.0, 1.0
    if curve.unit == "dB SPL" or not curve.absolute:
        top = 5 * np.ceil((shown.max() + 3) / 5)
        return float(top - LEVEL_SPAN), float(top)
    room = max(0.25 * float(np.ptp(shown)), 0.5)
    return float(shown.min() - room), float(shown.max() + room)


def thinned(frequency_hz: Floats, value: Floats) -> tuple[Floats, Floats]:
    """At most about `MOST_POINTS` points that keep every peak and dip, as shape (n,) each.

    Of each stretch of the curve the lowest and the highest point stay, and the first and last point of all.
    """
    if frequency_hz.size <= MOST_POINTS:
        return frequency_hz, value
    kept = {0, frequency_hz.size - 1}
    for stretch in np.array_split(np.arange(frequency_hz.size), MOST_POINTS // 2):
        part = value[stretch]
        if np.isnan(part).all():
            kept.add(int(stretch[0]))
            continue
        kept |= {int(stretch[np.nanargmin(part)]), int(stretch[np.nanargmax(part)])}
    order = np.array(sorted(kept))
    return frequency_hz[order], value[order]


def panels_of(curves: Sequence[Curve], verdicts: Sequence[Verdict]) -> dict[str, list[Panel]]:
    """Curves by quantity, each with its own verdict where one was made."""
    by_quantity: dict[str, list[Panel]] = {}
    for curve in curves:
        own = [v for v in verdicts if (v.quantity, v.subject) == (curve.quantity, curve.subject)]
        by_quantity.setdefault(curve.quantity, []).append((curve, worst_first(own)[0] if own else None))
    return by_quantity
