"""Figures of curves for the certificate: measured, design and limits, each judged curve with its worst point."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from checks.heat import BY_BAND
from rig.circuit.notation import hertz
from rig.design.limits import Limit, limit_key
from rig.drawing.axes import Plot, frequency_axis, linear_axis, ohm_axis
from rig.drawing.panels import ABOVE, BELOW, HEIGHT, LEVEL_SPAN_DB, WIDTH, column_left, column_width
from rig.drawing.svg import (
    DESIGN,
    HATCHED,
    LIMIT,
    MEASURED,
    RIM,
    UNTRUSTED,
    Floats,
    circle,
    drawing,
    path,
    path_of,
    stretches,
    text,
    thinned,
)
from rig.report.words import VERDICT_WORDS, is_shifted, margin_words, measured_value, with_minus
from rig.values.readings import Curve
from rig.values.verdicts import Mask, Verdict
from rig.verdict.judge import FAR_AWAY

#: A curve with its verdict; None: no limit judges it.
Panel = tuple[Curve, Verdict | None]

#: Room for the name of a limit; layout.
NAME_WIDTH = 60.0
#: Curves with no more points than this have each of them marked; layout.
FEW_POINTS = 12
POINT = 'fill="#0b3d7a"'
ON_AXIS = 'fill="none" stroke="#aaa" stroke-width="3.4"'
RING = 'fill="none" stroke="#000" stroke-width="1.7"'


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
    width = column_width(columns)
    titles = [panel_title(curve, verdict) for curve, verdict in panels]
    drawn = []
    for column, ((curve, verdict), title) in enumerate(zip(panels, titles, strict=True)):
        plot = plot_of(curve, verdict, (column_left(column, width), ABOVE), width)
        drawn += [*plot.frame(title), *plot.content(_content(plot, curve, verdict))]
    return drawing(WIDTH, HEIGHT, drawn, "; ".join(titles))


def plot_of(curve: Curve, verdict: Verdict | None, corner: tuple[float, float], width: float) -> Plot:
    """Where a curve's panel stands and what its axes run over."""
    known = curve.frequency_hz.size > 1
    from_hz, to_hz = (curve.frequency_hz[0], curve.frequency_hz[-1]) if known else (20.0, 20000.0)
    bottom, ceiling = value_range(curve, verdict)
    up = ohm_axis(bottom, ceiling) if curve.unit == "ohm" else linear_axis(curve.unit, bottom, ceiling)
    return Plot(*corner, width, HEIGHT - ABOVE - BELOW, frequency_axis(from_hz, to_hz), up)


def panel_title(curve: Curve, verdict: Verdict | None) -> str:
    """Of what the curve is and what was made of it."""
    if verdict is None:
        return f"{curve.subject}: read, not judged"
    word = VERDICT_WORDS[verdict.outcome]
    if not np.isfinite(verdict.margin):
        return f"{curve.subject}: {word}"
    place = f" at {hertz(verdict.at_hz)}" if np.isfinite(verdict.at_hz) else ""
    return f"{curve.subject}: {word}, {margin_words(verdict)}{place}"


def _content(plot: Plot, curve: Curve, verdict: Verdict | None) -> list[str]:
    """Curves and limits."""
    at_hz, value, mask = curve.frequency_hz, curve.value, shown_mask(verdict)
    trusted = np.where(curve.valid, value, np.nan)
    drawn = []
    if mask is not None:
        drawn += [*_limits(plot, mask), *_names(plot, at_hz, trusted, mask)]
    if mask is not None and mask.centre is not None:
        drawn.append(path(plot.way(mask.frequency_hz, mask.centre), DESIGN, "design"))
    elif curve.design is not None:
        design = curve.design + (verdict.shift_db if verdict else 0.0)
        drawn.append(path(plot.way(at_hz, design), DESIGN, "design"))
    if curve.on_axis is not None:
        drawn += [
            path(plot.way(at_hz, curve.on_axis), ON_AXIS, "on-axis"),
            text(4, 12, "wide grey line: on the axis", RIM),
        ]
    drawn.append(path(plot.way(at_hz, value), UNTRUSTED, "untrusted"))
    drawn.append(path(plot.way(at_hz, trusted), MEASURED, "measured"))
    if np.isfinite(trusted).sum() <= FEW_POINTS:
        # Bands, not a curve: the points are what was read, the line only leads the eye.
        points = zip(plot.x(at_hz), plot.y(trusted), strict=True)
        drawn += [circle(x, y, 3, POINT, "point") for x, y in points if np.isfinite(y)]
    if verdict is not None and mask is not None:
        y = float(np.clip(plot.y(measured_value(verdict)), 6, plot.height - 6))
        drawn.append(circle(float(plot.x(verdict.at_hz)), y, 5.5, RING))
        if is_shifted(verdict):
            # A dip in the band of the mean moves the limits away from what is right elsewhere: say so where it is seen.
            moved = with_minus(f"limits and dashed curve moved by {verdict.shift_db:+.1f} dB")
            drawn.append(text(4, plot.height - 5, moved, RIM))
    return drawn


def _limits(plot: Plot, mask: Mask) -> list[str]:
    drawn = []
    for name, edge, end in (("upper", mask.upper, 0.0), ("lower", mask.lower, plot.height)):
        at_hz, shown = thinned(mask.frequency_hz, np.where(np.isfinite(edge), edge, np.nan))
        for stretch in stretches(shown):
            xs, ys = plot.x(at_hz[stretch]), plot.y(shown[stretch])
            edge_line = path_of(xs, ys)
            area = f"{edge_line}L{xs[-1]:.1f} {end:.1f}L{xs[0]:.1f} {end:.1f}Z"
            drawn += [path(area, HATCHED), path(edge_line, LIMIT, name)]
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
            drawn.append(text(x, y, words, RIM))
    return drawn


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
