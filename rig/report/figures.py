"""Figures of curves for the certificate: vector drawings that can be read in black and white.

The SVG is written out directly: a page may hold twenty panels, and a general plotting library takes longer to lay
out their axes than the rig takes to judge the unit.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape

import numpy as np

from checks.heat import BY_BAND
from rig.circuit.notation import hertz
from rig.design.limits import Limit, limit_key
from rig.report.words import VERDICT_WORDS, is_shifted, margin_words, measured_value, with_minus
from rig.values.readings import Curve, Floats
from rig.values.verdicts import Mask, Verdict
from rig.verdict.judge import FAR_AWAY

#: A curve with its verdict; None: no limit judges it.
Panel = tuple[Curve, Verdict | None]

#: In the drawing's own units; the page scales the width to the column, and at 180 mm ten units are 7 points.
WIDTH, HEIGHT = 720, 205
LEFT, GAP, RIGHT, ABOVE, BELOW = 44, 50, 8, 24, 36
NAME_WIDTH = 60.0
#: Curves with more points than this are thinned for drawing.
MOST_POINTS = 500
#: Curves with no more points than this have each of them marked.
FEW_POINTS = 12
#: What the name of a curve ends with whose worst band is judged as a number of the name before.
LEVEL_SPAN_DB = 50.0
FREQUENCY_TICKS_HZ = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
OHM_TICKS = (0.5, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 50, 70, 100, 150, 200, 300, 500, 1000)

#: Stands once in a page that shows these figures: what the areas outside the limits are filled with.
HATCHING = (
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>'
    '<pattern id="outside" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path d="M0 0 V6" stroke="#888" stroke-width="1.1"/></pattern></defs></svg>'
)
MEASURED = 'fill="none" stroke="#0b3d7a" stroke-width="2.1" stroke-linejoin="round"'
UNTRUSTED = 'fill="none" stroke="#333" stroke-width="1.1" stroke-dasharray="1.5 2.5"'
ON_AXIS = 'fill="none" stroke="#8a5a00" stroke-width="1.6"'
DESIGN = 'fill="none" stroke="#444" stroke-width="1.2" stroke-dasharray="7 3.5"'
LIMIT = 'fill="none" stroke="#000" stroke-width="1.1"'
#: A white rim keeps words readable on hatching and grid.
RIM = 'stroke="#fff" stroke-width="4" stroke-linejoin="round" paint-order="stroke"'


@dataclass(frozen=True)
class Plot:
    """A panel's rectangle in the drawing, and what its edges stand for."""

    left: float
    top: float
    width: float
    height: float
    from_hz: float
    to_hz: float
    bottom: float
    ceiling: float
    is_log: bool

    def x(self, frequency_hz: Floats) -> Floats:
        """Units from the panel's left edge."""
        share: Floats = np.log(frequency_hz / self.from_hz) / np.log(self.to_hz / self.from_hz)
        return share * self.width

    def y(self, value: Floats) -> Floats:
        """Units from the panel's upper edge."""
        edges = np.array([self.bottom, self.ceiling])
        if self.is_log:
            # What is not positive has no place on a logarithmic axis and goes below its lower edge.
            edges, value = np.log(edges), np.log(np.maximum(value, 1e-12))
        share: Floats = (edges[1] - value) / (edges[1] - edges[0])
        # What lies far outside is cut off by the panel's edge; numbers stay short.
        return np.clip(share, -0.5, 1.5) * self.height


def curves_svg(panels: Sequence[Panel], columns: int) -> str:
    """One row of panels, each a curve, as an `<svg>` element for a page that holds `HATCHING`.

    Measured: solid, and dotted where it cannot be trusted; design, or what else the limits were drawn around: dashed;
    limits: thin lines, hatched outside. A ring stands where the curve comes closest to its limit, or is furthest
    outside it. The curve stands where it was measured; limits and design are moved by the shift that judging took out.

    Parameters
    ----------
    panels
        At most `columns` curves with their verdicts.
    columns
        How many panels the width is shared by.
    """
    width = (WIDTH - LEFT - RIGHT - GAP * (columns - 1)) / columns
    drawn = []
    for column, (curve, verdict) in enumerate(panels):
        plot = plot_of(curve, verdict, (LEFT + column * (width + GAP), ABOVE), width)
        drawn += [*_frame(plot, curve, verdict), *_content(plot, curve, verdict)]
    words = escape("; ".join(panel_title(curve, verdict) for curve, verdict in panels))
    head = f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{words}" font-size="10">'
    return "\n".join([head, *drawn, "</svg>"])


def plot_of(curve: Curve, verdict: Verdict | None, corner: tuple[float, float], width: float) -> Plot:
    """Where a curve's panel stands and what its axes run over."""
    known = curve.frequency_hz.size > 1
    from_hz, to_hz = (curve.frequency_hz[0], curve.frequency_hz[-1]) if known else (20.0, 20000.0)
    bottom, ceiling = value_range(curve, verdict)
    height = HEIGHT - ABOVE - BELOW
    return Plot(*corner, width, height, from_hz, to_hz, bottom, ceiling, is_log=curve.unit == "ohm")


def panel_title(curve: Curve, verdict: Verdict | None) -> str:
    """Of what the curve is and what was made of it."""
    if verdict is None:
        return f"{curve.subject}: read, not judged"
    word = VERDICT_WORDS[verdict.outcome]
    if not np.isfinite(verdict.margin):
        return f"{curve.subject}: {word}"
    place = f" at {hertz(verdict.at_hz)}" if np.isfinite(verdict.at_hz) else ""
    return f"{curve.subject}: {word}, {margin_words(verdict)}{place}"


def _frame(plot: Plot, curve: Curve, verdict: Verdict | None) -> list[str]:
    """Title, grid and axes."""
    ticks_hz = np.array([t for t in FREQUENCY_TICKS_HZ if plot.from_hz * 0.999 <= t <= plot.to_hz * 1.001])
    levels = value_ticks(plot)
    xs, ys = plot.left + plot.x(ticks_hz), plot.top + plot.y(levels)
    foot = plot.top + plot.height
    grid = "".join(f"M{x:.1f} {plot.top}v{plot.height}" for x in xs)
    grid += "".join(f"M{plot.left:.1f} {y:.1f}h{plot.width:.1f}" for y in ys)
    title = escape(panel_title(curve, verdict))
    drawn = [
        f'<text x="{plot.left:.1f}" y="{plot.top - 8}" font-size="11" font-weight="bold">{title}</text>',
        f'<path d="{grid}" stroke="#d4d4d4" stroke-width="0.8"/>',
    ]
    for x, tick in zip(xs, ticks_hz, strict=True):
        words = f"{tick / 1000:g}k" if tick >= 1000 else f"{tick:g}"
        drawn.append(f'<text x="{x:.1f}" y="{foot + 12}" text-anchor="middle">{words}</text>')
    for y, level in zip(ys, levels, strict=True):
        words = f"{level + 0.0:g}".replace("-", "−")
        drawn.append(f'<text x="{plot.left - 4:.1f}" y="{y + 3.5:.1f}" text-anchor="end">{words}</text>')
    middle = plot.left + plot.width / 2
    drawn.append(f'<text x="{middle:.1f}" y="{foot + 26}" text-anchor="middle">frequency in Hz</text>')
    unit, at = escape(curve.unit), (plot.left - 32, plot.top + plot.height / 2)
    turned = f'transform="translate({at[0]:.1f} {at[1]:.1f}) rotate(-90)"'
    drawn.append(f'<text {turned} text-anchor="middle">{unit}</text>')
    return drawn


def _content(plot: Plot, curve: Curve, verdict: Verdict | None) -> list[str]:
    """Curves and limits, cut off at the panel's edge."""
    value, mask = curve.value, shown_mask(verdict)
    box = f'width="{plot.width:.1f}" height="{plot.height:.1f}"'
    drawn = [f'<svg x="{plot.left:.1f}" y="{plot.top:.1f}" {box} overflow="hidden">']
    if mask is not None:
        drawn += _limits(plot, mask)
        drawn += _names(plot, curve.frequency_hz, np.where(curve.valid, value, np.nan), mask)
    if mask is not None and mask.centre is not None:
        drawn.append(f'<path class="design" d="{_path(plot, mask.frequency_hz, mask.centre)}" {DESIGN}/>')
    elif curve.design is not None:
        design = curve.design + (verdict.shift_db if verdict else 0.0)
        drawn.append(f'<path class="design" d="{_path(plot, curve.frequency_hz, design)}" {DESIGN}/>')
    if curve.on_axis is not None:
        drawn.append(f'<path class="on-axis" d="{_path(plot, curve.frequency_hz, curve.on_axis)}" {ON_AXIS}/>')
        drawn.append(f'<text x="4" y="12" fill="#8a5a00" {RIM}>brown: on axis</text>')
    drawn.append(f'<path class="untrusted" d="{_path(plot, curve.frequency_hz, value)}" {UNTRUSTED}/>')
    trusted = np.where(curve.valid, value, np.nan)
    drawn.append(f'<path class="measured" d="{_path(plot, curve.frequency_hz, trusted)}" {MEASURED}/>')
    if np.isfinite(trusted).sum() <= FEW_POINTS:
        # Bands, not a curve: the points are what was read, the line only leads the eye.
        drawn += [
            _dot(x, y) for x, y in zip(plot.x(curve.frequency_hz), plot.y(trusted), strict=True) if np.isfinite(y)
        ]
    if verdict is not None and mask is not None:
        x = plot.x(np.array([verdict.at_hz]))[0]
        y = np.clip(plot.y(np.array([measured_value(verdict)]))[0], 6, plot.height - 6)
        drawn.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5.5" fill="none" stroke="#000" stroke-width="1.7"/>')
    if verdict is not None and mask is not None and is_shifted(verdict):
        # A dip in the band of the mean moves the limits away from what is right elsewhere: say so where it is seen.
        moved = with_minus(f"limits and dashed curve moved by {verdict.shift_db:+.1f} dB")
        drawn.append(f'<text x="4" y="{plot.height - 5:.1f}" {RIM}>{moved}</text>')
    drawn.append(f'<rect {box} fill="none" stroke="#000" stroke-width="1.6"/></svg>')
    return drawn


def _dot(x: float, y: float) -> str:
    return f'<circle class="point" cx="{x:.1f}" cy="{y:.1f}" r="3" fill="#0b3d7a"/>'


def _limits(plot: Plot, mask: Mask) -> list[str]:
    drawn = []
    for name, edge, end in (("upper", mask.upper, 0.0), ("lower", mask.lower, plot.height)):
        at_hz, shown = thinned(mask.frequency_hz, np.where(np.isfinite(edge), edge, np.nan))
        for stretch in stretches(shown):
            xs, ys = plot.x(at_hz[stretch]), plot.y(shown[stretch])
            edge_line = path_of(xs, ys)
            area = f"{edge_line}L{xs[-1]:.1f} {end:.1f}L{xs[0]:.1f} {end:.1f}Z"
            drawn.append(f'<path d="{area}" fill="url(#outside)"/>')
            drawn.append(f'<path class="{name}" d="{edge_line}" {LIMIT}/>')
    return drawn


def _names(plot: Plot, frequency_hz: Floats, trusted: Floats, mask: Mask) -> list[str]:
    """Name each limit at its line, outside it, where the name is furthest from the measured curve."""
    drawn = []
    curve_x, curve_y = plot.x(frequency_hz), plot.y(trusted)
    mask_x = plot.x(mask.frequency_hz)
    for words, edge, sign in (("upper limit", mask.upper, -1), ("lower limit", mask.lower, 1)):
        mask_y = plot.y(np.where(np.isfinite(edge), edge, np.nan))
        places = []
        for left in np.arange(4.0, plot.width - NAME_WIDTH, 6.0):
            across = np.linspace(left - 2, left + NAME_WIDTH, 12)
            line = np.interp(across, mask_x, mask_y, np.nan, np.nan)
            if not np.isfinite(line).all():
                continue
            # The name's box: clear of the limit's line all the way across.
            near = float(line.min() - 3 if sign < 0 else line.max() + 3)
            top, foot = (near - 11, near) if sign < 0 else (near, near + 11)
            if top > 2 and foot < plot.height - 2:
                measured = np.interp(across, curve_x, curve_y)
                gap = np.fmin.reduce(np.maximum(measured - foot, top - measured), initial=plot.height)
                places.append((gap, left, foot - 2))
        clear, x, y = max(places, default=(0.0, 0.0, 0.0))
        if clear > 1:
            drawn.append(f'<text x="{x:.1f}" y="{y:.1f}" {RIM}>{words}</text>')
    return drawn


def _path(plot: Plot, frequency_hz: Floats, value: Floats) -> str:
    at_hz, shown = thinned(frequency_hz, value)
    return "".join(path_of(plot.x(at_hz[part]), plot.y(shown[part])) for part in stretches(shown))


def path_of(xs: Floats, ys: Floats) -> str:
    """A path through points."""
    points = [f"{x:.1f} {y:.1f}" for x, y in zip(xs, ys, strict=True)]
    # A point on its own is drawn as a dot by a line of no length with round ends.
    return "M" + "L".join(points if len(points) > 1 else points * 2)


def stretches(value: Floats) -> list[slice]:
    """Runs of finite values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.isfinite(value).astype(int), [0]])))
    return [slice(int(start), int(stop)) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def shown_mask(verdict: Verdict | None) -> Mask | None:
    """The mask where it stands beside the curve as measured: moved by the shift that judging took out."""
    if verdict is None or verdict.mask is None:
        return None
    mask, by = verdict.mask, verdict.shift_db
    centre = None if mask.centre is None else mask.centre + by
    return replace(mask, lower=mask.lower + by, upper=mask.upper + by, centre=centre)


def value_range(curve: Curve, verdict: Verdict | None) -> tuple[float, float]:
    """Lowest and highest value of a panel: 50 dB for levels, curve and limits and some room for everything else."""
    mask = shown_mask(verdict)
    content = [curve.value[curve.valid]]
    if verdict is not None and mask is not None:
        first, last = mask.frequency_hz[0], mask.frequency_hz[-1]
        judged = curve.valid & (curve.frequency_hz >= first) & (curve.frequency_hz <= last)
        content = [curve.value[judged], mask.lower, mask.upper, np.array([measured_value(verdict)])]
    shown = np.concatenate(content)
    # A limit as far away as that is as good as none.
    shown = shown[np.abs(np.nan_to_num(shown, nan=np.inf)) < FAR_AWAY]
    if curve.unit == "ohm":
        shown = shown[shown > 0]
        return (shown.min() / 1.4, shown.max() * 1.3) if shown.size else (1.0, 100.0)
    if shown.size == 0:
        return -1.0, 1.0
    if curve.unit == "dB SPL" or not curve.absolute:
        # Room above for the name of the upper limit.
        top = 5 * np.ceil((shown.max() + 6) / 5)
        return float(top - LEVEL_SPAN_DB), float(top)
    room = max(0.25 * float(np.ptp(shown)), 0.5)
    return float(shown.min() - room), float(shown.max() + room)


def value_ticks(plot: Plot) -> Floats:
    """Round values between the panel's edges, at most about seven."""
    if plot.is_log:
        inside = [tick for tick in OHM_TICKS if plot.bottom <= tick <= plot.ceiling]
        return np.array(inside[:: 1 if len(inside) <= 9 else 2], dtype=np.float64)
    return round_values(plot.bottom, plot.ceiling, 7)


def round_values(bottom: float, ceiling: float, most: int) -> Floats:
    """Round values (in steps of 1, 2 or 5 and so many zeros) between two others, at most about `most` of them."""
    rough = ceiling / most - bottom / most
    if not 0 < rough < np.inf:
        return np.array([bottom])
    power = 10 ** np.floor(np.log10(rough))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
    count = np.arange(np.ceil(bottom / step), np.floor(ceiling / step) + 1)
    # Rounding multiplies, which a huge number does not bear and does not need.
    return np.asarray(count * step if step >= 1 else np.round(count * step, 10), dtype=np.float64)


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
    judged = {(verdict.quantity, verdict.subject): verdict for verdict in verdicts}
    by_quantity: dict[str, list[Panel]] = {}
    for curve in curves:
        by_quantity.setdefault(curve.quantity, []).append((curve, judged.get((curve.quantity, curve.subject))))
    return by_quantity


def band_verdicts(
    curves: Sequence[Curve], verdicts: Sequence[Verdict], limits: Mapping[str, Limit]
) -> Iterator[Verdict]:
    """Verdicts to draw curves of bands with, of which one number is judged: the worst band's, with its limit across."""
    judged = {(verdict.quantity, verdict.subject): verdict for verdict in verdicts}
    for curve in curves:
        quantity = curve.quantity.removesuffix(BY_BAND)
        verdict = judged.get((quantity, curve.subject))
        limit = limits.get(limit_key(limits, quantity, curve.subject))
        known = curve.valid & np.isfinite(curve.value)
        if quantity == curve.quantity or verdict is None or limit is None or not known.any():
            continue
        away = np.where(known, np.abs(curve.value - verdict.value), np.inf)
        at_hz = float(curve.frequency_hz[np.argmin(away)]) if np.isfinite(verdict.value) else float("nan")
        lower = -np.inf if limit.lower is None else limit.lower
        upper = np.inf if limit.upper is None else limit.upper
        ends = curve.frequency_hz[known][[0, -1]]
        mask = Mask(ends, np.full(2, lower), np.full(2, upper))
        yield replace(verdict, quantity=curve.quantity, at_hz=at_hz, mask=mask if np.isfinite(at_hz) else None)
