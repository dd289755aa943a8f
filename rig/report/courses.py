"""Figures of a programme's log for the certificate: what was read, over time; they can be read in black and white.

What was read is a broad line of middle tone, its fit a thin dashed one on top. Every line is named where it ends, every
bound where it lies, and what is predicted stands behind the right edge as a bar, so that nobody hunts a legend.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from rig.report.figures import GAP, LIMIT, RIM, WIDTH, path_of, round_values, stretches, thinned
from rig.report.words import number, with_minus
from rig.values.readings import Floats

LEFT, ABOVE, BELOW = 44, 24, 36
#: Behind the right edge: the bar of what is predicted, then the names.
BAR, NAMES = 10, 20
#: Height of a line of words, and of a mark.
WORDS, MARK = 11.5, 17.0
READ = 'fill="none" stroke="#7d9cc4" stroke-width="3.4" stroke-linejoin="round" stroke-linecap="round"'
FAINT = 'fill="none" stroke="#8a8a8a" stroke-width="1"'
FIT = 'fill="none" stroke="#000" stroke-width="1.3" stroke-dasharray="6 3.5"'
GUARD = 'fill="none" stroke="#000" stroke-width="1.1" stroke-dasharray="9 3 2 3"'
#: Shapes that tell lines apart, drawn around (0, 0).
SHAPES = (
    "M-3.6 0a3.6 3.6 0 1 0 7.2 0a3.6 3.6 0 1 0 -7.2 0Z",
    "M0 -4L4 3.5L-4 3.5Z",
    "M-3.4 -3.4H3.4V3.4H-3.4Z",
    "M0 -4.6L4.6 0L0 4.6L-4.6 0Z",
    "M-4 -3.5H4L0 4Z",
)
SHAPES_ON_A_LINE = 6
#: Steps of a time axis: name of the unit, its seconds, how long an axis it is for, its steps.
TIME_UNITS = (
    ("s", 1.0, 180.0, (5, 10, 20, 30, 60)),
    ("min", 60.0, 10800.0, (0.5, 1, 2, 5, 10, 15, 20, 30)),
    ("h", 3600.0, np.inf, (0.5, 1, 2, 3, 6, 12, 24, 48)),
)
MOST_TIMES = 9
#: A lower limit is drawn from this part of a panel's width on.
END = 0.85


@dataclass(frozen=True)
class TimeLine:
    """Something that was read over time. Arrays have shape (n,)."""

    name: str
    seconds: Floats
    #: NaN where there was nothing: the line is broken there.
    value: Floats
    fit: Floats | None = None
    #: Predicted steady state and its expanded uncertainty.
    steady: tuple[float, float] | None = None
    #: Limits of the steady state, each infinite where there is none.
    steady_limits: tuple[float, float] = (-np.inf, np.inf)
    #: Of what only stands by, such as the ambient.
    is_faint: bool = False


@dataclass(frozen=True)
class Bound:
    """A value that is not to be crossed."""

    words: str
    value: float
    #: A limit that the verdict hangs on; else a bound of the guard.
    is_limit: bool = False
    #: Not to be fallen short of. A lower limit holds for the end alone: every course begins below it.
    is_lower: bool = False


@dataclass(frozen=True)
class TimePanel:
    """What one panel shows."""

    title: str
    unit: str
    #: The time axis runs from 0 to this.
    to_s: float
    lines: tuple[TimeLine, ...]
    bounds: tuple[Bound, ...] = ()
    #: When something happened, numbered from 1 in the figure.
    marks: tuple[float, ...] = ()
    #: From when to when nothing was played or read.
    gaps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class TimePlot:
    """A panel's rectangle in the drawing, and what its edges stand for."""

    left: float
    width: float
    height: float
    to_s: float
    bottom: float
    ceiling: float
    top: float = ABOVE

    def x(self, seconds: Floats | float) -> Floats:
        """Units from the panel's left edge."""
        return np.asarray(seconds, dtype=np.float64) / self.to_s * self.width

    def y(self, value: Floats | float) -> Floats:
        """Units from the panel's upper edge; far outside values are cut off."""
        share = (self.ceiling - np.asarray(value, dtype=np.float64)) / (self.ceiling - self.bottom)
        return np.clip(share, -0.5, 1.5) * self.height


def courses_svg(panels: Sequence[TimePanel], columns: int, height: float = 205, names_width: float = 150) -> str:
    """One row of panels as an `<svg>` element, for a page that holds `figures.HATCHING`.

    Parameters
    ----------
    panels : sequence of TimePanel
        At most `columns`.
    columns : int
        How many panels the width is shared by.
    height, names_width : float
        Of the whole drawing, and of the room behind each panel's right edge; in the drawing's units (7 points are 10).
    """
    whole = (WIDTH - LEFT - GAP * (columns - 1)) / columns
    drawn = []
    for column, panel in enumerate(panels):
        left, size = LEFT + column * (whole + GAP), (whole - names_width, height - ABOVE - BELOW)
        bottom, ceiling = value_range(panel, size[1])
        plot = TimePlot(left, *size, panel.to_s, bottom, ceiling)
        drawn += [*_frame(plot, panel), *_content(plot, panel), *_behind_the_edge(plot, panel)]
    words = escape("; ".join(panel.title for panel in panels))
    head = f'<svg viewBox="0 0 {WIDTH} {height:g}" role="img" aria-label="{words}" font-size="10">'
    return "\n".join([head, *drawn, "</svg>"])


def value_range(panel: TimePanel, height: float) -> tuple[float, float]:
    """Lowest and highest value of a panel: nothing, all that was read or predicted, all bounds, and room for words."""
    shown = [0.0, *(bound.value for bound in panel.bounds)]
    for line in panel.lines:
        known = line.value[np.isfinite(line.value)]
        shown += [float(known.min()), float(known.max())] if known.size else []
        shown += [limit for limit in line.steady_limits if np.isfinite(limit)]
        if line.steady is not None:
            shown += [line.steady[0], line.steady[0] + line.steady[1]]
    low, high = min(shown), max(shown)
    span = max(high - low, 0.1)
    return (low - 0.06 * span if low < 0 else low), high + 1.5 * WORDS / height * span


def time_ticks(to_s: float) -> tuple[Floats, Floats, str]:
    """Where a time axis has its ticks, in seconds; what stands there; and in which unit."""
    unit, unit_s, _, steps = next(entry for entry in TIME_UNITS if to_s <= entry[2])
    step = next((step for step in steps if to_s / unit_s / step <= MOST_TIMES), np.ceil(to_s / unit_s / MOST_TIMES))
    shown = np.arange(0, to_s / unit_s * 1.0001, step)
    return shown * unit_s, shown, unit


def _frame(plot: TimePlot, panel: TimePanel) -> Iterator[str]:
    """Title, grid and axes."""
    at_s, shown, time_unit = time_ticks(plot.to_s)
    values = round_values(plot.bottom, plot.ceiling, 7)
    xs, ys = plot.left + plot.x(at_s), plot.top + plot.y(values)
    foot = plot.top + plot.height
    grid = "".join(f"M{x:.1f} {plot.top}v{plot.height:g}" for x in xs)
    grid += "".join(f"M{plot.left:.1f} {y:.1f}h{plot.width:.1f}" for y in ys)
    yield f'<text x="{plot.left:.1f}" y="{plot.top - 8}" font-size="11" font-weight="bold">{escape(panel.title)}</text>'
    yield f'<path d="{grid}" stroke="#d4d4d4" stroke-width="0.8"/>'
    for x, tick in zip(xs, shown, strict=True):
        yield f'<text x="{x:.1f}" y="{foot + 12:g}" text-anchor="middle">{tick:g}</text>'
    for y, value in zip(ys, values, strict=True):
        shown_value = with_minus(f"{value + 0.0:g}")
        yield f'<text x="{plot.left - 4:.1f}" y="{y + 3.5:.1f}" text-anchor="end">{shown_value}</text>'
    middle = plot.left + plot.width / 2
    yield f'<text x="{middle:.1f}" y="{foot + 26:g}" text-anchor="middle">time in {time_unit}</text>'
    turned = f'transform="translate({plot.left - 32:.1f} {plot.top + plot.height / 2:.1f}) rotate(-90)"'
    yield f'<text {turned} text-anchor="middle">{escape(panel.unit)}</text>'


def _content(plot: TimePlot, panel: TimePanel) -> Iterator[str]:
    """Lines, bounds and marks, cut off at the panel's edge."""
    box = f'width="{plot.width:.1f}" height="{plot.height:.1f}"'
    yield f'<svg x="{plot.left:.1f}" y="{plot.top:.1f}" {box} overflow="hidden">'
    for start_s, stop_s in panel.gaps:
        x, end = plot.x(start_s), plot.x(stop_s)
        yield f'<rect class="gap" x="{x:.1f}" y="0" width="{max(end - x, 2):.1f}" height="100%" fill="url(#outside)"/>'
    yield from _hatched(plot, panel.bounds)
    for line in sorted(panel.lines, key=lambda line: not line.is_faint):
        yield f'<path class="read" d="{_path(plot, line.seconds, line.value)}" {FAINT if line.is_faint else READ}/>'
    for n, line in enumerate(own := [line for line in panel.lines if not line.is_faint]):
        if line.fit is not None:
            yield f'<path class="fit" d="{_path(plot, line.seconds, line.fit)}" {FIT}/>'
        if len(own) > 1:
            yield from _shapes(plot, line, SHAPES[n % len(SHAPES)], n / len(own))
    yield from _bounds(plot, panel.bounds)
    yield from _marks(plot, panel.marks)
    yield f'<rect {box} fill="none" stroke="#000" stroke-width="1.6"/></svg>'


def _path(plot: TimePlot, seconds: Floats, value: Floats) -> str:
    at_s, shown = thinned(seconds, value)
    return "".join(path_of(plot.x(at_s[part]), plot.y(shown[part])) for part in stretches(shown))


def _shapes(plot: TimePlot, line: TimeLine, shape: str, aside: float) -> Iterator[str]:
    """A line's own shape at a few places along it; those of other lines stand aside of them."""
    known = np.flatnonzero(np.isfinite(line.value))
    if not known.size:
        return
    for share in (np.arange(SHAPES_ON_A_LINE) + 0.35 + 0.5 * aside) / SHAPES_ON_A_LINE:
        at = known[int(share * (known.size - 1))]
        yield _shape(shape, float(plot.x(line.seconds[at])), float(plot.y(line.value[at])))


def _shape(shape: str, x: float, y: float) -> str:
    return f'<path class="shape-on-line" d="{shape}" transform="translate({x:.1f} {y:.1f})" fill="#fff" stroke="#000"/>'


def _hatched(plot: TimePlot, bounds: Sequence[Bound]) -> Iterator[str]:
    """What lies outside the limits, where all lines share them."""
    for is_lower in (False, True):
        limits = {bound.value for bound in bounds if bound.is_limit and bound.is_lower == is_lower}
        if len(limits) == 1:
            y = float(np.clip(plot.y(limits.pop()), 0, plot.height))
            x, top, height = (END * plot.width, y, plot.height - y) if is_lower else (0.0, 0.0, y)
            place = f'x="{x:.1f}" y="{top:.1f}" width="{plot.width - x:.1f}" height="{height:.1f}"'
            yield f'<rect class="outside" {place} fill="url(#outside)"/>'


def _bounds(plot: TimePlot, bounds: Sequence[Bound]) -> Iterator[str]:
    """Each bound with its words; where two lie close, the words of the second stand further right."""
    taken: list[tuple[float, float]] = []
    for bound in sorted(bounds, key=lambda bound: not bound.is_limit):
        y, x = float(plot.y(bound.value)), 4.0
        name, style = ("limit", LIMIT) if bound.is_limit else ("guard", GUARD)
        if bound.is_limit and bound.is_lower:
            start = END * plot.width
            yield f'<path class="{name}" d="M{start:.1f} {y:.1f}H{plot.width:.1f}" {style}/>'
            place = f'x="{start - 4:.1f}" y="{y + 3.5:.1f}" text-anchor="end"'
            yield f"<text {place} {RIM}>{escape(bound.words)}</text>"
            continue
        yield f'<path class="{name}" d="M0 {y:.1f}H{plot.width:.1f}" {style}/>'
        while any(abs(y - other) < WORDS and abs(x - at) < 5.2 * len(bound.words) for at, other in taken):
            x += 5.2 * len(bound.words) + 8
        taken.append((x, y))
        yield f'<text x="{x:.1f}" y="{y - 3:.1f}" {RIM}>{escape(bound.words)}</text>'


def _marks(plot: TimePlot, marks: Sequence[float]) -> Iterator[str]:
    """Numbers at the upper edge; where two would lie on each other, the second stands lower."""
    placed: list[tuple[float, float]] = []
    for n, seconds in enumerate(marks, 1):
        x, y = float(np.clip(plot.x(seconds), 0, plot.width)), MARK / 2 + 1
        while any(abs(x - at) < MARK and abs(y - other) < MARK for at, other in placed) and y < plot.height:
            y += MARK
        placed.append((x, y))
        yield f'<path class="mark" d="M{x:.1f} 0V{plot.height:.1f}" stroke="#333" stroke-width="0.9"/>'
        inside = float(np.clip(x, 9, plot.width - 9))
        yield f'<circle cx="{inside:.1f}" cy="{y:.1f}" r="7" fill="#fff" stroke="#000" stroke-width="1.2"/>'
        yield f'<text x="{inside:.1f}" y="{y + 3.4:.1f}" text-anchor="middle" font-weight="bold">{n}</text>'


def _behind_the_edge(plot: TimePlot, panel: TimePanel) -> Iterator[str]:
    """Names and last values where the lines end, and bars of what is predicted; names are kept apart."""
    edge = plot.left + plot.width
    own = [line for line in panel.lines if not line.is_faint]
    unit = panel.unit.partition(" ")[0]
    wanted = []
    for n, line in enumerate([*own, *(line for line in panel.lines if line.is_faint)]):
        known = np.flatnonzero(np.isfinite(line.value))
        if known.size:
            last, x = float(line.value[known[-1]]), float(plot.x(line.seconds[known[-1]]))
            lost = "" if known[-1] == line.value.size - 1 else "last "
            words = f"{line.name} {lost}{number(last, decimals_at_most=2)} {unit}"
            shape = SHAPES[n % len(SHAPES)] if len(own) > 1 and not line.is_faint else ""
            wanted.append((float(plot.y(last)), words, x, shape, line.is_faint))
        limits = steady_limit_words(line.steady_limits, unit)
        if limits:
            yield from _steady_limits(plot, line)
            wanted.append((float(plot.y(_middle(line))), f"limit in the end: {limits}", plot.width, "", False))
        if line.steady is not None:
            yield from _steady(plot, line)
            text = f"{line.name} → {number(line.steady[0])} ± {number(line.steady[1], figures=2)} {unit}"
            wanted.append((float(plot.y(line.steady[0])), text, plot.width, "", False))
    ys = apart([entry[0] for entry in wanted], WORDS)
    for y, (at, words, x, shape, is_faint) in zip(ys, wanted, strict=True):
        colour = "#666" if is_faint else "#000"
        lead = f"M{plot.left + x:.1f} {plot.top + at:.1f}L{edge + NAMES - 3} {plot.top + y:.1f}"
        yield f'<path d="{lead}" fill="none" stroke="{colour}" stroke-width="0.6" stroke-dasharray="1 2"/>'
        shift = 10 if len(own) > 1 else 0
        if shape:
            yield _shape(shape, edge + NAMES + 4, plot.top + y)
        place = f'x="{edge + NAMES + shift:.1f}" y="{plot.top + y + 3.5:.1f}"'
        yield f'<text class="name" {place} fill="{colour}">{escape(words)}</text>'


def steady_limit_words(limits: tuple[float, float], unit: str) -> str:
    """Limits of a steady state in words; empty where there are none."""
    low, high = limits
    if np.isfinite(low) and np.isfinite(high):
        return f"{low:g} to {high:g} {unit}"
    return f"up to {high:g} {unit}" if np.isfinite(high) else f"from {low:g} {unit}" if np.isfinite(low) else ""


def _middle(line: TimeLine) -> float:
    """Where the words of a steady state's limits stand best: at its upper limit, where it has one."""
    return float(next(limit for limit in reversed(line.steady_limits) if np.isfinite(limit)))


def _steady_limits(plot: TimePlot, line: TimeLine) -> Iterator[str]:
    """Brackets around the place where the steady state's bar stands."""
    x = plot.left + plot.width + BAR
    for limit, turn in zip(line.steady_limits, (-4, 4), strict=True):
        if np.isfinite(limit):
            y = plot.top + float(plot.y(limit))
            yield f'<path class="steady-limit" d="M{x - 6} {y + turn:.1f}V{y:.1f}h12v{turn}" {LIMIT}/>'


def _steady(plot: TimePlot, line: TimeLine) -> Iterator[str]:
    """A bar of the expanded uncertainty to each side of the predicted steady state, and where the fit goes to it."""
    assert line.steady is not None
    rise, uncertainty = line.steady
    x, middle = plot.left + plot.width + BAR, plot.top + float(plot.y(rise))
    high, low = (plot.top + float(plot.y(rise + sign * uncertainty)) for sign in (1, -1))
    yield f'<path class="steady" d="M{x} {high:.1f}V{low:.1f}M{x - 4} {high:.1f}h8M{x - 4} {low:.1f}h8" stroke="#000"/>'
    yield f'<circle cx="{x}" cy="{middle:.1f}" r="2.6"/>'
    if line.fit is not None and np.isfinite(line.fit[-1]):
        end = plot.top + float(plot.y(line.fit[-1]))
        yield f'<path d="M{x - BAR} {end:.1f}L{x} {middle:.1f}" {FIT}/>'


def apart(wanted: Sequence[float], least: float) -> list[float]:
    """Heights as near to those wanted as can be with so much between them, their order kept."""
    order = sorted(range(len(wanted)), key=lambda n: wanted[n])
    groups: list[list[int]] = []
    for n in order:
        groups.append([n])
        while len(groups) > 1 and _top(groups[-1], wanted, least) - _foot(groups[-2], wanted, least) < least - 1e-9:
            groups[-2:] = [groups[-2] + groups[-1]]
    placed = dict.fromkeys(range(len(wanted)), 0.0)
    for group in groups:
        for k, n in enumerate(group):
            placed[n] = _top(group, wanted, least) + k * least
    return [placed[n] for n in range(len(wanted))]


def _top(group: Sequence[int], wanted: Sequence[float], least: float) -> float:
    return sum(wanted[n] for n in group) / len(group) - (len(group) - 1) / 2 * least


def _foot(group: Sequence[int], wanted: Sequence[float], least: float) -> float:
    return _top(group, wanted, least) + (len(group) - 1) * least
