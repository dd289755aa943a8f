"""Axes and the panel that they stand around: where a value lies in a drawing, ticks, grid and title."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from rig.drawing.svg import Floats, clipped, path, path_of, rectangle, stretches, text, thinned

#: Where axes have their ticks; layout.
FREQUENCY_TICKS_HZ = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
OHM_TICKS = (0.5, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 50, 70, 100, 150, 200, 300, 500, 1000)
#: Ticks of an axis at most, of one of ohms, and of one of time; layout.
MOST_TICKS, MOST_OHM_TICKS, MOST_TIMES = 7, 9, 9
#: Steps of a time axis: name of the unit, its seconds, how long an axis it is for, its steps.
TIME_UNITS = (
    ("s", 1.0, 180.0, (5, 10, 20, 30, 60)),
    ("min", 60.0, 10800.0, (0.5, 1, 2, 5, 10, 15, 20, 30)),
    ("h", 3600.0, np.inf, (0.5, 1, 2, 3, 6, 12, 24, 48)),
)
#: What is not positive has no place on a logarithmic axis and goes below its lower edge; layout.
NEXT_TO_NOTHING = 1e-12
GRID = 'stroke="#d4d4d4" stroke-width="0.8"'
EDGE = 'fill="none" stroke="#000" stroke-width="1.6"'
TITLE = 'font-size="11" font-weight="bold"'


@dataclass(frozen=True)
class Axis:
    """What an axis runs over, from its start (left, or at the foot) to its stop, and what is written at it."""

    words: str
    start: float
    stop: float
    #: Value -> what stands there.
    ticks: dict[float, str]
    is_log: bool = False

    def share(self, value: Floats | float) -> Floats:
        """How far along the axis values lie: 0 at its start, 1 at its stop; NaN stays NaN."""
        edges, value = np.array([self.start, self.stop]), np.asarray(value, dtype=np.float64)
        if self.is_log:
            edges, value = np.log(edges), np.log(np.maximum(value, NEXT_TO_NOTHING))
        # What lies far outside is cut off by the panel's edge; numbers stay short.
        return np.asarray(np.clip((value - edges[0]) / (edges[1] - edges[0]), -0.5, 1.5), dtype=np.float64)


def frequency_axis(from_hz: float, to_hz: float) -> Axis:
    """A logarithmic axis of frequencies."""
    ticks = {float(t): _short(t) for t in FREQUENCY_TICKS_HZ if from_hz * 0.999 <= t <= to_hz * 1.001}
    return Axis("frequency in Hz", from_hz, to_hz, ticks, is_log=True)


def _short(hz: float) -> str:
    return f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"


def linear_axis(words: str, start: float, stop: float, most: int = MOST_TICKS) -> Axis:
    """An axis with ticks at round values."""
    return Axis(words, start, stop, {float(value): _signed(value) for value in round_values(start, stop, most)})


def log_axis(words: str, start: float, stop: float, ticks: Sequence[float]) -> Axis:
    """A logarithmic axis with those of the ticks that lie on it."""
    return Axis(words, start, stop, {float(t): f"{t:g}" for t in ticks if start <= t <= stop}, is_log=True)


def ohm_axis(lowest: float, highest: float) -> Axis:
    """A logarithmic axis of impedances."""
    inside = [tick for tick in OHM_TICKS if lowest <= tick <= highest]
    return log_axis("ohm", lowest, highest, inside[:: 1 if len(inside) <= MOST_OHM_TICKS else 2])


def time_axis(to_s: float) -> Axis:
    """An axis from 0 s, in the unit that suits its length."""
    unit, unit_s, _, steps = next(entry for entry in TIME_UNITS if to_s <= entry[2])
    step = next((step for step in steps if to_s / unit_s / step <= MOST_TIMES), np.ceil(to_s / unit_s / MOST_TIMES))
    shown = np.arange(0, to_s / unit_s * 1.0001, step)
    return Axis(f"time in {unit}", 0.0, to_s, {float(value * unit_s): f"{value:g}" for value in shown})


def _signed(value: float) -> str:
    return f"{value + 0.0:g}".replace("-", "−")


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


@dataclass(frozen=True)
class Plot:
    """A panel's rectangle in the drawing, and the axes at its foot and its left edge."""

    left: float
    top: float
    width: float
    height: float
    across: Axis
    up: Axis

    def x(self, value: Floats | float) -> Floats:
        """Units from the panel's left edge."""
        return self.across.share(value) * self.width

    def y(self, value: Floats | float) -> Floats:
        """Units from the panel's upper edge."""
        return (1 - self.up.share(value)) * self.height

    def way(self, across: Floats, value: Floats) -> str:
        """The path of a curve, broken where it is not finite; thinned."""
        at, shown = thinned(across, value)
        return "".join(path_of(self.x(at[part]), self.y(shown[part])) for part in stretches(shown))

    def frame(self, title: str) -> list[str]:
        """Title, grid, and what stands at the axes."""
        xs = [self.left + float(self.x(value)) for value in self.across.ticks]
        ys = [self.top + float(self.y(value)) for value in self.up.ticks]
        foot, left = self.top + self.height, self.left
        grid = "".join(f"M{x:.1f} {self.top:g}v{self.height:g}" for x in xs)
        grid += "".join(f"M{left:.1f} {y:.1f}h{self.width:.1f}" for y in ys)
        return [
            *([text(left, self.top - 8, title, TITLE)] if title else []),
            path(grid, GRID),
            *(text(x, foot + 12, words, anchor="middle") for x, words in _each(xs, self.across)),
            *(text(left - 4, y + 3.5, words, anchor="end") for y, words in _each(ys, self.up)),
            text(left + self.width / 2, foot + 26, self.across.words, anchor="middle"),
            text(left - 32, self.top + self.height / 2, self.up.words, anchor="middle", upwards=True),
        ]

    def content(self, parts: Iterable[str]) -> list[str]:
        """Pieces in the panel's own coordinates, cut off at its edge, and the edge."""
        edge = rectangle(0, 0, self.width, self.height, EDGE)
        return clipped(self.left, self.top, self.width, self.height, [*parts, edge])


def _each(places: Sequence[float], axis: Axis) -> Iterable[tuple[float, str]]:
    return zip(places, axis.ticks.values(), strict=True)
