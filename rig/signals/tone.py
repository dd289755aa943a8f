"""A steady tone in a recording: its level, frequency, steadiness and harmonics, by a least-squares sine fit."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

Array = NDArray[np.float64]

#: A piece whose level is read by itself is at least so long, and holds at least so many periods.
PIECE_S, PIECE_PERIODS = 0.25, 10.0
#: The tone is looked for within this part of the frequency that is expected.
WITHIN = 0.1
#: Rounds of the fit of the frequency; each squares the error that is left.
ROUNDS = 4


@dataclass(frozen=True)
class Tone:
    """A tone as it was found, in the unit of the recording."""

    frequency_hz: float
    #: Of the fundamental alone.
    rms: float
    #: Standard uncertainty of `rms` from noise and unsteadiness.
    rms_uncertainty: float
    #: RMS values of the second and higher harmonics, shape (harmonics,).
    harmonic_rms: Array
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
    """Fit a sine of unknown frequency, its harmonics and a constant to a recording.

    The frequency is found by four-parameter sine fits (IEEE Std 1057-2017, annex B): linear least squares for
    amplitudes and a correction of the frequency, repeated.

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
    frequency_hz = _found_hz(wave, sample_rate_hz, expected_hz)
    orders = np.arange(1, max(1, min(harmonics, int(0.49 * sample_rate_hz / frequency_hz))) + 1)
    columns = _columns(wave.size, sample_rate_hz, frequency_hz, orders)
    weights = _least_squares(columns, wave)
    rest = wave - columns @ weights
    levels = np.hypot(weights[1::2], weights[2::2]) / math.sqrt(2)
    pieces = _piece_levels(wave, sample_rate_hz, frequency_hz)
    return Tone(
        frequency_hz=frequency_hz,
        rms=float(levels[0]),
        rms_uncertainty=float(np.std(pieces, ddof=1) / math.sqrt(pieces.size)),
        harmonic_rms=levels[1:],
        rest_rms=float(np.sqrt(np.mean(rest**2))),
        unsteady_db=float(np.max(np.abs(20 * np.log10(np.maximum(pieces, 1e-30) / np.mean(pieces))))),
    )


def _found_hz(wave: Array, sample_rate_hz: float, expected_hz: float) -> float:
    size = int(fft.next_fast_len(4 * wave.size, real=True))
    spectrum = np.abs(fft.rfft((wave - wave.mean()) * np.hanning(wave.size), size))
    step_hz = sample_rate_hz / size
    first, last = (round(expected_hz * (1 + side * WITHIN) / step_hz) for side in (-1, 1))
    frequency_hz = (first + int(np.argmax(spectrum[first : last + 1]))) * step_hz
    time_s = np.arange(wave.size) / sample_rate_hz
    low_hz, high_hz = expected_hz * (1 - WITHIN), expected_hz * (1 + WITHIN)
    for _ in range(ROUNDS):
        columns = _columns(wave.size, sample_rate_hz, frequency_hz, np.array([1]))
        cosine, sine = _least_squares(columns, wave)[1:]
        # The change of the fitted sine with its frequency is one more column.
        turn = 2 * np.pi * time_s * (sine * columns[:, 1] - cosine * columns[:, 2])
        change_hz = _least_squares(np.column_stack([columns, turn]), wave)[-1]
        frequency_hz = float(np.clip(frequency_hz + change_hz, low_hz, high_hz))
    return frequency_hz


def _least_squares(columns: Array, wave: Array) -> Array:
    """Weights of the columns, by the normal equations: tones of whole periods are all but orthogonal."""
    length = np.sqrt(np.sum(columns**2, axis=0))
    length[length == 0] = 1.0
    unit = columns / length
    weights: Array = np.linalg.solve(unit.T @ unit, unit.T @ wave)
    scaled: Array = (weights.T / length).T
    return scaled


def _columns(frames: int, sample_rate_hz: float, frequency_hz: float, orders: NDArray[np.int64]) -> Array:
    """A constant, and cosine and sine of each order, shape (frames, 1 + 2 orders)."""
    phase = 2 * np.pi * frequency_hz / sample_rate_hz * np.arange(frames)
    columns = [np.ones(frames)]
    for order in orders:
        columns += [np.cos(order * phase), np.sin(order * phase)]
    return np.column_stack(columns)


def _piece_levels(wave: Array, sample_rate_hz: float, frequency_hz: float) -> Array:
    """RMS value of the tone in each piece of the recording, shape (pieces,), two pieces or more."""
    frames = math.ceil(max(PIECE_S * sample_rate_hz, PIECE_PERIODS * sample_rate_hz / frequency_hz))
    count = max(wave.size // frames, 2)
    frames = wave.size // count
    columns = _columns(frames, sample_rate_hz, frequency_hz, np.array([1]))
    pieces = wave[: count * frames].reshape(count, frames).T
    weights = _least_squares(columns, pieces)
    return np.asarray(np.hypot(weights[1], weights[2]) / math.sqrt(2))
