"""A recording on another clock than the playing one: how far the clocks are apart, and the recording brought back.

The two marks tell: unit and room do the same to both, so that what their distance has changed by is the clocks' doing.
The sweep between them cannot: a delay that grows with time looks like one that grows with frequency, and so does a jump
in it, as every crossover has them. Samples that were lost are told by the clocks of several captures, which agree to a
few millionths while nothing is lost.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals import marks, stimulus
from rig.signals.arrays import Floats
from rig.signals.timing import delay_s, resample_by

Layout = stimulus.Layout

#: Crystals stray by some tens of millionths; more than this is another rate, or lost samples (our choice;
#: tests/benchmarks/two_clocks.py).
MOST_PPM = 300.0

#: The second mark is sought so far from where a common clock would have it: a clock, and some lost samples (our
#: choice; tests/benchmarks/two_clocks.py).
SOUGHT_PPM, SOUGHT_FRAMES = 1000.0, 480


@dataclass(frozen=True)
class Clocks:
    """How a recording lies against what was played."""

    #: Clock of the recording over that of the playing, minus 1, in millionths; and its standard uncertainty.
    ppm: float
    uncertainty_ppm: float
    #: Samples of the recording from its first frame to where the stimulus begins in it.
    delay: float

    @property
    def ratio(self) -> float:
        """Clock of the recording over that of the playing."""
        return 1 + self.ppm * 1e-6


def timing_of(row: Floats, plan: Layout, delay: float) -> marks.Timing | None:
    """The marks of a row on another clock, which are not far from their distance; None where they are not heard."""
    # The sweep of another place of the run has its second mark as far off as codes lie apart.
    codes = stimulus.code_frames(stimulus.HIGHEST_CODE, plan.sample_rate_hz) if plan.code else 0
    within = round(SOUGHT_PPM * 1e-6 * (plan.mark_after - plan.mark_before)) + max(SOUGHT_FRAMES, codes)
    return marks.timing_of(row, plan, delay, within)


def clocks_of(plan: Layout, timing: marks.Timing) -> Clocks:
    """The clocks' difference out of the marks."""
    distance = plan.mark_after - plan.mark_before
    ratio = 1 + timing.shift / distance
    # What is known is the arrival of the first mark, by its middle; the stimulus begins so much earlier.
    begin = timing.delay + (plan.mark_before + plan.mark_frames / 2) * (1 - ratio)
    return Clocks((ratio - 1) * 1e6, timing.uncertainty / distance * 1e6, begin)


def on_playing_clock(row: NDArray[np.floating], clocks: Clocks, delay: float) -> Floats:
    """A recording as the playing clock would have made it, the stimulus beginning `delay` of its samples late.

    Parameters
    ----------
    row
        Shape (frames,).
    clocks
        From `clocks_of`, of the same recording.
    delay
        In samples, with any part of one.

    Returns
    -------
    ndarray, shape (frames,)
        Zero where the recording does not reach.

    Raises
    ------
    ValueError
        If the clocks are more than one part in a hundred apart.
    """
    return resample_by(row, clocks.ratio, clocks.delay - delay * clocks.ratio, row.size)


def laid_over(row: NDArray[np.floating], like: NDArray[np.floating]) -> Floats:
    """A recording moved and stretched by the least that makes it most like another of the same stimulus.

    Two recordings that were each brought to the playing clock by their own marks lie a small part of a sample apart.
    After whole samples, by the correlation, the remaining delay and its growth are fitted by least squares to the
    recordings' slopes.

    Parameters
    ----------
    row, like
        Shape (frames,).

    Returns
    -------
    ndarray, shape (frames,)
    """
    known, moved = np.asarray(like, np.float64), np.asarray(row, np.float64)
    if not (np.any(known != known[0]) and np.any(moved != moved[0])):
        return moved
    coarse = float(delay_s(moved - np.mean(moved), known - np.mean(known), 1.0))
    moved = resample_by(moved, 1.0, round(coarse), known.size)
    time = np.linspace(-1.0, 1.0, known.size)
    slope = _slope(known)
    steps = np.stack((slope, time * slope))
    for _ in range(3):
        late, grows = np.linalg.solve(steps @ steps.T, steps @ (known - moved))
        # moved(n) = known(n - late - grows * time).
        ratio = 1 + 2 * grows / (known.size - 1)
        moved = resample_by(moved, float(np.clip(ratio, 0.999, 1.001)), float(late - grows), known.size)
    return moved


def _slope(row: Floats) -> Floats:
    """Change from sample to sample, band-limited."""
    length = int(scipy.fft.next_fast_len(row.size + 1024, real=True))
    spectrum = scipy.fft.rfft(row - np.mean(row), length)
    slope: Floats = scipy.fft.irfft(spectrum * 2j * np.pi * scipy.fft.rfftfreq(length), length)[: row.size]
    return slope
