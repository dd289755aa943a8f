"""Two recordings of one stimulus through one stream: where they differ by more than noise, and what differs."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Bools, Floats

#: Length of the pieces that are compared (our choice; tests/benchmarks/outside_noises.py).
PIECE_S = 0.02
#: A piece differs when the difference holds so many times the energy of the noise in both (10 dB) ... (our choice;
#: tests/benchmarks/outside_noises.py)
OVER_NOISE = 10.0
#: ... and more than this part of the recording's own energy (-40 dB): drivers warm up and amplifiers drift (our
#: choice; tests/benchmarks/outside_noises.py).
OF_SIGNAL = 1e-4
#: A difference that follows the recording so closely is a change of the unit, not a noise from outside (our choice;
#: tests/benchmarks/outside_noises.py).
FOLLOWS = 0.7
#: Median over mean of an exponentially distributed power, ln 2: of noise that hardly varies within a piece (our
#: choice; tests/benchmarks/outside_noises.py).
MEDIAN_OF_MEAN = 0.693


@dataclass(frozen=True, eq=False)
class Difference:
    """What two recordings of one stimulus differ by."""

    #: Mean square of the difference in each piece of 20 ms, and of the weaker recording itself; shape (pieces,).
    energy: Floats
    own: Floats
    #: Energy of the whole difference, its high frequencies raised by 6 dB an octave.
    raised: float


def difference(one: ArrayLike, other: ArrayLike, sample_rate_hz: float) -> Difference:
    """What two recordings of the same stimulus with the same delay differ by, as two plays in one open stream.

    Of three recordings with independent noises, the one with the least sum of differences to the two others has the
    least noise (the three-cornered hat: Gray and Allan, Proc. 28th Annual Symposium on Frequency Control, 1974, from
    memory). A room's noise falls with frequency; raised, a click counts as much as a rumble.

    Parameters
    ----------
    one, other : array_like, shape (frames,)
        Recordings.
    sample_rate_hz : float
        Sample rate in Hz.

    Raises
    ------
    ValueError
        If the recordings are not of one length or not finite.
    """
    a, b = np.asarray(one, np.float64), np.asarray(other, np.float64)
    if a.shape != b.shape or a.ndim != 1 or not (np.all(np.isfinite(a)) and np.all(np.isfinite(b))):
        raise ValueError(f"two finite recordings of one length are needed, found shapes {a.shape} and {b.shape}")
    apart = a - b
    own = np.minimum(_in_pieces(a, sample_rate_hz), _in_pieces(b, sample_rate_hz))
    return Difference(_in_pieces(apart, sample_rate_hz), own, float(np.sum(np.diff(apart) ** 2)))


def pieces_that_differ(found: Difference, noise: float) -> Bools:
    """Which pieces of 20 ms differ by more than the noise of both recordings allows, shape (pieces,).

    `noise` is its mean square in a recording that nothing disturbs, from `steady_noise`.
    """
    return np.asarray((found.energy > OVER_NOISE * 2 * noise) & (found.energy > OF_SIGNAL * found.own))


def steady_noise(silence: ArrayLike, sample_rate_hz: float) -> float:
    """Mean square of the noise in a silence, deaf to what sounds during less than half of it."""
    quiet = np.asarray(silence, np.float64)
    return float(np.median(_in_pieces(quiet - np.mean(quiet), sample_rate_hz))) / MEDIAN_OF_MEAN


def follows_the_signal(disturbed: ArrayLike, clean: ArrayLike, sample_rate_hz: float) -> bool:
    """Whether what differs is a copy of the signal itself (a contact that failed), not a sound from outside.

    Judged by the correlation of the difference with the clean recording over the pieces where most of it lies.
    """
    a, b = np.asarray(disturbed, np.float64), np.asarray(clean, np.float64)
    difference = a - b
    energy = _in_pieces(difference, sample_rate_hz)
    loud = np.repeat(energy >= 0.1 * energy.max(), round(PIECE_S * sample_rate_hz))
    d, s = difference[: loud.size][loud], b[: loud.size][loud]
    scale = np.sqrt(np.sum(d**2) * np.sum(s**2))
    return bool(scale > 0 and abs(np.sum(d * s)) > FOLLOWS * scale)


def _in_pieces(signal: Floats, sample_rate_hz: float) -> Floats:
    """Mean square of each piece."""
    size = round(PIECE_S * sample_rate_hz)
    whole = signal[: signal.size // size * size].reshape(-1, size)
    square: Floats = np.mean(whole**2, axis=1)
    return square
