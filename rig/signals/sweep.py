"""The synchronised exponential sweep: what is played, and where its frequencies and harmonics lie in time.

The phase is ``2 pi start_hz L exp(t / L)`` with ``L = seconds / ln(stop_hz / start_hz)`` and t = 0 where the
sweep passes start_hz (Novak, Lotton and Simon, JAES 63(10), 2015). The N-th harmonic of such a sweep is the same
sweep advanced by ``L ln N``, in phase as well as in frequency.

The sweep runs beyond the band asked for, so that the band is usable to its very ends: from one and a quarter octaves
below start_hz, and to a quarter of an octave above stop_hz or 0.475 of the sample rate, whichever is lower. It fades
in over the first half octave, and out over the outer half (in octaves) of the upper margin. The lower margin is wide
because the second harmonic of start_hz must be told from the edge at which second harmonics begin.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats
from rig.signals.gating import half_cosine

#: Frequency ratio from the first frequency played to start_hz; our choice.
LOWER_MARGIN = 2.0**1.25
#: Frequency ratio over which the sweep fades in; our choice.
LOWER_FADE = 2.0**0.5
#: Largest frequency ratio from stop_hz to the last frequency played; our choice.
UPPER_MARGIN = 2.0**0.25
#: The last frequency played never exceeds this part of the sample rate; our choice.
HIGHEST_OF_RATE = 0.475
#: stop_hz may not exceed this part of the sample rate, or no room is left to fade out; our choice.
HIGHEST_STOP_OF_RATE = 0.46


@dataclass(frozen=True)
class ExponentialSweep:
    """A synchronised exponential sweep at a sample rate.

    Times count from the passing of start_hz, and are negative in the lead-in.

    Attributes
    ----------
    start_hz, stop_hz : float
        Band that the sweep must serve, in Hz.
    seconds : float
        Time from start_hz to stop_hz. The margins come on top: see `sweep_frames`.
    sample_rate_hz : float
        Sample rate in Hz.

    Raises
    ------
    ValueError
        If the band is empty or not positive, the time not positive, or stop_hz above 0.46 of the sample rate.
    """

    start_hz: float
    stop_hz: float
    seconds: float
    sample_rate_hz: float

    def __post_init__(self) -> None:
        start_hz, stop_hz, rate_hz = self.start_hz, self.stop_hz, self.sample_rate_hz
        if not (math.isfinite(start_hz) and math.isfinite(stop_hz) and 0 < start_hz < stop_hz):
            raise ValueError(f"a sweep needs 0 < start_hz < stop_hz, found {start_hz} Hz to {stop_hz} Hz")
        if not (math.isfinite(self.seconds) and self.seconds > 0):
            raise ValueError(f"a sweep needs a time above 0 s, found {self.seconds} s")
        if not stop_hz <= HIGHEST_STOP_OF_RATE * rate_hz:
            raise ValueError(
                f"stop_hz may be at most {HIGHEST_STOP_OF_RATE} of the sample rate "
                f"({HIGHEST_STOP_OF_RATE * rate_hz:g} Hz at {rate_hz:g} Hz), found {stop_hz:g} Hz"
            )

    @property
    def alone(self) -> "ExponentialSweep":
        """The sweep by itself, whatever stands about it: what is worked out of it serves every code."""
        return ExponentialSweep(self.start_hz, self.stop_hz, self.seconds, self.sample_rate_hz)

    @property
    def rate_s(self) -> float:
        """Time in which the frequency grows by a factor e: L of Farina, AES 108th Convention, 2000."""
        return self.seconds / math.log(self.stop_hz / self.start_hz)

    @property
    def played_band_hz(self) -> tuple[float, float]:
        """First and last frequency that is played, margins included."""
        return self.start_hz / LOWER_MARGIN, min(self.stop_hz * UPPER_MARGIN, HIGHEST_OF_RATE * self.sample_rate_hz)

    @property
    def margins(self) -> tuple[int, int]:
        """Frames of the lead-in and of the lead-out; start_hz is passed exactly at the frame that ends the lead-in."""
        lowest_hz, highest_hz = self.played_band_hz
        lead_in = round(self.rate_s * math.log(self.start_hz / lowest_hz) * self.sample_rate_hz)
        lead_out = int(self.rate_s * math.log(highest_hz / self.stop_hz) * self.sample_rate_hz)
        return lead_in, lead_out

    @property
    def sweep_frames(self) -> int:
        """Number of frames of `synchronised_sweep`, margins included."""
        lead_in, lead_out = self.margins
        return lead_in + round(self.seconds * self.sample_rate_hz) + lead_out + 1

    def times_s(self) -> Floats:
        """Time of every frame, shape (sweep_frames,)."""
        return (np.arange(self.sweep_frames) - self.margins[0]) / self.sample_rate_hz

    def phase_rad(self, time_s: ArrayLike) -> Floats:
        """Phase at times of any shape, ``2 pi start_hz L exp(t / L)`` (Novak, Lotton and Simon, JAES 63(10), 2015).

        Not wrapped. The sweep is its sine.
        """
        rate_s = self.rate_s
        phase: Floats = 2 * np.pi * self.start_hz * rate_s * np.exp(np.asarray(time_s, dtype=np.float64) / rate_s)
        return phase

    def frequency_hz(self, time_s: ArrayLike) -> Floats:
        """Frequency at times of any shape, ``start_hz exp(t / L)``."""
        frequency: Floats = self.start_hz * np.exp(np.asarray(time_s, dtype=np.float64) / self.rate_s)
        return frequency

    def advance_s(self, order: ArrayLike) -> Floats:
        """Time by which the response of a harmonic (1: fundamental) lies before the linear one: ``L ln(order)``.

        Farina, AES 108th Convention, 2000.
        """
        orders = np.asarray(order, dtype=np.float64)
        advance: Floats = self.rate_s * np.log(orders)
        return advance

    def fade(self, frequency_hz: ArrayLike) -> Floats:
        """Amplitude with which each frequency (above 0, any shape) is played, from 0 to 1.

        0 outside the played band; half a cosine over the logarithm of frequency in the first half octave and in the
        outer half of the upper margin; 1 between.
        """
        lowest_hz, highest_hz = self.played_band_hz
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        rise = half_cosine(np.log(frequency / lowest_hz) / math.log(LOWER_FADE))
        return rise * half_cosine(2 * np.log(highest_hz / frequency) / math.log(highest_hz / self.stop_hz))


def synchronised_sweep(sent: ExponentialSweep) -> Floats:
    """Samples of a sweep with its fades, of amplitude 1, shape (sweep_frames,)."""
    time_s = sent.times_s()
    return sent.fade(sent.frequency_hz(time_s)) * np.sin(sent.phase_rad(time_s))


@lru_cache(maxsize=4)
def kept_sweep(sent: ExponentialSweep) -> Floats:
    """`synchronised_sweep`, kept for the next call, so not to be written to."""
    samples = synchronised_sweep(sent)
    samples.flags.writeable = False
    return samples
