"""Whether a capture is a true record of what the converter heard: found from its samples, since flags prove nothing.

Two ways to prove the timing. With the marks alone (a microphone): the distance between the two recorded marks, which
the unit and the room affect alike, must be the distance that was played. With an electrical reference (a loopback,
or the drive at the leads) the sweep itself is compared as well, piece by piece, which tells a clock difference
from lost samples and finds disturbances that leave the distance alone.

A noise in the room is no disturbance of the stream and is not looked for here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.signal import correlate
from scipy.signal.windows import tukey

from rig.signals import comparison, defects, stimulus

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Layout = stimulus.Layout

#: A peak of the correlation this many standard deviations above the noise is a signal; noise alone reaches five.
PRESENT = 8.0
#: Lines of a spectrum are cut off at so many times its median.
LINE_LIMIT = 10.0
MARK_PRESENT = 6.0
#: The same for two marks against each other, which are searched for close to their place.
LIKENESS = 4.0
#: Standard uncertainties that a shift must exceed to count.
SIGNIFICANT = 5.0
#: Shifts in samples that are never counted: what a microphone may move, and what a converter may wander.
FLOOR_ACOUSTIC = 0.4
FLOOR_ELECTRICAL = 0.2
#: A timing known less well than this proves too little: 8 lost samples cost up to 1.2 dB (in a model).
WORST_TIMING = 8.0
#: How far around its expected place a mark is looked for.
MARK_REACH_S = 0.08
#: Room in the windows around the marks, before them; three times as much is left after, for the room's answer.
MARK_MARGIN_S = 0.01
#: Rest of a piece of the reference, relative to the piece, that its own filtering cannot explain.
FOREIGN = 0.1
NAN = float("nan")


@dataclass(frozen=True)
class Integrity:
    """What a capture says about itself."""

    #: In a builder's words; empty: the capture is sound.
    troubles: tuple[str, ...]
    #: From the stimulus's first frame to its arrival in the capture; NaN where no signal arrived.
    delay_samples: float
    #: Distance of the recorded marks minus the distance played, and its standard uncertainty.
    spacing_error_samples: float
    spacing_uncertainty_samples: float
    #: Clock of the recording over the clock of the playing, minus 1, in millionths; NaN where it cannot be told.
    clock_ppm: float
    #: Samples lost (positive) or inserted (negative) between the marks; NaN where they cannot be told.
    lost_samples: float
    #: Rows in which no signal arrived. Whether that is the unit's or the bench's fault is not said here.
    silent_rows: tuple[int, ...]
    #: Cut-off samples of each row.
    clipped_samples: tuple[int, ...]

    @property
    def is_sound(self) -> bool:
        """Whether nothing speaks against the capture."""
        return not self.troubles


@dataclass(frozen=True)
class _Timing:
    delay: float
    shift: float
    uncertainty: float


@dataclass(frozen=True, eq=False)
class _Mark:
    """The mark as it was played, and a window to read its recordings through."""

    template: Floats
    window: Floats
    #: Lines of the window's spectrum that lie in the mark's band.
    inside: NDArray[np.bool_]
    #: Squared spectrum of the mark, and its spectrum behind the window.
    power: Floats
    known: Complex


def inspect(
    samples: NDArray[np.floating],
    plan: Layout,
    reference_row: int | None = None,
    *,
    inputs: Sequence[str] = (),
    expected_frames: int | None = None,
    max_delay_s: float = 1.0,
) -> Integrity:
    """Look a capture over.

    Parameters
    ----------
    samples
        Shape (inputs, frames), full scale 1.0, `plan.frames` frames or more.
    plan
        The layout of the stimulus, at the device's actual sample rate.
    reference_row
        Row of an electrical copy of the stimulus (loopback, or the drive at the leads); None: microphones only.
    inputs
        Names of the rows, for the words.
    expected_frames
        How many frames the bench was to deliver, where that is known.
    max_delay_s
        Longest latency that is looked for.

    Raises
    ------
    ValueError
        If `samples` is not of shape (inputs, frames) with one input or more, or `reference_row` is not one of them.
    """
    if samples.ndim != 2 or samples.shape[0] < 1:
        raise ValueError(f"samples of shape {samples.shape} found; allowed is (inputs, frames)")
    if reference_row is not None and not 0 <= reference_row < samples.shape[0]:
        raise ValueError(f"reference row {reference_row} found; allowed is 0 to {samples.shape[0] - 1}")
    names = [inputs[row] if row < len(inputs) else f"input {row + 1}" for row in range(samples.shape[0])]
    if unusable := _unusable(samples, names, plan, expected_frames):
        return Integrity(unusable, NAN, NAN, NAN, NAN, NAN, (), ())
    rows = np.asarray(samples, dtype=np.float32)
    arrivals = [_arrival(row, plan, max_delay_s) for row in rows]
    clips = tuple(defects.clipped(row) for row in rows)
    silent = tuple(row for row, (_, strength) in enumerate(arrivals) if strength < PRESENT)
    troubles = tuple(
        f"{name}: {words}"
        for name, row, (delay, _), clip in zip(names, rows, arrivals, clips, strict=True)
        for words in _row_troubles(row, plan, delay, clip)
    )
    row = max(range(len(arrivals)), key=lambda i: arrivals[i][1]) if reference_row is None else reference_row
    found = Integrity(troubles, arrivals[row][0], NAN, NAN, NAN, NAN, silent, clips)
    if row in silent:
        place = names[row] if reference_row is not None or len(names) == 1 else "any input"
        return replace(found, troubles=(*troubles, f"no signal arrived at {place}"), delay_samples=NAN)
    return _with_timing(found, samples[row].astype(np.float64), plan, names[row], reference_row is not None)


def _with_timing(found: Integrity, row: Floats, plan: Layout, name: str, electrical: bool) -> Integrity:
    """What the marks, and on an electrical row the sweep, add to what is known of a capture."""
    timing = _timing(row, plan, found.delay_samples)
    if timing is None:
        missing_s = (found.delay_samples + plan.mark_after + plan.mark_frames - row.size) / plan.sample_rate_hz
        words = f"{name}: the timing marks around the sweep are missing or damaged"
        if missing_s > 0:
            words = f"{name}: the equipment's latency is {missing_s:.2f} s longer than the capture allows for"
        return replace(found, troubles=(*found.troubles, words))
    troubles, clock_ppm, lost = _judge_timing(row, plan, timing, electrical)
    return replace(
        found,
        troubles=(*found.troubles, *(f"{name}: {words}" for words in troubles)),
        delay_samples=timing.delay,
        spacing_error_samples=timing.shift,
        spacing_uncertainty_samples=timing.uncertainty,
        clock_ppm=clock_ppm,
        lost_samples=lost,
    )


def _unusable(
    samples: NDArray[np.floating], names: Sequence[str], plan: Layout, expected_frames: int | None
) -> tuple[str, ...]:
    """What forbids looking any further."""
    broken = [
        f"{name}: {count} samples are not finite numbers"
        for name, row in zip(names, samples, strict=True)
        if (count := int(np.count_nonzero(~np.isfinite(row))))
    ]
    return (*_wrong_count(samples.shape[1], plan, expected_frames), *broken)


def _wrong_count(frames: int, plan: Layout, expected: int | None) -> tuple[str, ...]:
    if expected is not None and frames != expected:
        return (f"{frames} frames were delivered where {expected} were asked for",)
    if frames < plan.frames:
        return (f"{frames} frames were delivered where the stimulus alone has {plan.frames}",)
    return ()


def _row_troubles(row: NDArray[np.float32], plan: Layout, delay: float, clipped: int) -> list[str]:
    """What one row's own samples say."""
    if not np.any(row):
        return ["every sample is exactly zero (muted, not connected, or no permission to record)"]
    troubles = []
    if clipped:
        troubles.append(f"{clipped} samples are cut off (clipping); turn the input's gain down")
    # A live input never gives exact zeros; a digital loopback does so wherever nothing is played.
    alive = np.mean(row[: plan.mark_before] == 0) < 0.1
    first, stop = (0, row.size) if alive else (plan.sweep_start + int(delay), plan.sweep_stop + int(delay))
    if block := defects.zeroed(row, first, stop):
        troubles.append(f"{block[1]} samples from {block[0] / plan.sample_rate_hz:.3f} s on are zero")
    if block := defects.repeated(row):
        at_s = block[0] / plan.sample_rate_hz
        troubles.append(f"samples at {at_s:.3f} s are those of {block[1]} samples before (a repeated block)")
    return troubles


def _arrival(row: NDArray[np.float32], plan: Layout, max_delay_s: float) -> tuple[float, float]:
    """Coarse delay in samples and strength of the stimulus in a row.

    Correlation with the stimulus, whitened so that all its band counts alike; the strength is the peak over the
    standard deviation that noise of the row's own spectrum would give (noise alone reaches five). Single precision:
    whole frames are all that is asked for.
    """
    latest = int(max_delay_s * plan.sample_rate_hz)
    # A circular correlation of this length is right for the lags from 0 to the latest, which are all that count.
    length = fft.next_fast_len(max(row.size, plan.frames + latest + 1), real=True)
    band, white = _whitener(plan, length)
    heard = fft.rfft(row, length)
    lines = heard[band]
    power = lines.real**2 + lines.imag**2
    # Hum stands in a few lines of the spectrum; it may not outweigh the others. An eighth of them tells the median.
    highest = LINE_LIMIT**2 * np.median(power[::8])
    loud = np.flatnonzero(power > highest)
    lines[loud] *= np.sqrt(highest / power[loud])
    lines *= white
    heard[: band.start] = 0
    heard[band.stop :] = 0
    reach = np.abs(fft.irfft(heard, length, overwrite_x=True)[: latest + 1])
    # The energy of noise is spread over all the lags at which the row and the stimulus overlap.
    energy = 2 * float(np.sum(np.minimum(power, highest), dtype=np.float64)) / length
    spread = np.sqrt(energy / (row.size + plan.frames))
    peak = int(np.argmax(reach))
    return (float(peak), float(reach[peak] / spread)) if spread > 0 else (0.0, 0.0)


@lru_cache(maxsize=8)
def _whitener(plan: Layout, length: int) -> tuple[slice, NDArray[np.complex64]]:
    """The stimulus's band among the lines of a spectrum, and the stimulus's conjugate phase there."""
    step_hz = plan.sample_rate_hz / length
    band = slice(math.ceil(plan.start_hz / step_hz), math.floor(plan.stop_hz / step_hz) + 1)
    known = fft.rfft(stimulus.compose(plan), length)[band].conj()
    white = np.divide(known, np.abs(known), out=np.zeros_like(known), where=known != 0)
    return band, white.astype(np.complex64)


def _timing(row: Floats, plan: Layout, delay: float) -> _Timing | None:
    """Arrival of the first mark and distance to the second, or None where they cannot be found."""
    mark = _mark(plan)
    template, window, inside = mark.template, mark.window, mark.inside
    reach = int(MARK_REACH_S * plan.sample_rate_hz)
    margin = int(MARK_MARGIN_S * plan.sample_rate_hz)
    length = window.size
    noise = _noise_power(row[max(int(delay), 0) : plan.mark_before + int(delay) - margin], window)
    places = []
    for start, before in ((plan.mark_before, reach), (plan.mark_after, 2 * reach)):
        found = _find(row, template, int(delay) + start - before, int(delay) + start + reach + plan.mark_frames)
        if found is None:
            return None
        places.append(found)
    floor = np.sqrt(np.sum(noise[inside] * mark.power[inside]) * 2 / length**2)
    strengths = [strength for _, strength in places]
    if min(strengths) < MARK_PRESENT * floor or max(strengths) > 2 * min(strengths):
        return None
    first, second = (place - margin for place, _ in places)
    if first < 0 or second < 0 or second + length > row.size + margin:
        return None
    early = fft.rfft(window * _padded(row, first, length))
    for _ in range(2):
        late = fft.rfft(window * _padded(row, second, length))
        shift, uncertainty = _phase_delay(early, late, noise, inside)
        if not round(shift):
            break
        second, shift = second + round(shift), shift - round(shift)
    fine, _ = _phase_delay(mark.known, early, noise, inside)
    spacing = second - first + shift
    return _Timing(
        delay=first + margin + fine - plan.mark_before,
        shift=spacing - (plan.mark_after - plan.mark_before),
        uncertainty=uncertainty,
    )


@lru_cache(maxsize=8)
def _mark(plan: Layout) -> _Mark:
    template = stimulus.mark(plan)
    margin = int(MARK_MARGIN_S * plan.sample_rate_hz)
    length = 2 * ((plan.mark_frames + 4 * margin) // 2)
    window = np.asarray(tukey(length, 0.2), dtype=np.float64)
    frequency = np.arange(length // 2 + 1) / length * plan.sample_rate_hz
    return _Mark(
        template=template,
        window=window,
        inside=(frequency >= plan.mark_low_hz) & (frequency <= plan.mark_high_hz),
        power=np.abs(fft.rfft(template, length)) ** 2,
        known=fft.rfft(window * _padded(template, -margin, length)),
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
    spectra = fft.rfft(window * (pieces - pieces.mean(axis=1, keepdims=True)))
    power = np.mean(spectra.real**2 + spectra.imag**2, axis=0)
    # Few windows scatter; noise is smooth over frequency, so neighbours help.
    return np.asarray(np.convolve(np.pad(power, 4, mode="edge"), np.full(9, 1 / 9), "valid"))


def _find(row: Floats, template: Floats, first: int, stop: int) -> tuple[int, float] | None:
    """Place and strength of a mark between two frames, or None where the capture does not reach."""
    first = max(first, 0)
    piece = row[first : min(stop, row.size)]
    if piece.size < template.size:
        return None
    match = np.abs(correlate(piece - piece.mean(), template, mode="valid"))
    peak = int(np.argmax(match))
    return first + peak, float(match[peak])


def _phase_delay(early: Complex, late: Complex, noise: Floats, inside: NDArray[np.bool_]) -> tuple[float, float]:
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
    match = fft.irfft(cross, finer * length)
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


def _judge_timing(row: Floats, plan: Layout, timing: _Timing, electrical: bool) -> tuple[list[str], float, float]:
    """Troubles, clock difference in ppm and lost samples out of the marks' distance."""
    ppm = timing.shift / (plan.mark_after - plan.mark_before) * 1e6
    if SIGNIFICANT * timing.uncertainty > WORST_TIMING:
        return ["the timing marks drown in noise, so nothing is known of lost samples"], NAN, NAN
    floor = FLOOR_ELECTRICAL if electrical else FLOOR_ACOUSTIC
    if abs(timing.shift) <= max(floor, SIGNIFICANT * timing.uncertainty):
        return (_foreign(row, plan, timing) if electrical else []), ppm, 0.0
    verb = "lost" if timing.shift < 0 else "inserted"
    count = f"{abs(timing.shift):.1f} samples"
    kind, at = "unknown", NAN
    if electrical:
        kind, at = comparison.jump_or_drift(row, plan, timing.delay, timing.shift)
    if kind == "unknown":
        words = f"the timing is disturbed: {count} {verb}, or a clock difference of {ppm:+.0f} ppm"
        return [words], NAN, NAN
    if kind == "drift":
        return [f"playing and recording run on different clocks: {ppm:+.1f} ppm"], ppm, 0.0
    return [f"{count} {verb} about {at / plan.sample_rate_hz:.2f} s into the stimulus"], 0.0, -timing.shift


def _foreign(row: Floats, plan: Layout, timing: _Timing) -> list[str]:
    """Trouble where the reference is not the sweep."""
    silence = row[int(timing.delay) : int(timing.delay) + plan.mark_before - int(0.01 * plan.sample_rate_hz)]
    found = comparison.foreign_parts(row, plan, timing.delay, float(np.std(silence)), FOREIGN)
    if not found:
        return []
    at_s = found[0][0] / plan.sample_rate_hz
    share = max(part for _, part in found)
    return [f"not what was played in {len(found)} places, first at {at_s:.3f} s (up to {share:.0%} foreign)"]
