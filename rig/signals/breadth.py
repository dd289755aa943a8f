"""Whether a train of impulses is a contact's, or a series of regular harmonics that die away with order.

What a unit's smooth nonlinearity makes keeps step with the cone as a rub does. The Fourier coefficients of a smooth
(analytic) function of the cycle fall from order to order by a constant factor or faster (Katznelson, An Introduction
to Harmonic Analysis, 3rd ed., 2004, I.4, from memory): from an octave of orders to the next by twice as many decibels
as from the octave before. A contact is short: its energy reaches far above. A dull one, that strikes something which
resonates, is neither: below the resonance little is heard, above it a like part is lost in each octave.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Literal, TypeAlias

import numpy as np

from rig.signals.residual import Residual
from rig.signals.trains import REACH_S, Train, place_of

Breadth: TypeAlias = Literal["broad", "regular", "unclear"]

#: A contact keeps at least this part of its energy, over the noise, above twice an order: 0.6 to 1.0 in bursts and
#: clicks (our choice; tests/benchmarks/rub_and_buzz_detection.py).
BROAD = 0.4
#: Harmonics that fall by 1.5 dB an order or faster keep less than this (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
REGULAR = 0.3
#: With so little left, no resonance that is struck falls as steeply, and the octave above needs to say nothing (our
#: choice; tests/benchmarks/rub_and_buzz_detection.py).
STEEP = 0.15
#: So much an octave is left above a resonance that is struck: 12 dB less, as of any mass on a spring; by definition.
SKIRT = 1 / 16
#: Beyond doubt is so many standard uncertainties; common practice, no source.
SURE = 2.0
#: Phases at which the energy of a cycle is looked at; numerical.
PHASES = 16
#: So many of them, the quietest, are noise alone (our choice; tests/benchmarks/rub_and_buzz_detection.py).
QUIETEST = 4


def breadth_of(
    lower: Residual, residual: Residual, higher: Residual, train: Train, above_harmonics: bool = False
) -> Breadth:
    """What a train found in a residual is, by how its energy falls from octave to octave of the orders.

    Parameters
    ----------
    lower, residual, higher : Residual
        Of one capture, behind a tracking high-pass that is shut up to half the order, up to that above which the train
        was found, and up to twice that.
    train : Train
        From `trains.trains`.
    above_harmonics : bool
        Whether regular harmonics, or what may be such, were found below: then a contact must be broad beyond doubt.

    Returns
    -------
    str
        "broad": a contact. "regular": harmonics of a smooth nonlinearity, beyond doubt. "unclear": neither.
    """
    below, above = _parts((lower, residual, higher), train)
    # Where harmonics are most of what is heard below, what is left above tells alone.
    if above[0] - SURE * above[1] >= BROAD or (not above_harmonics and min(below[0], above[0]) >= BROAD):
        return "broad"
    return "regular" if _is_regular(below, above) else "unclear"


def is_regular_by_octaves(searched: Sequence[Residual], train: Train) -> bool:
    """Whether octaves of the orders, each by itself, fall as regular harmonics do.

    Of these only the lowest orders of an octave are heard: in one alone there is less noise than in all that is above.

    Parameters
    ----------
    searched : sequence of Residual
        Of one capture, four: as of `breadth_of`, and one up to four times the order.
    train : Train
        As of `breadth_of`.
    """
    octaves = [replace(one, white=one.white - above.white) for one, above in pairwise(searched)]
    return _is_regular(*_parts(octaves, train))


def _is_regular(below: tuple[float, float], above: tuple[float, float]) -> bool:
    """Whether what is left below and above falls as regular harmonics do; each with its standard uncertainty."""
    most, most_above, least_above = below[0] + SURE * below[1], above[0] + SURE * above[1], above[0] - SURE * above[1]
    is_told = most <= STEEP or most_above <= BROAD
    # Half way, in decibels, between a like part lost again and twice as many.
    is_steeper_above = least_above <= max(SKIRT, below[0] * np.sqrt(max(below[0], 0.0)))
    return bool(most <= REGULAR and is_steeper_above and is_told)


def _parts(three: Sequence[Residual], train: Train) -> list[tuple[float, float]]:
    """Energy of a train in each over that in the one before, with its standard uncertainty."""
    energies = [train_energy(one, train) for one in three]
    return [_part(energy, of) for of, energy in pairwise(energies)]


def _part(energy: tuple[float, float], of: tuple[float, float]) -> tuple[float, float]:
    """Quotient of two energies and its standard uncertainty; nothing is known of it where the second is none."""
    if not of[0] > 0:
        return np.nan, np.nan
    part = energy[0] / of[0]
    return part, float(np.hypot(energy[1], part * of[1]) / of[0])


def train_energy(residual: Residual, train: Train) -> tuple[float, float]:
    """Energy of a train in the whitened residual, over that of the noise beside it, summed; its standard uncertainty.

    That is told from how much the energy differs from a cycle to the next (von Neumann, Ann. Math. Stat. 12, 1941, from
    memory), for the energy itself changes slowly over the sweep.
    """
    chirp = residual.chirp
    frequency_hz = np.arange(np.ceil(train.low_hz * chirp.rate_s), train.high_hz * chirp.rate_s) / chirp.rate_s
    cycle = frequency_hz * chirp.rate_s + place_of(train, frequency_hz) % 1.0
    at_s = chirp.time_of_cycle_s(np.add.outer(np.arange(PHASES) / PHASES, cycle))
    frames = round(max(2 * REACH_S, train.window_s) * chirp.sample_rate_hz)
    running = np.concatenate(([0.0], np.cumsum(residual.white**2, dtype=np.float64)))
    first = np.clip(np.round(at_s * chirp.sample_rate_hz).astype(np.int64) - frames // 2, 0, running.size - 1 - frames)
    each = running[first + frames] - running[first]
    energy, variance = np.sum(each, axis=1), np.sum(np.diff(each, axis=1) ** 2, axis=1) / 2
    quietest = np.argsort(energy)[:QUIETEST]
    # The quietest phases lie within one stretch of the cycle: together they are little better known than one.
    scatter = np.sqrt(variance[0] + np.mean(variance[quietest]))
    return float(energy[0] - np.mean(energy[quietest])), float(scatter)
