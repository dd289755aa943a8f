"""What is left of a captured sweep when everything smooth and low-order is taken out.

Above the sweep: filters that track it (`tracking`) keep what lies above ten times its frequency, and what lies between
it and its second harmonic. No harmonic is estimated or subtracted, so that none can be left over.

Below the sweep: the capture is dechirped, its spectrum being turned by the conjugate phase of the endless exponential
sweep, ``exp(i (2 pi f L (1 - ln(f / start_hz)) - pi / 4))`` (stationary phase; Novak, Lotton and Simon, JAES 63(10),
2015). A sound of frequency f at time t then stands at the lag ``t - t(f)``, t(f) being the time at which the sweep
passes f: the linear response and the room's decay at lags from 0 on. What stands at lags beyond the decay, turned back
by the same phase, is what sounds below the sweep and is not its own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals.arrays import Complex64, Floats, Singles
from rig.signals.gating import half_cosine
from rig.signals.smoothing import smooth_power
from rig.signals.tracking import HIGHEST_OF_RATE, Chirp, between, high_pass, tracked

#: Band in which the capture is searched for sounds well below the sweep (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
UNDER_HZ = (60.0, 3000.0)
#: Sounds so long after the sweep has passed their frequency are not its own any more: the first in a room that is dead
#: by then, the second at most (our choice; tests/benchmarks/rub_and_buzz_detection.py).
UNDER_AFTER_S = (0.35, 0.9)
UNDER_RISE_S = 0.05
DECAY_SEEN_S = (0.05, 0.3)
DECAY_BLOCK_S = 0.025
DECAY_AT_LEAST_DB = 12.0
DECAY_OVER_NOISE_DB = 25.0
#: The room's decay is read off between these lags, in blocks: it begins so far above the noise, falls by so much at
#: least, and follows a straight line so well. A noise from outside does not (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
DECAY_ROUGHNESS_DB = 2.0
#: Greatest latency and flight together; our choice.
ARRIVES_WITHIN_S = 0.3
#: Lags nearer than this to the end of the periodic response are negative ones: the low harmonics' (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
BEFORE_S = 0.6
SEGMENT_S = 0.04
DENSITY_FRACTION = 3
PULSE_DECAY_S = 0.00025
#: The standard pulse of an abrupt contact: an exponential behind a high-pass of fourth order (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
PULSE_HIGH_PASS_HZ = 1500.0


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
    pulse : ndarray, shape (frames,)
        The same behind a filter matched to the standard pulse in this noise; any unit, noise being as loud at all
        times. It peaks where a pulse begins.
    beside : ndarray, shape (frames,)
        What lies between the sweep and its second harmonic, divided by the density of the noise likewise.
    under : ndarray, shape (frames / decimation,)
        What sounds well below the sweep, divided by the density of the noise likewise.
    under_rate_hz : float
        Sample rate of `under`.
    under_after_s : float
        How long after the sweep has passed a frequency `under` begins there.
    noise : tuple of ndarray
        The noise that all were divided by, from `noise_density`.
    """

    chirp: Chirp
    samples: Singles
    white: Singles
    pulse: Singles
    beside: Singles
    under: Singles
    under_rate_hz: float
    under_after_s: float
    noise: tuple[Floats, Floats]


def noise_density(silence: ArrayLike, sample_rate_hz: float) -> tuple[Floats, Floats]:
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
    pieces = np.lib.stride_tricks.sliding_window_view(recording.astype(np.float32), segment)[:: segment // 2]
    window = scipy.signal.get_window("hann", segment).astype(np.float32)
    spectra = scipy.fft.rfft((pieces - pieces.mean(axis=1, keepdims=True)) * window, axis=1)
    power = np.median(spectra.real**2 + spectra.imag**2, axis=0).astype(np.float64)
    density = 2 * power / (_median_of_mean(pieces.shape[0]) * sample_rate_hz * float(np.sum(window**2)))
    line_hz = np.arange(density.size) * sample_rate_hz / segment
    grid_hz = np.geomspace(2 * line_hz[1], HIGHEST_OF_RATE[1] * sample_rate_hz, 60)
    smooth = smooth_power(density[1:], line_hz[1:], grid_hz, DENSITY_FRACTION)
    if not np.all(smooth > 0):
        raise ValueError("the silence holds no noise in some band: nothing was recorded there")
    return grid_hz, smooth


def _median_of_mean(count: int) -> float:
    """Median of so many exponentially distributed powers, over their mean: ``1 - 1/2 + 1/3 - ...`` (Allen et al.)."""
    odd = count if count % 2 else count - 1
    return float(sum((-1) ** (n + 1) / n for n in range(1, odd + 1)))


@lru_cache(maxsize=4)
def standard_pulse(sample_rate_hz: float, frames: int = 4096) -> tuple[Floats, Complex64]:
    """Frequencies of a transform and the spectrum (per Hz) of the standard pulse there, its peak being 1."""
    pulse = np.exp(-np.arange(frames) / sample_rate_hz / PULSE_DECAY_S)
    pulse = scipy.signal.sosfilt(
        scipy.signal.butter(4, PULSE_HIGH_PASS_HZ, "high", fs=sample_rate_hz, output="sos"), pulse
    )
    spectrum = scipy.fft.rfft(pulse / np.max(np.abs(pulse)) / sample_rate_hz)
    line_hz = np.asarray(scipy.fft.rfftfreq(frames, 1 / sample_rate_hz), np.float64)
    return line_hz, np.asarray(spectrum, np.complex64)


def sweep_residual(
    captured: ArrayLike,
    silence: ArrayLike,
    nominal: Chirp,
    rings: Sequence[float] | Floats = (1.0,),
) -> Residual:
    """Take out of a capture what the sweep itself, the unit's linear response and its low-order harmonics make.

    Parameters
    ----------
    captured : array_like, shape (frames,)
        Capture, free of constant offset.
    silence : array_like, shape (silent_frames,)
        Recording with nothing played, same gain.
    nominal : Chirp
        The sweep as it was sent; at the microphone it arrives up to `ARRIVES_WITHIN_S` later.
    rings : array_like, shape (taps,)
        Filter that ends the ringing of the unit's resonances, from `ringing.ringing_filter`; all that is searched
        above the sweep and beside it has passed it.

    Returns
    -------
    Residual

    Raises
    ------
    ValueError
        If the capture is not finite or too short for the sweep, or as `noise_density`.
    """
    # Singles precision errs by less than a millionth of the sweep's RMS value: below any converter's noise.
    capture, rate_hz = np.asarray(captured, np.float32), nominal.sample_rate_hz
    if capture.ndim != 1 or capture.size < nominal.seconds * rate_hz or not np.all(np.isfinite(capture)):
        raise ValueError(f"need a finite capture that holds all of the sweep, found shape {capture.shape}")
    noise = noise_density(silence, rate_hz)
    late_s, after_s, under, under_rate_hz = _under(capture, noise, nominal)
    chirp = replace(nominal, passes_start_s=nominal.passes_start_s + late_s)
    passes_start, still = round(chirp.passes_start_s * rate_hz), replace(nominal, passes_start_s=0.0)
    above, beside = high_pass(still), between(still)
    power = np.interp(above.frequency_hz, *noise)
    ends = np.asarray(scipy.fft.rfft(np.asarray(rings, np.float64), above.window.size))
    level = (ends / np.sqrt(power)).astype(np.complex64)
    # Matched to a known waveform in coloured noise: its conjugate spectrum over the noise's density.
    _, pulse = standard_pulse(rate_hz, above.window.size)
    conjugate = pulse.conj() * (ends * np.min(power) / power).astype(np.complex64)
    passed = (above.filters**2 @ (np.abs(conjugate) ** 2 * power)).astype(np.float32)
    matched = conjugate / np.sqrt(np.maximum(passed, 1e-6 * np.max(passed)))[:, np.newaxis]
    samples, white, pulses = tracked(capture, above, passes_start, (None, level, matched))
    (besides,) = tracked(capture, beside, passes_start, (level,))
    return Residual(chirp, samples, white, pulses, besides, under, under_rate_hz, after_s, noise)


@dataclass(frozen=True, eq=False)
class _Low:
    """The lower lines of a transform of a capture: what they are turned by, and the band that is searched."""

    length: int
    decimation: int
    frequency_hz: Floats
    phase: Complex64
    band: Singles


@lru_cache(maxsize=4)
def _low(chirp: Chirp, frames: int) -> _Low:
    rate_hz = chirp.sample_rate_hz
    # Even multiples of a power of two, so that the low band is a transform of its own and both are quick.
    decimation = 2 ** max(0, math.floor(math.log2(rate_hz / (2 * UNDER_HZ[1]))))
    length = 2 * decimation * scipy.fft.next_fast_len(-(-frames // (2 * decimation)), real=True)
    at_hz = np.maximum(np.arange(length // decimation // 2 + 1) * rate_hz / length, 1.0)
    group_s = chirp.rate_s * (1 - np.log(at_hz / chirp.start_hz)) - chirp.passes_start_s
    phase = np.exp(1j * (2 * np.pi * at_hz * group_s - np.pi / 4)).astype(np.complex64)
    high_hz = min(UNDER_HZ[1], chirp.stop_hz)
    band = half_cosine(np.log(at_hz / UNDER_HZ[0]) / math.log(1.5))
    band *= half_cosine(np.log(high_hz / at_hz) / math.log(1.25))
    return _Low(length, decimation, at_hz, phase, band.astype(np.float32))


def _under(capture: Singles, noise: tuple[Floats, Floats], chirp: Chirp) -> tuple[float, float, Singles, float]:
    """Latency, how long the room sounds, and what sounds long after the sweep has passed, whitened, and its rate."""
    low = _low(chirp, capture.size)
    short, rate_hz = low.length // low.decimation, chirp.sample_rate_hz / low.decimation
    dechirped = scipy.fft.rfft(capture, low.length)[: low.phase.size] * low.phase.conj() * low.band
    response = np.abs(scipy.fft.irfft(dechirped, short))
    early = round(0.01 * rate_hz)
    nearby = np.concatenate((response[-early:], response[: round(ARRIVES_WITHIN_S * rate_hz)]))
    late = int(np.argmax(nearby)) - early
    dechirped *= (1 / np.sqrt(np.interp(low.frequency_hz, *noise))).astype(np.float32)
    white = scipy.fft.irfft(dechirped, short)
    latest = short - round(BEFORE_S * rate_hz)
    # Where the room is silent for certain; a short capture has less than a second to show.
    settled = white[round(min(1.0, 0.75 * latest / rate_hz) * rate_hz) : latest]
    after_s = _decayed_s(white.astype(np.float64), rate_hz, late / rate_hz, float(np.median(settled**2)))
    opens, rise = late + round(after_s * rate_hz), round(UNDER_RISE_S * rate_hz)
    white[:opens] = 0.0
    white[latest:] = 0.0
    white[opens : opens + rise] *= half_cosine(np.arange(rise) / rise).astype(np.float32)
    # A transform cut to its lower lines and made shorter gives samples larger by the decimation.
    under = scipy.fft.irfft(scipy.fft.rfft(white) * low.phase, short) / low.decimation
    return late / rate_hz, after_s, under[: capture.size // low.decimation].astype(np.float32), rate_hz


def _decayed_s(white: Floats, rate_hz: float, late_s: float, floor: float) -> float:
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
