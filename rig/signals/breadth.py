"""Whether a train of impulses is broad, as a contact's is, or a series of regular harmonics that die away with order.

What a unit's smooth nonlinearity makes keeps step with the cone as a rub does. The Fourier coefficients of a smooth
(analytic) function of the cycle fall from order to order by a constant factor or faster (Katznelson, An Introduction
to Harmonic Analysis, 3rd ed., 2004, I.4, from memory), so that little of what is heard above some order is left above
twice that order. A contact is short: its energy reaches far above.
"""

import numpy as np
from numpy.typing import NDArray

from rig.signals.residual import Residual
from rig.signals.trains import REACH_S, Train, place_of

Array = NDArray[np.float64]

#: A contact keeps at least this part of its energy, over the noise, above twice the order that it was found above:
#: 0.6 to 1.0 in bursts and clicks, at most 0.3 in harmonics that fall by 1 dB an order or faster (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
BROAD = 0.4
#: Phases at which the energy of a cycle is looked at; numerical.
PHASES = 16
#: So many of them, the quietest, are noise alone (our choice; tests/benchmarks/rub_and_buzz_detection.py).
QUIETEST = 4


def is_broad(residual: Residual, higher: Residual, train: Train) -> bool:
    """Whether a train found in a residual is still there above a higher order of the sweep.

    Parameters
    ----------
    residual : Residual
        The train was found in it.
    higher : Residual
        Of the same capture behind a tracking high-pass that is shut up to a higher order.
    train : Train
        From `trains.trains`.
    """
    return train_energy(higher, train) >= BROAD * train_energy(residual, train)


def train_energy(residual: Residual, train: Train) -> float:
    """Energy of a train in the whitened residual, over that of the noise beside it in the same cycles, summed."""
    chirp = residual.chirp
    frequency_hz = np.arange(np.ceil(train.low_hz * chirp.rate_s), train.high_hz * chirp.rate_s) / chirp.rate_s
    cycle = frequency_hz * chirp.rate_s + place_of(train, frequency_hz) % 1.0
    at_s = chirp.time_of_cycle_s(np.add.outer(np.arange(PHASES) / PHASES, cycle))
    frames = round(max(2 * REACH_S, train.window_s) * chirp.sample_rate_hz)
    running = np.concatenate(([0.0], np.cumsum(residual.white**2, dtype=np.float64)))
    first = np.clip(np.round(at_s * chirp.sample_rate_hz).astype(np.int64) - frames // 2, 0, running.size - 1 - frames)
    energy = np.sum(running[first + frames] - running[first], axis=1)
    return float(energy[0] - np.mean(np.sort(energy)[:QUIETEST]))
