"""A steady tone in a recording: its level, frequency, steadiness and harmonics, by a least-squares sine fit."""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Floats

#: A piece whose level is read by itself is at least so long, and holds at least so many periods; our choice.
PIECE_S, PIECE_PERIODS = 0.25, 10.0
#: The tone is looked for within this part of the frequency that is expected; our choice.
WITHIN = 0.1
#: Rounds of the fit of the frequency, at most: each squares the error that is left. It has settled when a round moves
#: the highest order by such a part of a period, end against beginning; our choice.
ROUNDS, SETTLED = 4, 1e-9


@dataclass(frozen=True)
class Tone:
    """A tone as it was found, in the unit of the recording."""

    frequency_hz: float
    #: Of the fundamental alone.
    rms: float
    #: Standard uncertainty of `rms` from noise and unsteadiness.
    rms_uncertainty: float
    #: RMS values of the second and higher harmonics, shape (harmonics,).
    harmonic_rms: Floats
    #: RMS value of all that is neither the tone nor one of its harmonics nor constant.
    rest_rms: float
    #: Largest distance of the level of a piece from the mean level, in dB.
    unsteady_db: float

    @property
    def distortion(self) -> float:
        """Harmonics together over the fundamental; over the whole (IEC 60268-3) it is the same while small."""
        return float(np.sqrt(np.sum(self.harmonic_rms**2))) / self.rms if self.rms else math.nan

    @property
    def over_rest_db(self) -> float:
        """Level of the fundamental over the rest, in dB."""
        return 20 * math.log10(self.rms / self.rest_rms) if self.rms and self.rest_rms else math.inf


def measure_tone(signal: ArrayLike, sample_rate_hz: float, expected_hz: float, harmonics: int = 5) -> Tone:
    """Fit a sine of unknown frequency, its harmonics and a constant to a recording, all of them together.

    Least squares over the frequency and all amplitudes, which for white noise is the maximum likelihood estimate: the
    four-parameter sine fit of IEEE Std 1057-2017, annex B, with the harmonics in it. Fitted without them the frequency
    is biased wherever a recording holds no whole number of periods (R. Pintelon and J. Schoukens, "An Improved
    Sine-Wave Fitting Procedure for Characterizing Data Acquisition Channels", IEEE Trans. Instrum. Meas. 45 (1996)).

    Parameters
    ----------
    signal : array_like, shape (frames,)
        20 periods of the tone or more.
    sample_rate_hz : float
        Sample rate in Hz.
    expected_hz : float
        The tone is looked for within a tenth of it.
    harmonics : int
        The highest order that is looked for, as far as it lies below half the sample rate; 1 is the fundamental.

    Raises
    ------
    ValueError
        If the recording is too short, not finite or holds nothing, or the frequency is not one of this sample rate.
    """
    wave = np.asarray(signal, np.float64)
    if not 0 < expected_hz < 0.45 * sample_rate_hz:
        raise ValueError(f"a tone of {expected_hz:g} Hz; allowed at {sample_rate_hz:g} Hz: up to 0.45 of it")
    if wave.ndim != 1 or wave.size < 20 * sample_rate_hz / expected_hz or not np.all(np.isfinite(wave)):
        raise ValueError(f"20 periods of finite samples are needed to tell a tone, found shape {wave.shape}")
    if not np.any(wave - wave[0]):
        raise ValueError("the recording holds nothing")
    frequency_hz, weights = _fitted(wave, sample_rate_hz, _found_hz(wave, sample_rate_hz, expected_hz), harmonics)
    columns = _columns(wave.size, sample_rate_hz, frequency_hz, weights.size // 2)
    rest = wave - columns @ weights
    levels = np.hypot(weights[1::2], weights[2::2]) / math.sqrt(2)
    # A piece holds no whole number of periods, so that harmonics left in it would count with the tone.
    pieces = _piece_levels(wave - columns[:, 3:] @ weights[3:], sample_rate_hz, frequency_hz)
    return Tone(
        frequency_hz=frequency_hz,
        rms=float(levels[0]),
        rms_uncertainty=float(np.std(pieces, ddof=1) / math.sqrt(pieces.size)),
        harmonic_rms=levels[1:],
        rest_rms=float(np.sqrt(np.mean(rest**2))),
        unsteady_db=float(np.max(np.abs(20 * np.log10(np.maximum(pieces, 1e-30) / np.mean(pieces))))),
    )


def _found_hz(wave: Floats, sample_rate_hz: float, expected_hz: float) -> float:
    """Where the spectrum peaks, near the frequency that is expected."""
    size = int(scipy.fft.next_fast_len(4 * wave.size, real=True))
    spectrum = np.abs(scipy.fft.rfft((wave - wave.mean()) * np.hanning(wave.size), size))
    step_hz = sample_rate_hz / size
    first, last = (round(expected_hz * (1 + side * WITHIN) / step_hz) for side in (-1, 1))
    return (first + int(np.argmax(spectrum[first : last + 1]))) * step_hz


def _fitted(wave: Floats, sample_rate_hz: float, found_hz: float, harmonics: int) -> tuple[float, Floats]:
    """Frequency, and weights of `_columns`, of the least-squares fit next to a frequency that was found.

    A harmonic's phase moves as many times faster with the frequency as its order says. So it is let in when those
    below have told the frequency well enough: from fit to fit there are twice as many.
    """
    # As far from half the sample rate as two lines must be apart to be told from each other.
    highest = int((sample_rate_hz / 2 - 2 * sample_rate_hz / wave.size) / found_hz)
    most = max(1, min(harmonics, highest))
    low_hz, high_hz, frequency_hz = found_hz * (1 - WITHIN), found_hz * (1 + WITHIN), found_hz
    for orders in (*(2**n for n in range(most.bit_length()) if 2**n < most), most):
        for _ in range(ROUNDS):
            columns = _columns(wave.size, sample_rate_hz, frequency_hz, orders)
            weights = _least_squares(columns, wave)
            # The change of all that is fitted with the frequency is one more column.
            turn = np.arange(wave.size) * (columns[:, 1:] @ _derivative(weights[1:]))
            step = _least_squares(np.column_stack([columns, turn]), wave)[-1] * sample_rate_hz / (2 * np.pi)
            frequency_hz = float(np.clip(frequency_hz + step, low_hz, high_hz))
            if abs(step) < SETTLED * sample_rate_hz / (orders * wave.size):
                break
    return frequency_hz, _least_squares(_columns(wave.size, sample_rate_hz, frequency_hz, most), wave)


def _derivative(weights: Floats) -> Floats:
    """Weights of cosines and sines of each order -> those of the derivative by the fundamental's phase."""
    orders = np.arange(1, weights.size // 2 + 1)
    cosine, sine = weights[0::2], weights[1::2]
    return np.column_stack([orders * sine, -orders * cosine]).ravel()


def _least_squares(columns: Floats, wave: Floats) -> Floats:
    """Weights of the columns, by the normal equations: tones of whole periods are all but orthogonal."""
    length = np.sqrt(np.sum(columns**2, axis=0))
    length[length == 0] = 1.0
    unit = columns / length
    weights: Floats = np.linalg.solve(unit.T @ unit, unit.T @ wave)
    scaled: Floats = (weights.T / length).T
    return scaled


def _columns(frames: int, sample_rate_hz: float, frequency_hz: float, orders: int) -> Floats:
    """A constant, and cosine and sine of each order from 1 on, shape (frames, 1 + 2 orders)."""
    phase = 2 * np.pi * frequency_hz / sample_rate_hz * np.arange(frames)
    columns = [np.ones(frames)]
    for order in range(1, orders + 1):
        columns += [np.cos(order * phase), np.sin(order * phase)]
    return np.column_stack(columns)


def _piece_levels(wave: Floats, sample_rate_hz: float, frequency_hz: float) -> Floats:
    """RMS value of the tone in each piece of the recording, shape (pieces,), two pieces or more."""
    frames = math.ceil(max(PIECE_S * sample_rate_hz, PIECE_PERIODS * sample_rate_hz / frequency_hz))
    count = max(wave.size // frames, 2)
    frames = wave.size // count
    columns = _columns(frames, sample_rate_hz, frequency_hz, 1)
    pieces = wave[: count * frames].reshape(count, frames).T
    weights = _least_squares(columns, pieces)
    return np.asarray(np.hypot(weights[1], weights[2]) / math.sqrt(2))
