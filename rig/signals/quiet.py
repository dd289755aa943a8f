"""Recordings of silence: whether they can be trusted, mains hum in them, and the levels of their bands."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rig.signals import defects
from rig.signals.arrays import Floats, Singles
from rig.signals.bands import band_edges_hz, mid_bands_hz
from rig.signals.levels import REFERENCE_PRESSURE_PA

#: From here on a sample counts as clipped; our choice.
FULL_SCALE = 0.9999
#: Noise of a row below this is no converter's: less than the rounding of one of 24 bits, a step over the root of 12;
#: by definition.
LEAST_NOISE = 2.0**-23 / np.sqrt(12)
#: Of the two mains of the world, nominal; by definition.
MAINS_HZ = (50.0, 60.0)
#: Mains strays from its nominal frequency by less than this part (EN 50160: 1 % for 99.5 % of a year); our choice.
MAINS_WITHIN = 0.01
#: Of the mains that are looked at; our choice.
HARMONICS = 12
#: A line counts when it stands so far above the floor around it ... (our choice)
LINE_OVER_FLOOR_DB = 12.0
#: ... and hum is found when so many of the first harmonics do; our choice.
LINES_FOR_HUM = 2


def silence_troubles(samples: Singles, inputs: Sequence[str]) -> tuple[str, ...]:
    """What speaks against a recording of silence, in words.

    A live input is never still: noise of a converter's step or more changes from sample to sample, and never comes
    again as it was. Lost samples are shown by the marks about the silence, if there are any (`signals.integrity`).

    Parameters
    ----------
    samples : ndarray, shape (inputs, frames)
        Full scale is 1.0.
    inputs : sequence of str
        Names of the rows.
    """
    troubles = []
    for name, row in zip(inputs, samples, strict=True):
        if not np.all(np.isfinite(row)):
            troubles.append(f"{name}: samples that are not finite numbers")
        elif np.any(np.abs(row) >= FULL_SCALE) or defects.clipped(row):
            troubles.append(f"{name}: clipped in what should be silence")
        elif name == "microphone" and (words := dead_words(np.asarray(row, np.float32))):
            troubles.append(f"microphone: {words}")
    return tuple(troubles)


def dead_words(row: Singles) -> str:
    """Why a row, finite and of shape (frames,), is no live input's silence; empty: it may be one."""
    if not np.any(row):
        return "nothing but zeros, not even noise; is it plugged in and allowed to be used?"
    if np.std(row.astype(np.float64)) < LEAST_NOISE:
        return "less noise than any converter has; is the input the right one, and is something suppressing noise?"
    if still := defects.runs(row[1:] == row[:-1], defects.ZERO_RUN - 1):
        frames = max(stop - first for first, stop in still) + 1
        return (
            f"{frames} samples in a row are the same, as no live input gives them: samples were lost, or the gain is "
            "so low that the noise drowns in the converter's steps; turn it up"
        )
    if block := defects.repeated(row, row.size):
        return f"the samples from {block[0]} on are those of {block[1]} samples before (a repeated block)"
    return ""


@dataclass(frozen=True)
class Hum:
    """Mains hum in a recording."""

    #: Frequency of the mains as found; NaN when no hum stands out.
    mains_hz: float
    #: Level of all harmonics together, dB SPL; when none stands out, all that is heard at any mains frequency's.
    level_db: float
    #: Frequencies and levels of the lines that stand out, shape (lines,).
    line_hz: Floats
    line_db: Floats
    #: What noise alone gives in each.
    floor_db: Floats


def mains_hum(pressure_pa: ArrayLike, sample_rate_hz: float) -> Hum:
    """Find the mains frequency and the level of its harmonics in a recording of silence.

    The spectrum is taken with a Hann window. For each frequency near 50 and 60 Hz, in steps of a quarter of the
    resolution over the twelfth harmonic, the lines are summed that stand 12 dB above the median around them; the
    frequency with the most power in such lines is the mains, and is read at the highest of them.

    Parameters
    ----------
    pressure_pa : array_like, shape (frames,)
        Sound pressure; a second or more.
    sample_rate_hz : float
        Sample rate in Hz.

    Raises
    ------
    ValueError
        If the recording is shorter than half a second or not finite.
    """
    pressure = np.asarray(pressure_pa, np.float64)
    if pressure.size < sample_rate_hz / 2 or not np.all(np.isfinite(pressure)):
        raise ValueError("half a second or more of finite samples is needed to tell mains hum")
    window = np.hanning(pressure.size)
    spectrum = scipy.fft.rfft((pressure - pressure.mean()) * window)
    step_hz = sample_rate_hz / pressure.size
    power = 2 * np.abs(spectrum) ** 2 / window.sum() ** 2
    # A Hann window spreads a line over its neighbours; all of it is 1.5 times the power at the peak on a bin.
    line = np.convolve(power, np.ones(5), "same") / 1.5
    reach = max(round(12.0 / step_hz), 8)
    best = Hum(float("nan"), -np.inf, np.zeros(0), np.zeros(0), np.zeros(0))
    most = 0.0
    orders = np.arange(1, HARMONICS + 1)
    for nominal in MAINS_HZ:
        trials = np.arange(nominal * (1 - MAINS_WITHIN), nominal * (1 + MAINS_WITHIN), step_hz / (4 * HARMONICS))
        bins = np.rint(np.multiply.outer(trials, orders) / step_hz).astype(int)
        floors = np.array([_floor(line, round(n * nominal / step_hz), reach) for n in orders])
        stands = line[bins] > floors * 10 ** (LINE_OVER_FLOOR_DB / 10)
        powers = np.where(stands, line[bins], 0.0).sum(axis=1)
        top = int(np.argmax(powers))
        own = stands[top]
        most = max(most, float(line[bins].sum(axis=1).max()))
        if own[:6].sum() >= LINES_FOR_HUM and _db(powers[top]) > best.level_db:
            lines_hz = np.array([_peak_hz(power, n, step_hz) for n in bins[top][own]])
            mains_hz = float(lines_hz[-1] / orders[own][-1])
            best = Hum(mains_hz, float(_db(powers[top])), lines_hz, _db(line[bins[top][own]]), _db(floors[own]))
    if np.isnan(best.mains_hz):
        return replace(best, level_db=float(_db(most)))
    return best


def _peak_hz(power: Floats, near: int, step_hz: float) -> float:
    """Frequency of the peak near a bin, by a parabola through three decibel values."""
    at = near - 2 + int(np.argmax(power[near - 2 : near + 3]))
    low, mid, high = _db(power[at - 1 : at + 2])
    return float((at + 0.5 * (low - high) / (low - 2 * mid + high)) * step_hz)


#: Square of the reference pressure, Pa^2; by definition.
_P0 = REFERENCE_PRESSURE_PA**2


def _floor(line: Floats, at: int, reach: int) -> float:
    around = np.concatenate([line[max(at - reach, 1) : max(at - 4, 1)], line[at + 5 : at + reach]])
    return float(np.median(around))


def _db(power_pa2: ArrayLike) -> Floats:
    level: Floats = 10 * np.log10(np.maximum(np.asarray(power_pa2, np.float64), 1e-30) / _P0)
    return level


def band_levels_db(
    pressure_pa: ArrayLike, sample_rate_hz: float, start_hz: float, stop_hz: float
) -> tuple[Floats, Floats]:
    """Third-octave band levels of a recording in dB SPL: mid-band frequencies and levels, shape (bands,).

    Bands after IEC 61260-1; the power of each is the sum of the spectrum's lines within its edges.
    """
    pressure = np.asarray(pressure_pa, np.float64)
    power = 2 * np.abs(scipy.fft.rfft(pressure - pressure.mean())) ** 2 / pressure.size**2
    frequency_hz = scipy.fft.rfftfreq(pressure.size, 1 / sample_rate_hz)
    # Whole bands, and nominal frequencies are rounded: the band at 2000 Hz has its middle at 1995 Hz.
    mids = mid_bands_hz(start_hz * 0.97 / 10**0.05, stop_hz * 1.03 * 10**0.05, 3)
    lower, upper = band_edges_hz(mids, 3)
    running = np.concatenate(([0.0], np.cumsum(power)))
    inside = running[np.searchsorted(frequency_hz, upper)] - running[np.searchsorted(frequency_hz, lower)]
    return mids, _db(inside)
