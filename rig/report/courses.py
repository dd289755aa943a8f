"""Figures of a programme's log for the certificate: what was read, over time; they can be read in black and white.

What was read is a broad line of middle tone, its fit a thin dashed one on top. Every line is named where it ends, every
bound where it lies, and what is predicted stands behind the right edge as a bar, so that nobody hunts a legend.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from rig.drawing.axes import Plot, linear_axis, time_axis
from rig.drawing.panels import ABOVE, BELOW, GAP, HEIGHT, LEFT, WIDTH
from rig.drawing.svg import FAINT, HATCHED, LIMIT, RIM, Floats, circle, drawing, path, rectangle, shape, text
from rig.report.words import number

#: Behind the right edge: the bar of what is predicted, then the names; layout.
BAR, NAMES = 10, 20
#: Height of a line of words, width of a letter, and height of a mark; layout.
WORDS, LETTER, MARK = 11.5, 5.2, 17.0
READ = 'fill="none" stroke="#7d9cc4" stroke-width="3.4" stroke-linejoin="round" stroke-linecap="round"'
FIT = 'fill="none" stroke="#000" stroke-width="1.3" stroke-dasharray="6 3.5"'
GUARD = 'fill="none" stroke="#000" stroke-width="1.1" stroke-dasharray="9 3 2 3"'
MARKED = 'fill="none" stroke="#333" stroke-width="0.9"'
NUMBERED = 'fill="#fff" stroke="#000" stroke-width="1.2"'
LEAD = 'fill="none" stroke-width="0.6" stroke-dasharray="1 2"'
#: How often a line's own shape stands on it; layout.
SHAPES_ON_A_LINE = 6
#: A lower limit is drawn from this part of a panel's width on; layout.
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


def courses_svg(panels: Sequence[TimePanel], columns: int, height: float = HEIGHT, names_width: float = 150) -> str:
    """One row of panels as an `<svg>` element, for a page that holds `svg.HATCHING`.

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
        plot = plot_of(panel, LEFT + column * (whole + GAP), whole - names_width, height - ABOVE - BELOW)
        drawn += [*plot.frame(panel.title), *plot.content(_content(plot, panel)), *_behind_the_edge(plot, panel)]
    return drawing(WIDTH, height, drawn, "; ".join(panel.title for panel in panels))


def plot_of(panel: TimePanel, left: float, width: float, height: float) -> Plot:
    """Where a panel stands and what its axes run over."""
    return Plot(left, ABOVE, width, height, time_axis(panel.to_s), linear_axis(panel.unit, *value_range(panel, height)))


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


def _content(plot: Plot, panel: TimePanel) -> Iterator[str]:
    """Lines, bounds and marks."""
    for start_s, stop_s in panel.gaps:
        x, end = float(plot.x(start_s)), float(plot.x(stop_s))
        yield rectangle(x, 0, max(end - x, 2), plot.height, HATCHED, "gap")
    yield from _hatched(plot, panel.bounds)
    for line in sorted(panel.lines, key=lambda line: not line.is_faint):
        yield path(plot.way(line.seconds, line.value), FAINT if line.is_faint else READ, "read")
    for n, line in enumerate(own := [line for line in panel.lines if not line.is_faint]):
        if line.fit is not None:
            yield path(plot.way(line.seconds, line.fit), FIT, "fit")
        if len(own) > 1:
            yield from _shapes(plot, line, n, n / len(own))
    yield from _bounds(plot, panel.bounds)
    yield from _marks(plot, panel.marks)


def _shapes(plot: Plot, line: TimeLine, kind: int, aside: float) -> Iterator[str]:
    """A line's own shape at a few places along it; those of other lines stand aside of them."""
    known = np.flatnonzero(np.isfinite(line.value))
    if not known.size:
        return
    for share in (np.arange(SHAPES_ON_A_LINE) + 0.35 + 0.5 * aside) / SHAPES_ON_A_LINE:
        at = known[int(share * (known.size - 1))]
        yield shape(kind, float(plot.x(line.seconds[at])), float(plot.y(line.value[at])), name="shape-on-line")


def _hatched(plot: Plot, bounds: Sequence[Bound]) -> Iterator[str]:
    """What lies outside the limits, where all lines share them."""
    for is_lower in (False, True):
        limits = {bound.value for bound in bounds if bound.is_limit and bound.is_lower == is_lower}
        if len(limits) == 1:
            y = float(np.clip(plot.y(limits.pop()), 0, plot.height))
            x, top, height = (END * plot.width, y, plot.height - y) if is_lower else (0.0, 0.0, y)
            yield rectangle(x, top, plot.width - x, height, HATCHED, "outside")


def _bounds(plot: Plot, bounds: Sequence[Bound]) -> Iterator[str]:
    """Each bound with its words; where two lie close, the words of the second stand further right."""
    taken: list[tuple[float, float]] = []
    for bound in sorted(bounds, key=lambda bound: not bound.is_limit):
        y, x = float(plot.y(bound.value)), 4.0
        name, style = ("limit", LIMIT) if bound.is_limit else ("guard", GUARD)
        if bound.is_limit and bound.is_lower:
            start = END * plot.width
            yield path(f"M{start:.1f} {y:.1f}H{plot.width:.1f}", style, name)
            yield text(start - 4, y + 3.5, bound.words, RIM, anchor="end")
            continue
        yield path(f"M0 {y:.1f}H{plot.width:.1f}", style, name)
        while any(abs(y - other) < WORDS and abs(x - at) < LETTER * len(bound.words) for at, other in taken):
            x += LETTER * len(bound.words) + 8
        taken.append((x, y))
        yield text(x, y - 3, bound.words, RIM)


def _marks(plot: Plot, marks: Sequence[float]) -> Iterator[str]:
    """Numbers at the upper edge; where two would lie on each other, the second stands lower."""
    placed: list[tuple[float, float]] = []
    for n, seconds in enumerate(marks, 1):
        x, y = float(np.clip(plot.x(seconds), 0, plot.width)), MARK / 2 + 1
        while any(abs(x - at) < MARK and abs(y - other) < MARK for at, other in placed) and y < plot.height:
            y += MARK
        placed.append((x, y))
        yield path(f"M{x:.1f} 0V{plot.height:.1f}", MARKED, "mark")
        inside = float(np.clip(x, 9, plot.width - 9))
        yield circle(inside, y, 7, NUMBERED)
        yield text(inside, y + 3.4, str(n), 'font-weight="bold"', anchor="middle")


def _behind_the_edge(plot: Plot, panel: TimePanel) -> Iterator[str]:
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
            kind = n if len(own) > 1 and not line.is_faint else None
            wanted.append((float(plot.y(last)), words, x, kind, line.is_faint))
        limits = steady_limit_words(line.steady_limits, unit)
        if limits:
            yield from _steady_limits(plot, line)
            wanted.append((float(plot.y(_middle(line))), f"limit in the end: {limits}", plot.width, None, False))
        if line.steady is not None:
            yield from _steady(plot, line)
            words = f"{line.name} → {number(line.steady[0])} ± {number(line.steady[1], figures=2)} {unit}"
            wanted.append((float(plot.y(line.steady[0])), words, plot.width, None, False))
    ys = spaced_apart([entry[0] for entry in wanted], WORDS)
    for y, (at, words, x, kind, is_faint) in zip(ys, wanted, strict=True):
        colour = "#666" if is_faint else "#000"
        lead = f"M{plot.left + x:.1f} {plot.top + at:.1f}L{edge + NAMES - 3} {plot.top + y:.1f}"
        yield path(lead, f'{LEAD} stroke="{colour}"')
        if kind is not None:
            yield shape(kind, edge + NAMES + 4, plot.top + y)
        behind = edge + NAMES + (10 if len(own) > 1 else 0)
        yield text(behind, plot.top + y + 3.5, words, f'class="name" fill="{colour}"')


def steady_limit_words(limits: tuple[float, float], unit: str) -> str:
    """Limits of a steady state in words; empty where there are none."""
    low, high = limits
    if np.isfinite(low) and np.isfinite(high):
        return f"{low:g} to {high:g} {unit}"
    return f"up to {high:g} {unit}" if np.isfinite(high) else f"from {low:g} {unit}" if np.isfinite(low) else ""


def _middle(line: TimeLine) -> float:
    """Where the words of a steady state's limits stand best: at its upper limit, where it has one."""
    return float(next(limit for limit in reversed(line.steady_limits) if np.isfinite(limit)))


def _steady_limits(plot: Plot, line: TimeLine) -> Iterator[str]:
    """Brackets around the place where the steady state's bar stands."""
    x = plot.left + plot.width + BAR
    for limit, turn in zip(line.steady_limits, (-4, 4), strict=True):
        if np.isfinite(limit):
            y = plot.top + float(plot.y(limit))
            yield path(f"M{x - 6} {y + turn:.1f}V{y:.1f}h12v{turn}", LIMIT, "steady-limit")


def _steady(plot: Plot, line: TimeLine) -> Iterator[str]:
    """A bar of the expanded uncertainty to each side of the predicted steady state, and where the fit goes to it."""
    assert line.steady is not None
    rise, uncertainty = line.steady
    x, middle = plot.left + plot.width + BAR, plot.top + float(plot.y(rise))
    high, low = (plot.top + float(plot.y(rise + sign * uncertainty)) for sign in (1, -1))
    yield path(f"M{x} {high:.1f}V{low:.1f}M{x - 4} {high:.1f}h8M{x - 4} {low:.1f}h8", 'stroke="#000"', "steady")
    yield circle(x, middle, 2.6, "")
    if line.fit is not None and np.isfinite(line.fit[-1]):
        end = plot.top + float(plot.y(line.fit[-1]))
        yield path(f"M{x - BAR} {end:.1f}L{x} {middle:.1f}", FIT)


def spaced_apart(wanted: Sequence[float], least: float) -> list[float]:
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
