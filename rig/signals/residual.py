"""What is left of a captured sweep when everything smooth and low-order is taken out.

The capture is dechirped: its spectrum is turned by the conjugate phase of the endless exponential sweep,
``exp(i (2 pi f L (1 - ln(f / start_hz)) - pi / 4))`` (stationary phase; Novak, Lotton and Simon, JAES 63(10), 2015).
A sound of frequency f at time t then stands at the lag ``t - t(f)``, t(f) being the time at which the sweep passes f:
the linear response at lags from 0 on, harmonic N at ``-L ln N``. A window over the lag is therefore a filter that
tracks the sweep: what is kept below ``-L ln N`` is what lies above N times the sweep's frequency at every
sample. Turning back by the same phase gives the residual over time, at its own place and with its own waveform; no
harmonic is estimated or subtracted, so that none can be left over.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft
from scipy import signal as filters

from rig.signals import sweep
from rig.signals.gating import half_cosine
from rig.signals.smoothing import smooth_power

Array = NDArray[np.float64]
Single = NDArray[np.float32]
SingleComplex = NDArray[np.complex64]

ORDERS = (10.0, 12.0)
"""The tracking high-pass is shut at so many times the sweep's frequency, and open at so many (common practice, no
source: the tenth harmonic)."""
LOWEST_HZ = (1000.0, 1400.0)
"""It never opens below these: a rub is short, and a room is loudest below."""
HIGHEST_OF_RATE = (0.39, 0.43)
"""It is open to the first of these parts of the sample rate and shut at the second."""
UNDER_HZ = (60.0, 3000.0)
"""Band in which the capture is searched for sounds well below the sweep."""
UNDER_AFTER_S = (0.35, 0.9)
"""Sounds so long after the sweep has passed their frequency are not its own any more: the first in a room that is
dead by then, the second at most."""
DECAY_SEEN_S = (0.05, 0.3)
DECAY_BLOCK_S = 0.025
DECAY_AT_LEAST_DB = 12.0
DECAY_OVER_NOISE_DB = 25.0
DECAY_ROUGHNESS_DB = 2.0
"""The room's decay is read off between these lags, in blocks: it begins so far above the noise, falls by so much at
least, and follows a straight line so well. A noise from outside does not."""
DECAYED_S = 0.6
"""The linear response has died away by then; what lies later in the periodic lag is early noise at high frequencies."""
SEGMENT_S = 0.04
DENSITY_FRACTION = 3


@dataclass(frozen=True)
class Chirp:
    """A sweep in a capture: its band, and when it passes start_hz, in seconds from the capture's first frame."""

    start_hz: float
    stop_hz: float
    seconds: float
    sample_rate_hz: float
    passes_start_s: float

    @property
    def rate_s(self) -> float:
        """Time in which the frequency grows by a factor e."""
        return sweep.sweep_rate_s(self.start_hz, self.stop_hz, self.seconds)

    def time_of_cycle_s(self, cycle: ArrayLike) -> Array:
        """When the sweep's phase is so many cycles: ``L ln(cycle / (start_hz L))`` after the passing of start_hz."""
        time: Array = self.passes_start_s + self.rate_s * np.log(np.asarray(cycle) / (self.start_hz * self.rate_s))
        return time

    def frequency_at_hz(self, time_s: ArrayLike) -> Array:
        """Frequency of the sweep at times in the capture."""
        after_s = np.asarray(time_s, np.float64) - self.passes_start_s
        return sweep.instantaneous_frequency_hz(after_s, self.start_hz, self.stop_hz, self.seconds)


@dataclass(frozen=True, eq=False)
class Residual:
    """What the tracking filters leave of a capture.

    Attributes
    ----------
    chirp : Chirp
        The sweep as it arrives at the microphone, latency and flight included.
    samples : ndarray, shape (frames,)
        Behind the tracking high-pass, in the units of the capture.
    white : ndarray, shape (frames,)
        The same, divided by the density of the noise: noise has the density 1 per Hz within the pass band.
    under : ndarray, shape (frames / decimation,)
        What sounds well below the sweep, divided by the density of the noise likewise.
    under_rate_hz : float
        Sample rate of `under`.
    under_after_s : float
        How long after the sweep has passed a frequency `under` begins there.
    noise : tuple of ndarray
        The noise that both were divided by, from `noise_density`.
    """

    chirp: Chirp
    samples: Array
    white: Array
    under: Array
    under_rate_hz: float
    under_after_s: float
    noise: tuple[Array, Array]


def pass_band_hz(frequency_hz: ArrayLike, sample_rate_hz: float) -> tuple[Array, float]:
    """Edges of the tracking high-pass while the sweep is at a frequency.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies of the sweep in Hz.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    low_hz : ndarray
        Lower edges, in the shape of frequency_hz; half a cosine rises about each of them.
    high_hz : float
        Upper edge.
    """
    lowest, tracked = math.sqrt(LOWEST_HZ[0] * LOWEST_HZ[1]), math.sqrt(ORDERS[0] * ORDERS[1])
    low: Array = np.maximum(lowest, tracked * np.asarray(frequency_hz, np.float64))
    return low, math.sqrt(HIGHEST_OF_RATE[0] * HIGHEST_OF_RATE[1]) * sample_rate_hz


def last_heard_s(chirp: Chirp, part: float) -> float:
    """When the tracking high-pass has left less than a part of the band up to its upper edge."""
    _, high_hz = pass_band_hz(chirp.start_hz, chirp.sample_rate_hz)
    last_hz = (1 - part) * high_hz / math.sqrt(ORDERS[0] * ORDERS[1])
    return float(chirp.time_of_cycle_s(min(last_hz, chirp.stop_hz) * chirp.rate_s))


def noise_density(silence: ArrayLike, sample_rate_hz: float) -> tuple[Array, Array]:
    """Third-octave means of the noise's one-sided power spectral density, deaf to a single disturbance.

    The median of overlapping segments, corrected for its bias (Allen et al., FINDCHIRP, Phys. Rev. D 85, 2012,
    appendix B), so that one click among the silence does not pass for its level.

    Parameters
    ----------
    silence : array_like, shape (frames,)
        Recording with nothing played.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    frequency_hz, density : ndarray, shape (frequencies,)
        Frequencies in Hz, and density in squared units per Hz.

    Raises
    ------
    ValueError
        If the silence is shorter than two segments of 40 ms, not finite, or holds nothing at all.
    """
    recording = np.asarray(silence, np.float64)
    segment = round(SEGMENT_S * sample_rate_hz)
    if recording.ndim != 1 or recording.size < 2 * segment or not np.all(np.isfinite(recording)):
        raise ValueError(f"silence needs at least {2 * segment} finite frames, found shape {recording.shape}")
    line_hz, density = filters.welch(recording, sample_rate_hz, nperseg=segment, average="median")
    grid_hz = np.geomspace(2 * line_hz[1], HIGHEST_OF_RATE[1] * sample_rate_hz, 60)
    smooth = smooth_power(density[1:], line_hz[1:], grid_hz, DENSITY_FRACTION)
    if not np.all(smooth > 0):
        raise ValueError("the silence holds no noise in some band: nothing was recorded there")
    return grid_hz, smooth


@lru_cache(maxsize=4)
def _chirp_phase(chirp: Chirp, length: int) -> tuple[Array, SingleComplex, Single]:
    """Frequencies of a transform, the endless sweep's phase there, and the fixed part of the high-pass; read only."""
    frequency_hz = np.asarray(fft.rfftfreq(length, 1 / chirp.sample_rate_hz), np.float64)
    at_hz = np.maximum(frequency_hz, 1.0)
    group_s = chirp.rate_s * (1 - np.log(at_hz / chirp.start_hz)) - chirp.passes_start_s
    phase = np.exp(1j * (2 * np.pi * at_hz * group_s - np.pi / 4)).astype(np.complex64)
    band = half_cosine(np.log(at_hz / LOWEST_HZ[0]) / math.log(LOWEST_HZ[1] / LOWEST_HZ[0]))
    part = frequency_hz / chirp.sample_rate_hz
    band *= half_cosine((HIGHEST_OF_RATE[1] - part) / (HIGHEST_OF_RATE[1] - HIGHEST_OF_RATE[0]))
    single = band.astype(np.float32)
    for array in (frequency_hz, phase, single):
        array.flags.writeable = False
    return frequency_hz, phase, single


def _signed_lags_s(length: int, sample_rate_hz: float, latest_s: float) -> Array:
    """Lag of every frame of a periodic response; those beyond latest_s are negative ones."""
    lag_s = np.arange(length) / sample_rate_hz
    return np.where(lag_s > latest_s, lag_s - length / sample_rate_hz, lag_s)


def sweep_residual(captured: ArrayLike, silence: ArrayLike, nominal: Chirp, within_s: float = 0.3) -> Residual:
    """Take out of a capture what the sweep itself, the unit's linear response and its low-order harmonics make.

    Parameters
    ----------
    captured : array_like, shape (frames,)
        Capture, free of constant offset.
    silence : array_like, shape (silent_frames,)
        Recording with nothing played, same gain.
    nominal : Chirp
        The sweep as it was sent; at the microphone it arrives up to within_s later.
    within_s : float
        Greatest latency and flight together.

    Returns
    -------
    Residual

    Raises
    ------
    ValueError
        If the capture is not finite or too short for the sweep, or as `noise_density`.
    """
    capture, rate_hz = np.asarray(captured, np.float64), nominal.sample_rate_hz
    if capture.ndim != 1 or capture.size < nominal.seconds * rate_hz or not np.all(np.isfinite(capture)):
        raise ValueError(f"need a finite capture that holds all of the sweep, found shape {capture.shape}")
    # Even multiples of a power of two, so that the low band is a transform of its own and both are quick.
    decimation = 2 ** max(0, math.floor(math.log2(rate_hz / (2 * UNDER_HZ[1]))))
    length = 2 * decimation * fft.next_fast_len(-(-capture.size // (2 * decimation)), real=True)
    frequency_hz, phase, band = _chirp_phase(nominal, length)
    noise = noise_density(silence, rate_hz)
    level = np.asarray(1 / np.sqrt(np.interp(frequency_hz, *noise)), np.float32)
    # Single precision errs by less than a millionth of the sweep's RMS value: below any converter's noise.
    dechirped = fft.rfft(capture.astype(np.float32), length) * phase.conj()
    late_s, after_s, under = _under(dechirped, frequency_hz, phase, level, nominal, length, decimation, within_s)
    response = fft.irfft(dechirped * band, length)
    _keep_above(response, nominal, late_s)
    above = fft.rfft(response) * phase
    chirp = Chirp(nominal.start_hz, nominal.stop_hz, nominal.seconds, rate_hz, nominal.passes_start_s + late_s)
    return Residual(
        chirp=chirp,
        samples=fft.irfft(above, length)[: capture.size].astype(np.float64),
        white=fft.irfft(above * level, length)[: capture.size].astype(np.float64),
        under=under[: capture.size // decimation],
        under_rate_hz=rate_hz / decimation,
        under_after_s=after_s,
        noise=noise,
    )


def _keep_above(response: Single, chirp: Chirp, late_s: float) -> None:
    """Silence, in place, the lags of the linear response and of the low harmonics, those of high ones being left."""
    rate_hz, rate_s = chirp.sample_rate_hz, chirp.rate_s
    shut, opened = (round((late_s - rate_s * math.log(order)) * rate_hz) for order in ORDERS)
    # Frames count from the end where lags are negative.
    fall = np.arange(opened, shut)
    part = (late_s - fall / rate_hz) / rate_s - math.log(ORDERS[0])
    response[opened:shut] *= half_cosine(part / math.log(ORDERS[1] / ORDERS[0])).astype(np.float32)
    response[min(shut, -1) :] = 0.0
    response[: round((late_s + DECAYED_S) * rate_hz)] = 0.0


def _under(
    dechirped: SingleComplex,
    frequency_hz: Array,
    phase: SingleComplex,
    level: Single,
    chirp: Chirp,
    length: int,
    decimation: int,
    within_s: float,
) -> tuple[float, float, Array]:
    """Latency, how long the room sounds, and what sounds long after the sweep has passed, whitened, at a lower rate."""
    short = length // decimation
    rate_hz = chirp.sample_rate_hz / decimation
    lines = slice(0, short // 2 + 1)
    at_hz = frequency_hz[lines]
    high_hz = min(UNDER_HZ[1], chirp.stop_hz)
    band = half_cosine(np.log(np.maximum(at_hz, 1) / UNDER_HZ[0]) / math.log(1.5))
    band *= half_cosine(np.log(high_hz / np.maximum(at_hz, 1)) / math.log(1.25))
    band = band.astype(np.float32)
    response = fft.irfft(dechirped[lines] * band, short)
    early_s = length / chirp.sample_rate_hz / 2
    lag_s = _signed_lags_s(short, rate_hz, early_s)
    late_s = float(lag_s[np.argmax(np.abs(response) * ((lag_s > -0.01) & (lag_s < within_s)))])
    # From here on lags up to the end of the capture, at the lowest frequency, count as positive.
    lag_s = _signed_lags_s(short, rate_hz, length / chirp.sample_rate_hz - 0.6)
    white = fft.irfft(dechirped[lines] * band * level[lines], short)
    # Where the room is silent for certain; a short capture has less than a second to show.
    settled = lag_s > min(1.0, 0.75 * float(lag_s.max()))
    after_s = _decayed_s(np.asarray(white, np.float64), rate_hz, late_s, float(np.median(white[settled] ** 2)))
    white *= half_cosine((lag_s - late_s - after_s) / 0.05).astype(np.float32)
    # A transform cut to its lower lines and made shorter gives samples larger by the decimation.
    return late_s, after_s, np.asarray(fft.irfft(fft.rfft(white) * phase[lines], short) / decimation, np.float64)


def _decayed_s(white: Array, rate_hz: float, late_s: float, floor: float) -> float:
    """Lag at which the decay of the room, a straight line in decibels, has fallen below the noise by 10 dB."""
    first = round((late_s + DECAY_SEEN_S[0]) * rate_hz)
    block = round(DECAY_BLOCK_S * rate_hz)
    count = round((DECAY_SEEN_S[1] - DECAY_SEEN_S[0]) / DECAY_BLOCK_S)
    energy = np.mean(white[first : first + count * block].reshape(count, block) ** 2, axis=1)
    lag_s = DECAY_SEEN_S[0] + (np.arange(count) + 0.5) * DECAY_BLOCK_S
    # The median of squared noise is 0.455 of its mean.
    over_db = 10 * np.log10(np.maximum(energy * 0.455 / floor, 1e-9))
    seen = over_db > 6.0
    if over_db[0] < DECAY_OVER_NOISE_DB or np.count_nonzero(seen) < 4:
        return UNDER_AFTER_S[0]
    slope, start = np.polyfit(lag_s[seen], over_db[seen], 1)
    rough_db = float(np.std(over_db[seen] - start - slope * lag_s[seen]))
    if -slope * (DECAY_SEEN_S[1] - DECAY_SEEN_S[0]) < DECAY_AT_LEAST_DB or rough_db > DECAY_ROUGHNESS_DB:
        return UNDER_AFTER_S[0]
    return float(np.clip((-10.0 - start) / slope, *UNDER_AFTER_S))
