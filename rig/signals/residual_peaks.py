"""How loud the residual of a sweep is while the sweep passes a frequency: its peak and its RMS value."""

from dataclasses import dataclass

import numpy as np

from rig.signals.arrays import Floats
from rig.signals.residual import Residual
from rig.signals.smoothing import log_frequency_grid
from rig.signals.tracking import usable_until_s

#: The part of the high-pass's whole bandwidth that must be left for a level to be read (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
BAND_LEFT = 0.25


@dataclass(frozen=True)
class Peaks:
    """Peak and RMS value of the residual over the sweep's frequency, shape (n,), in pascal."""

    frequency_hz: Floats
    peak: Floats
    rms: Floats
    #: Length of the stretch of each, shape (n,).
    seconds: Floats


def usable_between_s(residual: Residual) -> tuple[float, float]:
    """When the sweep passes start_hz, and when the high-pass has left the band."""
    return residual.chirp.passes_start_s, usable_until_s(residual.chirp, BAND_LEFT)


def peaks_over_frequency(residual: Residual, points_per_octave: int) -> Peaks:
    """Peak and RMS of the residual in stretches of one point of the grid, of one cycle at least."""
    chirp = residual.chirp
    begins_s, ends_s = usable_between_s(residual)
    highest_hz = float(chirp.frequency_at_hz(ends_s))
    grid = log_frequency_grid(chirp.start_hz, highest_hz, points_per_octave)
    half_s = np.maximum(0.5 / grid, 0.5 * chirp.rate_s * np.log(2) / points_per_octave)
    middle_s = chirp.time_of_cycle_s(grid * chirp.rate_s)
    first = np.round(np.maximum(middle_s - half_s, begins_s) * chirp.sample_rate_hz).astype(np.int64)
    last = np.round(np.minimum(middle_s + half_s, ends_s) * chirp.sample_rate_hz).astype(np.int64) + 1
    # The last frame lies beyond the end: a stretch may reach up to it.
    size = np.append(np.abs(residual.samples[first[0] : last[-1]]), np.float32(0.0)).astype(np.float64)
    ends = np.column_stack((first, last)).ravel() - first[0]
    return Peaks(
        grid,
        np.maximum.reduceat(size, ends)[::2],
        np.sqrt(np.add.reduceat(size * size, ends)[::2] / (last - first)),
        (last - first) / chirp.sample_rate_hz,
    )
