"""Sounds where nothing of a sweep can be: they come from outside, and a capture with one proves nothing.

Before the sweep: in the silence. Beside it: between the sweep and its second
harmonic, where the search above its tenth harmonic has no band left. Below it: where the room has died away.
"""

import numpy as np
import scipy

from rig.signals.arrays import Floats
from rig.signals.gating import half_cosine
from rig.signals.impulsive import Scores, energy_scores, events_above
from rig.signals.residual import UNDER_HZ, Residual
from rig.signals.tracking import EARLY_S, HIGHEST_OF_RATE, between_hz, first_between_s, last_between_s, pass_band_hz

#: As `impulsive.EVENT`, for sounds outside the search: fewer windows are looked at there (our choice;
#: tests/benchmarks/outside_noises.py).
OUTSIDE = 5.1
#: The same beside the sweep, where what the room makes of harmonics is no noise of even level: only what stands far out
#: counts (our choice; tests/benchmarks/outside_noises.py).
LOUD = 7.0
#: The same behind the mark, where the room's decay is least even (our choice; tests/benchmarks/outside_noises.py).
LOUD_BEHIND_MARK = 12.0
SILENCE_WINDOW_S = 0.002
UNDER_WINDOW_S = 0.005
UNDER_BASELINE_S = 0.5
BESIDE_WINDOW_S = 0.004
#: Behind the mark the room's decay is followed by a short mean (our choice; tests/benchmarks/outside_noises.py).
LEAD_BASELINE_S = 0.03
AFTER_MARK_S = 0.03


def outside_s(residual: Residual, silence: Floats, ends_s: float) -> Floats:
    """Times of sounds from outside.

    Parameters
    ----------
    residual : Residual
        From `residual.sweep_residual`.
    silence : ndarray, shape (silent_frames,)
        The silence before the sweep.
    ends_s : float
        When the sweep's tail ends at the microphone.

    Returns
    -------
    ndarray
        In seconds from the first frame of the capture; those in the silence from its own.
    """
    searches = (
        (_silence_scores(silence, residual), OUTSIDE),
        (_beside_scores(residual), LOUD),
        (_under_scores(residual, ends_s), OUTSIDE),
    )
    return np.concatenate([events_above(scores, least).time_s for found, least in searches for scores in found])


def lead_s(residual: Residual, mark_ends_s: float, until_s: float) -> Floats:
    """Times of sounds between the mark and the search of the sweep: from outside, or the unit's while the sweep begins.

    Parameters
    ----------
    residual : Residual
        From `residual.sweep_residual`.
    mark_ends_s, until_s : float
        When the timing mark before the sweep ends at the microphone, and when the search of the sweep begins.

    Returns
    -------
    ndarray
        In seconds from the first frame of the capture.
    """
    chirp, rate_hz = residual.chirp, residual.chirp.sample_rate_hz
    low_hz, high_hz = pass_band_hz(chirp.start_hz, chirp)
    between_s = (max(mark_ends_s + AFTER_MARK_S, chirp.passes_start_s - EARLY_S), until_s + LEAD_BASELINE_S / 2)
    (scores,) = energy_scores(
        residual.white,
        rate_hz,
        (SILENCE_WINDOW_S,),
        lambda time_s: np.full(time_s.shape, float(high_hz - low_hz)),
        between_s,
        LEAD_BASELINE_S,
    )
    # At its ends the mean has neighbours on one side only.
    return events_above(scores.within(between_s[0] + LEAD_BASELINE_S / 2, until_s), LOUD_BEHIND_MARK).time_s


def _silence_scores(silence: Floats, residual: Residual) -> list[Scores]:
    """Scores of the silence before the sweep."""
    rate_hz = residual.chirp.sample_rate_hz
    length = scipy.fft.next_fast_len(silence.size, real=True)
    frequency_hz = np.asarray(scipy.fft.rfftfreq(length, 1 / rate_hz))
    high_hz = HIGHEST_OF_RATE[0] * rate_hz
    band = half_cosine(frequency_hz / 100 - 1) * half_cosine((high_hz - frequency_hz) / 500)
    band = band / np.sqrt(np.interp(frequency_hz, *residual.noise))
    white = scipy.fft.irfft(scipy.fft.rfft(silence - np.mean(silence), length) * band, length)[: silence.size]
    between_s = (0.01, silence.size / rate_hz - 0.01)
    return energy_scores(
        white, rate_hz, (SILENCE_WINDOW_S,), lambda time_s: np.full(time_s.shape, high_hz - 400), between_s
    )


def _beside_scores(residual: Residual) -> list[Scores]:
    """Scores of what lies between the sweep and its second harmonic."""
    chirp, rate_hz = residual.chirp, residual.chirp.sample_rate_hz

    def bandwidth_at_hz(time_s: Floats) -> Floats:
        low_hz, high_hz = between_hz(chirp.frequency_at_hz(time_s), rate_hz)
        return high_hz - low_hz

    between_s = (first_between_s(chirp), last_between_s(chirp))
    return energy_scores(residual.beside, rate_hz, (BESIDE_WINDOW_S,), bandwidth_at_hz, between_s)


def _under_scores(residual: Residual, ends_s: float) -> list[Scores]:
    """Scores of what sounds well below the sweep."""
    chirp, rate_hz = residual.chirp, residual.under_rate_hz
    highest_hz = 0.9 * min(UNDER_HZ[1], chirp.stop_hz)
    after_s = residual.under_after_s + 0.025

    def bandwidth_at_hz(time_s: Floats) -> Floats:
        return np.minimum(chirp.frequency_at_hz(time_s - after_s), highest_hz) - 1.2 * UNDER_HZ[0]

    # The band that the sweep has left behind must be wide enough to tell noise in.
    begins_s = float(chirp.time_of_cycle_s(3.2 * UNDER_HZ[0] * chirp.rate_s)) + after_s
    between_s = (begins_s, ends_s)
    return energy_scores(residual.under, rate_hz, (UNDER_WINDOW_S,), bandwidth_at_hz, between_s, UNDER_BASELINE_S)
