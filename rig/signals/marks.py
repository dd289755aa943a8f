"""When a stimulus arrived in a recording, and how far apart its two marks are there.

Unit and room do the same to both marks, so that their distance says something of the recording alone.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from rig.signals import defects, stimulus
from rig.signals.arrays import Bools, Complex, Complex64, Floats, Singles

Layout = stimulus.Layout

#: Lines of a spectrum are cut off at so many times its median; our choice.
LINE_LIMIT = 10.0
#: A mark this many standard deviations above the noise is there; our choice.
MARK_PRESENT = 6.0
#: The same for two marks against each other, which are searched for close to their place; our choice.
LIKENESS = 4.0
#: Marks that differ by more are not both marks; our choice.
MOST_UNEQUAL = 4.0
#: How far around its expected place a mark is looked for; our choice.
MARK_REACH_S = 0.08
#: Room in the windows around the marks, before them; three times as much is left after, for the room's answer; our
#: choice.
MARK_MARGIN_S = 0.01


@dataclass(frozen=True)
class Timing:
    """What the marks say of a row."""

    #: Samples from the first mark as played to its arrival.
    delay: float
    #: Distance of the recorded marks minus the distance played, in samples, and its standard uncertainty.
    shift: float
    uncertainty: float


@dataclass(frozen=True, eq=False)
class _Mark:
    """The mark as it was played, and a window to read its recordings through."""

    template: Floats
    window: Floats
    #: Lines of the window's spectrum that lie in the mark's band.
    inside: Bools
    #: Squared spectrum of the mark, and its spectrum behind the window.
    power: Floats
    known: Complex


def arrival(row: Singles, plan: Layout, max_delay_s: float) -> tuple[float, float]:
    """Coarse delay in samples and strength of the stimulus in a row.

    Correlation with the stimulus, whitened so that all its band counts alike; the strength is the peak over the
    standard deviation that noise of the row's own spectrum would give (noise alone reaches five). Single precision:
    whole frames are all that is asked for. In a row that no converter gave nothing arrived.
    """
    if defects.beyond_converters(row):
        return 0.0, 0.0
    latest = int(max_delay_s * plan.sample_rate_hz)
    # A circular correlation of this length is right for the lags from 0 to the latest, which are all that count.
    length = scipy.fft.next_fast_len(max(row.size, plan.frames + latest + 1), real=True)
    band, white = _whitener(plan, length)
    received = scipy.fft.rfft(row, length)
    lines = received[band]
    power = lines.real**2 + lines.imag**2
    # Hum stands in a few lines of the spectrum; it may not outweigh the others. An eighth of them tells the median.
    highest = LINE_LIMIT**2 * np.median(power[::8])
    loud = np.flatnonzero(power > highest)
    lines[loud] *= np.sqrt(highest / power[loud])
    lines *= white
    received[: band.start] = 0
    received[band.stop :] = 0
    reach = np.abs(scipy.fft.irfft(received, length, overwrite_x=True)[: latest + 1])
    # The energy of noise is spread over all the lags at which the row and the stimulus overlap.
    energy = 2 * float(np.sum(np.minimum(power, highest), dtype=np.float64)) / length
    spread = np.sqrt(energy / (row.size + plan.frames))
    peak = int(np.argmax(reach))
    return (float(peak), float(reach[peak] / spread)) if spread > 0 else (0.0, 0.0)


@lru_cache(maxsize=8)
def _whitener(plan: Layout, length: int) -> tuple[slice, Complex64]:
    """The stimulus's band among the lines of a spectrum, and the stimulus's conjugate phase there."""
    step_hz = plan.sample_rate_hz / length
    band = slice(math.ceil(plan.start_hz / step_hz), math.floor(plan.stop_hz / step_hz) + 1)
    known = scipy.fft.rfft(stimulus.compose(plan), length)[band].conj()
    white = np.divide(known, np.abs(known), out=np.zeros_like(known), where=known != 0)
    return band, white.astype(np.complex64)


def timing_of(row: Floats, plan: Layout, delay: float, within: int | None = None) -> Timing | None:
    """Arrival of the first mark and distance to the second, or None where they cannot be found.

    Parameters
    ----------
    row
        Shape (frames,), the recording of one input.
    plan
        Layout of the stimulus.
    delay
        Samples by which the stimulus arrived late, coarsely.
    within
        The second mark is no further than this from where the first one says, in samples; if not given, it is sought
        far enough around for lost samples.
    """
    if defects.beyond_converters(row):
        return None
    mark = _mark(plan)
    template, window, inside = mark.template, mark.window, mark.inside
    reach = int(MARK_REACH_S * plan.sample_rate_hz)
    margin = int(MARK_MARGIN_S * plan.sample_rate_hz)
    length = window.size
    first, stop = (0, plan.mark_before) if plan.has_sweep else (plan.between_marks.start, plan.between_marks.stop)
    noise = _noise_power(row[max(first + int(delay), 0) : stop + int(delay) - margin], window)
    places: list[tuple[int, float]] = []
    for start, before, behind in ((plan.mark_before, reach, reach), (plan.mark_after, 2 * reach, reach)):
        about = int(delay) + start
        if places and within is not None:
            about, before, behind = places[0][0] + plan.mark_after - plan.mark_before, within, within
        found = _find(row, template, about - before, about + behind + plan.mark_frames)
        if found is None:
            return None
        places.append(found)
    floor = np.sqrt(np.sum(noise[inside] * mark.power[inside]) * 2 / length**2)
    strengths = [strength for _, strength in places]
    if min(strengths) <= MARK_PRESENT * floor or max(strengths) > MOST_UNEQUAL * min(strengths):
        return None
    first, second = (place - margin for place, _ in places)
    if first < 0 or second < 0 or second + length > row.size + margin:
        return None
    early = scipy.fft.rfft(window * _padded(row, first, length))
    for _ in range(2):
        late = scipy.fft.rfft(window * _padded(row, second, length))
        shift, uncertainty = _phase_delay(early, late, noise, inside)
        if not round(shift):
            break
        second, shift = second + round(shift), shift - round(shift)
    fine, _ = _phase_delay(mark.known, early, noise, inside)
    spacing = second - first + shift
    return Timing(
        delay=first + margin + fine - plan.mark_before,
        shift=spacing - (plan.mark_after - plan.mark_before),
        uncertainty=uncertainty,
    )


@lru_cache(maxsize=8)
def _mark(plan: Layout) -> _Mark:
    template = stimulus.mark(plan)
    margin = int(MARK_MARGIN_S * plan.sample_rate_hz)
    length = 2 * ((plan.mark_frames + 4 * margin) // 2)
    window = np.asarray(scipy.signal.windows.tukey(length, 0.2), dtype=np.float64)
    frequency = np.arange(length // 2 + 1) / length * plan.sample_rate_hz
    return _Mark(
        template=template,
        window=window,
        inside=(frequency >= plan.mark_low_hz) & (frequency <= plan.mark_high_hz),
        power=np.abs(scipy.fft.rfft(template, length)) ** 2,
        known=scipy.fft.rfft(window * _padded(template, -margin, length)),
    )


def _padded(row: Floats, start: int, length: int) -> Floats:
    """A stretch of a row, zero where the row ends."""
    piece = np.zeros(length)
    part = row[max(start, 0) : max(start + length, 0)]
    piece[max(-start, 0) : max(-start, 0) + part.size] = part
    return piece


def _noise_power(silence: Floats, window: Floats) -> Floats:
    """Mean squared spectrum of noise behind a window, shape (window.size // 2 + 1,)."""
    length = window.size
    enough = _padded(silence, 0, max(silence.size, length))
    pieces = np.lib.stride_tricks.sliding_window_view(enough, length)[:: max(length // 2, 1)]
    spectra = scipy.fft.rfft(window * (pieces - pieces.mean(axis=1, keepdims=True)))
    power = np.mean(spectra.real**2 + spectra.imag**2, axis=0)
    # Few windows scatter; noise is smooth over frequency, so neighbours help.
    return np.asarray(np.convolve(np.pad(power, 4, mode="edge"), np.full(9, 1 / 9), "valid"))


def _find(row: Floats, template: Floats, first: int, stop: int) -> tuple[int, float] | None:
    """Place and strength of a mark between two frames, or None where the capture does not reach."""
    first = max(first, 0)
    piece = row[first : min(stop, row.size)]
    if piece.size < template.size:
        return None
    match = np.abs(scipy.signal.correlate(piece - piece.mean(), template, mode="valid"))
    peak = int(np.argmax(match))
    return first + peak, float(match[peak])


def _phase_delay(early: Complex, late: Complex, noise: Floats, inside: Bools) -> tuple[float, float]:
    """Samples by which one spectrum lags another, and the standard uncertainty.

    The greatest value of the correlation that is whitened by the noise, which is the likeliest delay for an unknown
    signal in two recordings (after Knapp and Carter, IEEE Trans. ASSP 24(4), 1976). Its variance, for a signal
    power A and a noise power N in both, is sum(w^2 (A/N + 1/2)) / sum(w^2 A/N)^2.
    """
    length = 2 * (noise.size - 1)
    omega = 2 * np.pi * np.flatnonzero(inside) / length
    floor = np.maximum(noise[inside], 1e-7 * np.mean(np.abs(early[inside]) ** 2))
    cross = np.zeros(noise.size, dtype=np.complex128)
    cross[inside] = (late * early.conj())[inside] / floor
    finer = 8
    match = scipy.fft.irfft(cross, finer * length)
    lags = np.arange(match.size)
    lags[lags > match.size // 2] -= match.size
    delay = float(lags[np.argmax(match)]) / finer
    for _ in range(3):
        turned = cross[inside] * np.exp(1j * omega * delay)
        bend = float(np.sum(omega**2 * turned.real))
        alike = float(np.sum(turned.real))
        if bend <= 0 or alike < LIKENESS * np.sqrt(max(alike, 0.0) + turned.size / 2):
            return 0.0, float("inf")
        delay -= float(np.clip(np.sum(omega * turned.imag) / bend, -0.5, 0.5))
    rest = late[inside] - early[inside] * np.exp(-1j * omega * delay)
    # Where the recordings differ by more than the silence's noise, that difference is the noise.
    louder = max(1.0, float(np.mean(np.abs(rest) ** 2 / floor)) / 2)
    return delay, float(np.sqrt(louder * (bend + louder * np.sum(omega**2) / 2)) / bend)
