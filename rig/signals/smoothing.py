"""Fractional-octave smoothing of curves, and the logarithmic frequency grids they are shown on."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.signals.arrays import Floats
from rig.signals.kept import kept_by_value


def log_frequency_grid(start_hz: float, stop_hz: float, points_per_octave: float) -> Floats:
    """Frequencies from start_hz on, equally spaced in octaves, up to and including stop_hz where it falls on one.

    Parameters
    ----------
    start_hz, stop_hz : float
        Ends in Hz.
    points_per_octave : float
        Points in each octave.

    Returns
    -------
    ndarray, shape (points,)
        Frequencies in Hz.

    Raises
    ------
    ValueError
        If the range is empty or not positive, or the density not positive.
    """
    if not (0 < start_hz < stop_hz and points_per_octave > 0):
        raise ValueError(
            f"a grid needs 0 < start_hz < stop_hz and points, found {start_hz} Hz to {stop_hz} Hz "
            f"with {points_per_octave} points an octave"
        )
    last = int(np.floor(np.log2(stop_hz / start_hz) * points_per_octave + 1e-9))
    grid: Floats = np.minimum(start_hz * 2 ** (np.arange(last + 1) / points_per_octave), stop_hz)
    return grid


def _averages(
    values: NDArray[np.float64 | np.complex128], frequency_hz: ArrayLike, targets_hz: ArrayLike, fraction: float
) -> NDArray[np.float64 | np.complex128]:
    """Mean over the logarithm of frequency within 1/fraction octave around every target."""
    frequency, targets = np.asarray(frequency_hz, np.float64), np.asarray(targets_hz, np.float64)
    if values.shape[-1] != frequency.size:
        raise ValueError(
            f"need values at ascending frequencies, found {values.shape[-1]} values at {frequency.size} frequencies"
        )
    steps, index, rest, width = _windows(frequency, targets, float(fraction))
    values = values[..., frequency.size - steps.size - 1 :]
    # Integral from the first position up to both ends of each window, of the straight lines that join the values.
    areas = 0.5 * (values[..., 1:] + values[..., :-1]) * steps
    running = np.zeros(values.shape, areas.dtype)
    np.cumsum(areas, axis=-1, out=running[..., 1:])
    low = values[..., index]
    slope = (values[..., index + 1] - low) / steps[index]
    upto = running[..., index] + rest * (low + 0.5 * slope * rest)
    return np.asarray((upto[..., 1] - upto[..., 0]) / width)


@kept_by_value(64)
def _windows(frequency: Floats, targets: Floats, fraction: float) -> tuple[Floats, NDArray[np.int64], Floats, Floats]:
    """Over the logarithm of frequency: steps between the frequencies above 0, and the windows about the targets.

    Of each window the step that its ends lie in, how far into it, both of shape (..., targets, 2), and its width.
    """
    if not fraction > 0:
        raise ValueError(f"fraction must be above 0 (24 for 1/24 octave), found {fraction}")
    frequency = frequency[int(frequency.size > 0 and frequency[0] == 0) :]
    position = np.log(frequency)
    steps = np.diff(position)
    if position.size < 2 or not np.all(steps > 0):
        raise ValueError(f"need values at ascending frequencies above 0 Hz, found {position.size} frequencies")
    centre = np.log(targets)
    tolerance = 1e-9
    if not (np.all(centre >= position[0] - tolerance) and np.all(centre <= position[-1] + tolerance)):
        raise ValueError(
            f"targets must lie within the data, {frequency[0]} Hz to {frequency[-1]} Hz, "
            f"found {np.min(targets)} Hz to {np.max(targets)} Hz"
        )
    centre = np.clip(centre, position[0], position[-1])
    half = np.minimum(0.5 * np.log(2) / fraction, np.minimum(centre - position[0], position[-1] - centre))
    # A window without width is the value itself; a very narrow one gives it.
    half = np.maximum(half, 1e-6)
    ends = np.stack((np.maximum(centre - half, position[0]), np.minimum(centre + half, position[-1])), axis=-1)
    index = np.clip(np.searchsorted(position, ends, side="right") - 1, 0, position.size - 2)
    return steps, index, ends - position[index], ends[..., 1] - ends[..., 0]


def smooth_power(power: ArrayLike, frequency_hz: ArrayLike, targets_hz: ArrayLike, fraction: float) -> Floats:
    """Fractional-octave mean of power onto a grid.

    The mean is taken over the logarithm of frequency, with equal weight within 1/fraction octave around each target,
    of the straight lines that join the values (over the logarithm of frequency). Nearer to an end of the data than
    half the width, the window shrinks on both sides alike, so that a slope is never turned into an offset; at the
    very end it is the value itself. Where the data are sparser than the window, the mean becomes interpolation.

    Parameters
    ----------
    power : array_like, shape (..., frequencies)
        Squared magnitudes.
    frequency_hz : array_like, shape (frequencies,)
        Ascending frequencies in Hz; a first one at 0 Hz is left out.
    targets_hz : array_like, shape (targets,)
        Frequencies wanted, within the data.
    fraction : float
        Width as a part of an octave: 24 for 1/24 octave.

    Returns
    -------
    ndarray, shape (..., targets)
        Smoothed power.

    Raises
    ------
    ValueError
        If the frequencies do not ascend or do not match, a target lies outside the data, or fraction is not positive.
    """
    return np.asarray(_averages(np.asarray(power, np.float64), frequency_hz, targets_hz, fraction), np.float64)


def mean_of_lines(power: ArrayLike, step_hz: float, first_line: int, targets_hz: ArrayLike, fraction: float) -> Floats:
    """Mean of the lines of a power spectrum within 1/fraction octave around every target.

    Quicker than `smooth_power`, and the same where power changes little within the width. Each line stands for the
    interval of one distance around it; at the ends the mean is of the lines that there are.

    Parameters
    ----------
    power : array_like, shape (lines,)
        Squared magnitudes.
    step_hz : float
        Distance of the lines in Hz.
    first_line : int
        Number of the first: it lies at ``first_line * step_hz``.
    targets_hz : array_like, shape (targets,)
        Frequencies wanted, within the lines.
    fraction : float
        Width as a part of an octave.

    Returns
    -------
    ndarray, shape (targets,)
    """
    lines = np.asarray(power, np.float64)
    running = np.zeros(lines.size + 1)
    np.cumsum(lines, out=running[1:])
    middle = np.asarray(targets_hz, np.float64) / step_hz
    half = 2.0 ** (0.5 / fraction)
    low, high = (np.clip(edge - first_line + 0.5, 0.0, lines.size) for edge in (middle / half, middle * half))

    def upto(position: Floats) -> Floats:
        index = np.minimum(position.astype(np.int64), lines.size - 1)
        below: Floats = running[index] + (position - index) * lines[index]
        return below

    mean: Floats = (upto(high) - upto(low)) / (high - low)
    return mean
