"""What an operating system may do to a recording without being asked: level it, gate it, convert its rate."""

from collections.abc import Callable
from fractions import Fraction

import numpy as np
import scipy

from rig.signals.arrays import Floats

#: Levels are followed in steps of so long; made up.
STEP_S = 0.001
#: An automatic gain moves levels half the way to this one, relative to full scale; made up.
LEVELLED_DB = -50.0
LEVELLED_ATTACK_S, LEVELLED_RELEASE_S = 0.01, 0.3
#: A noise suppression lets through what stands so far above the noise it heard first; made up.
OPENS_OVER_DB = 9.0
GATE_ATTACK_S, GATE_RELEASE_S = 0.005, 0.1
BEGINS_WITHIN_S = 0.1
SILENT = 1e-12


def levelled(rows: Floats, sample_rate_hz: float, range_db: float) -> Floats:
    """Rows behind an automatic gain of compression 2 : 1 that moves within a range.

    Parameters
    ----------
    rows : array of shape (inputs, frames)
        Full scale is 1.
    range_db : float
        From the least gain to the greatest.
    """

    def gain(row: Floats) -> Floats:
        level_db = 10 * np.log10(_followed(row, sample_rate_hz, LEVELLED_ATTACK_S, LEVELLED_RELEASE_S) + SILENT)
        gain_db = np.clip(0.5 * (LEVELLED_DB - level_db), -range_db / 2, range_db / 2)
        return np.asarray(10 ** (gain_db / 20))

    return _with_gain(rows, sample_rate_hz, gain)


def suppressed(rows: Floats, sample_rate_hz: float, by_db: float) -> Floats:
    """Rows behind a gate that lowers what is no louder than the noise at their beginning."""

    def gain(row: Floats) -> Floats:
        level = _followed(row, sample_rate_hz, GATE_ATTACK_S, GATE_RELEASE_S)
        first = np.mean(level[: round(BEGINS_WITHIN_S / STEP_S)])
        return np.where(level > first * 10 ** (OPENS_OVER_DB / 10), 1.0, 10 ** (-by_db / 20))

    return _with_gain(rows, sample_rate_hz, gain)


def band_limited(rows: Floats, sample_rate_hz: float, edge_hz: float) -> Floats:
    """Rows without anything above an edge, as after a conversion to twice that rate and back."""
    length = scipy.fft.next_fast_len(rows.shape[1] + 4096, real=True)
    spectrum = scipy.fft.rfft(rows, length, axis=1)
    spectrum[:, scipy.fft.rfftfreq(length, 1 / sample_rate_hz) > edge_hz] = 0
    return np.asarray(scipy.fft.irfft(spectrum, length, axis=1)[:, : rows.shape[1]])


def at_rate(rows: Floats, sample_rate_hz: float, actual_hz: float) -> Floats:
    """Rows as a converter that runs at another rate would deliver them: as many frames, the last ones zero."""
    ratio = Fraction(actual_hz / sample_rate_hz).limit_denominator(1000)
    converted = scipy.signal.resample_poly(rows, ratio.numerator, ratio.denominator, axis=1)
    missing = max(0, rows.shape[1] - converted.shape[1])
    return np.asarray(np.pad(converted, ((0, 0), (0, missing)))[:, : rows.shape[1]])


def _followed(row: Floats, sample_rate_hz: float, attack_s: float, release_s: float) -> Floats:
    """Mean square of a row in steps, rising and falling with two time constants."""
    step = round(STEP_S * sample_rate_hz)
    power = np.mean(row[: row.size // step * step].reshape(-1, step) ** 2, axis=1)
    rise, fall = 1 - np.exp(-STEP_S / attack_s), 1 - np.exp(-STEP_S / release_s)
    level = np.empty(power.size)
    now = float(np.mean(power[: round(BEGINS_WITHIN_S / STEP_S)]))
    for n, step_power in enumerate(power):
        now += (rise if step_power > now else fall) * (step_power - now)
        level[n] = now
    return level


def _with_gain(rows: Floats, sample_rate_hz: float, gain_of: Callable[[Floats], Floats]) -> Floats:
    step = round(STEP_S * sample_rate_hz)
    frames = np.arange(rows.shape[1])
    gains = [gain_of(row) for row in rows]
    return np.stack(
        [
            row * np.interp(frames, (np.arange(gain.size) + 0.5) * step, gain)
            for row, gain in zip(rows, gains, strict=True)
        ]
    )
