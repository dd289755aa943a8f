"""Individuals and moving-range chart: does a value that is measured again and again stay what it was?

The spread is taken from the differences of neighbours, so that a slow drift does not widen its own limits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.statistics.ranges import range_moments

#: Limits stand so many standard deviations from the centre (Shewhart, Economic control of quality, 1931).
SIGMAS = 3.0
FEWEST = 2


@dataclass(frozen=True)
class Chart:
    """Centre and limits of individual values and of their moving ranges."""

    centre: float
    lower: float
    upper: float
    #: Mean moving range, and its upper limit; the lower one is 0.
    mean_range: float
    upper_range: float

    @property
    def sigma(self) -> float:
        """Standard deviation of the values, from the moving ranges."""
        return (self.upper - self.centre) / SIGMAS


def individuals_chart(values: ArrayLike) -> Chart:
    """Limits from values in the order of measuring.

    Centre plus and minus ``3 MRbar / d2(2)``; moving range up to ``D4(2) MRbar`` with ``D4 = 1 + 3 d3 / d2``.

    Parameters
    ----------
    values : array_like, shape (count,)

    Raises
    ------
    ValueError
        If there are fewer than 2 values or one is not finite.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; ASTM E2587 for d2, d3 and D4.
    """
    found = np.asarray(values, np.float64)
    if found.ndim != 1 or found.size < FEWEST or not np.all(np.isfinite(found)):
        raise ValueError(f"a chart needs a row of {FEWEST} or more finite values, found {values!r}")
    d2, mean_square = range_moments(2)
    d3 = math.sqrt(mean_square - d2**2)
    centre, mean_range = float(np.mean(found)), float(np.mean(np.abs(np.diff(found))))
    reach = SIGMAS * mean_range / d2
    return Chart(centre, centre - reach, centre + reach, mean_range, (1 + SIGMAS * d3 / d2) * mean_range)


def beyond_limits(chart: Chart, values: Sequence[float]) -> list[str]:
    """For each value what puts it out of control, in words; empty where nothing does. A value on a limit is inside."""
    alarms = []
    for number, value in enumerate(values):
        change = abs(value - values[number - 1]) if number else 0.0
        if value > chart.upper:
            alarms.append(f"above the upper limit {chart.upper:.5g}")
        elif value < chart.lower:
            alarms.append(f"below the lower limit {chart.lower:.5g}")
        elif change > chart.upper_range:
            alarms.append(f"moved by {change:.3g} since the time before, more than {chart.upper_range:.3g}")
        else:
            alarms.append("")
    return alarms


def run_rules(standardised: ArrayLike) -> NDArray[np.bool_]:
    """Which of the four rules of the Western Electric handbook each point breaks, shape (points, 4).

    One point beyond 3 sigma; two of three beyond 2, on the same side; four of five beyond 1, on the same side; eight in
    a row on one side of the centre. The point that ends a pattern must itself be beyond. On a limit is not beyond.

    Parameters
    ----------
    standardised : array_like, shape (points,)
        ``(value - centre) / sigma`` in the order of measuring.

    References
    ----------
    Western Electric, Statistical quality control handbook (1956); NIST/SEMATECH e-Handbook, 6.3.2.
    """
    z = np.asarray(standardised, np.float64)
    broken = np.zeros((z.size, 4), dtype=np.bool_)
    for side in (1.0, -1.0):
        for rule, (beyond, wanted, of) in enumerate(((3.0, 1, 1), (2.0, 2, 3), (1.0, 4, 5), (0.0, 8, 8))):
            out = side * z > beyond
            running = np.concatenate(([0], np.cumsum(out)))
            last = np.arange(1, z.size + 1)
            count = running[last] - running[np.maximum(last - of, 0)]
            broken[:, rule] |= out & (count >= wanted)
    return broken
