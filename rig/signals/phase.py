"""Signs out of phases: which way round something moves, when neither its level nor its delay is known well."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Complex, Floats
from rig.signals.kept import kept_by_value


@dataclass(frozen=True)
class Sign:
    """A sign with what speaks for it."""

    #: +1 or -1.
    value: int
    #: Magnitude of the mean cosine at the best delay, 0 to 1.
    agreement: float
    #: 1: no delay lets the other sign explain the phase at all; 0: both signs explain it alike.
    confidence: float
    #: Level of the band against what was expected, in dB.
    level_db: float
    #: Level of the band against the noise in it, in dB.
    over_noise_db: float = float("inf")


def mean_cosine(measured: ArrayLike, expected: ArrayLike, frequency_hz: ArrayLike, delays_s: ArrayLike) -> Floats:
    """Mean cosine of the phase that is left between two responses when a delay is taken out of the first.

    Every frequency counts alike, whatever its level: on a logarithmic grid every octave does.

    Parameters
    ----------
    measured, expected : array_like, shape (..., frequencies)
        Complex responses.
    frequency_hz : array_like, shape (frequencies,)
        Their frequencies in Hz.
    delays_s : array_like, shape (delays,)
        Delays to be tried, in seconds.

    Returns
    -------
    ndarray, shape (..., delays)
        From -1 (opposite at every frequency) to 1.
    """
    phase = np.angle(np.asarray(measured, np.complex128)) - np.angle(np.asarray(expected, np.complex128))
    unit = np.exp(1j * phase)
    turns = _turns(np.asarray(frequency_hz, np.float64), np.asarray(delays_s, np.float64))
    # Not a matrix product: for so few numbers its threads cost more than they save.
    cosine: Floats = np.einsum("...f,fd->...d", unit, turns).real / unit.shape[-1]
    return cosine


@kept_by_value(8)
def _turns(frequency_hz: Floats, delays_s: Floats) -> Complex:
    """Turns of phase by delays, shape (frequencies, delays)."""
    return np.exp(2j * np.pi * np.multiply.outer(frequency_hz, delays_s))


def signs_of(
    cosines: ArrayLike, levels_db: Sequence[float], over_noise_db: Sequence[float] | None = None
) -> list[Sign]:
    """Signs of several sources that share one delay.

    The delay is the one that maximises the sum of the magnitudes of the sources' mean cosines, whatever the signs; the
    sign of each mean cosine there is the sign of its source.

    Parameters
    ----------
    cosines : array_like, shape (sources, delays)
        From `mean_cosine`.
    levels_db, over_noise_db : sequence of float
        Level of each source against what was expected and against the noise, passed on.
    """
    table = np.asarray(cosines, np.float64)
    total = np.abs(table).sum(axis=0)
    best = int(np.argmax(total))
    signs = []
    above = over_noise_db if over_noise_db is not None else [float("inf")] * len(table)
    for own, level_db, above_db in zip(table, levels_db, above, strict=True):
        value = 1 if own[best] >= 0 else -1
        # The best that any delay can do for the other sign of this source.
        otherwise = np.max(total - np.abs(own) + np.maximum(-value * own, 0.0))
        confidence = float((total[best] - otherwise) / max(abs(own[best]), 1e-12))
        signs.append(Sign(value, float(abs(own[best])), max(confidence, 0.0), float(level_db), float(above_db)))
    return signs
