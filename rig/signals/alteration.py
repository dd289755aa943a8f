"""What was done to a recording on its way to the rig: automatic gain, noise suppression, a converted sample rate.

Operating systems do so without being asked, and tell nobody. All is found in the recording itself: the soft marks must
come back as the loud sweep says, the noise must be the same while nothing sounds and under the sweep, and only a
converter's filter ends a band like a wall.
"""

from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from rig.signals import stimulus
from rig.signals.arrays import Complex, Complex64, Floats, Singles
from rig.signals.sweep import ExponentialSweep, kept_sweep

Layout = stimulus.Layout

#: Marks and sweep agree so closely on a path that stays the same; our choice.
STEP_DB = 1.5
#: Marks that reach up to here can be held against the sweep; our choice.
WIDE_MARKS_HZ = 4000.0
#: A mark is looked at for so long behind its end; our choice.
MARK_TAIL_S = 0.03
#: Standard uncertainties by which marks must differ; our choice.
SIGNIFICANT = 5.0
#: With more than this part of what is expected being none of the path's, nothing is said of the marks; our choice.
MOST_FOREIGN = 0.2
#: The response fades in up to, and out from, so many times (a part of) the sweep's ends; our choice.
FADE_IN, FADE_OUT = 2.0, 1.05
#: Kept of the response before its arrival; our choice.
BEFORE_S = 0.02
#: A box whose response in the marks' band lies so far below its highest does not play them; our choice.
UNPLAYED_DB = -25.0

#: The noise under a sweep is read in this band, in the response up to a time between these, which lets ring out what
#: does, and in a silence of so much or more; our choice.
UNDER_HZ = (150.0, 1000.0)
SOONEST_S, LATEST_S = 0.3, 0.6
SPAN_S = 0.1
#: In so much of a response any room decays by more than `FALL_DB` from one fifth to the next; our choice.
DEAD_S = 0.45
#: It may be so much louder than in silence, or than what the room leaves; what falls by more on the way is the room;
#: our choice.
RISE_DB = 8.0
FALL_DB = 3.5

#: Halves of other sample rates, at which a conversion to them and back ends the band; common practice, no source.
OTHER_HALVES_HZ = (4000.0, 5512.5, 6000.0, 8000.0, 11025.0, 12000.0, 16000.0, 22050.0, 24000.0, 44100.0, 48000.0)
#: No filter but a converter's falls by so much between these parts of such a half, or hertz beyond it; our choice.
STEEP_DB = 25.0
BELOW_WALL, WALL_HZ = 0.8, 500.0

SWITCH_OFF = (
    "switch off what the operating system does to recordings (automatic gain, noise suppression, enhancements, voice "
    "modes), or use a host API that passes it by (exclusive mode, or the hardware device itself)"
)
ONE_RATE = (
    "set the device, the operating system's mixer and bench.toml to one sample rate, and use the hardware device "
    "itself instead of a shared one; a wireless headset or a voice mode does the same"
)


def alterations(row: NDArray[np.floating], plan: Layout, delay: float) -> list[str]:
    """What speaks for a recording that was not left as it was, in words that say what to switch off.

    Parameters
    ----------
    row
        Shape (frames,), on the playing clock.
    plan
        Layout of the stimulus.
    delay
        Samples by which the stimulus arrived late.
    """
    received = np.asarray(row, np.float64)
    response = response_of_sweep(received, plan, delay)
    found = []
    step_db, rise_db = mark_step_db(received, plan, delay, response), noise_rise_db(received, plan, delay, response)
    if rise_db is not None:
        found.append(
            f"noise suppression, or a noise came with the sweep: {rise_db:.0f} dB more noise under it than in silence; "
            f"{SWITCH_OFF}"
        )
    elif step_db is not None and step_db < 0:
        found.append(f"noise suppression: soft marks came back {-step_db:.1f} dB softer than loud ones; {SWITCH_OFF}")
    elif step_db is not None:
        found.append(
            f"automatic gain, or a limiter: soft marks came back {step_db:.1f} dB louder than loud ones; {SWITCH_OFF}"
        )
    if (half_hz := wall_hz(received, plan, delay, response)) is not None:
        found.append(
            f"the recording ends like a wall near {half_hz / 1000:.3g} kHz, half of another sample rate: most likely "
            f"its rate is converted on the way, else something between output and input cuts it off there; {ONE_RATE}"
        )
    return found


def response_of_sweep(row: Floats, plan: Layout, delay: float) -> Singles:
    """Impulse response of the sweep alone, circular, its zero where the stimulus begins without any delay."""
    rate_hz = plan.sample_rate_hz
    # All of the sweep and its tail, and neither mark.
    first = max(0, int(plan.sweep_start + delay - 0.02 * rate_hz))
    stop = max(first, min(int(plan.mark_after + delay - 0.02 * rate_hz), row.size))
    # Single precision: what noise there is lies far above it. Sound and the sweep's passing of its frequency lie no
    # further apart than the capture is long, so that nothing wraps; without the code one length serves all of a run.
    longest = max(row.size, plan.frames) - stimulus.code_frames(plan.code, rate_hz)
    length = int(scipy.fft.next_fast_len(max(longest, stop - first), real=True))
    alone = np.zeros(length, np.float32)
    alone[: stop - first] = row[first:stop] - np.mean(row[: plan.mark_before])
    spectrum = scipy.fft.rfft(np.roll(alone, first - plan.sweep_start), length)
    spectrum *= _inverse(plan.alone, length)
    return np.asarray(scipy.fft.irfft(spectrum, length, overwrite_x=True))


@lru_cache(maxsize=4)
def _inverse(sent: ExponentialSweep, length: int) -> Complex64:
    """One over the spectrum of the sweep alone, fading to zero at the ends of its band; read only."""
    spectrum = scipy.fft.rfft(kept_sweep(sent), length)
    frequency_hz = scipy.fft.rfftfreq(length, 1 / sent.sample_rate_hz)
    inside = (frequency_hz >= sent.start_hz) & (frequency_hz <= sent.stop_hz)
    inverse: Complex = np.divide(1.0, spectrum, out=np.zeros_like(spectrum), where=inside)
    # A band that ended like a wall would ring for long.
    for ratio, fade in (
        (frequency_hz / sent.start_hz, FADE_IN),
        (sent.stop_hz / np.maximum(frequency_hz, 1e-3), FADE_OUT),
    ):
        inverse *= np.sin(np.pi / 2 * np.clip((ratio - 1) / (fade - 1), 0.0, 1.0)) ** 2
    kept = inverse.astype(np.complex64)
    kept.setflags(write=False)
    return kept


def _around(response: Singles, plan: Layout, delay: float, before_s: float, after_s: float) -> Floats:
    """Part of a circular response around its arrival."""
    before, after = (round(part_s * plan.sample_rate_hz) for part_s in (before_s, after_s))
    return response[np.arange(int(delay) - before, int(delay) + after) % response.size].astype(np.float64)


def marks_over_noise(row: NDArray[np.floating], plan: Layout, delay: float) -> float:
    """How far the marks must stand above the noise of the silence, by what the sweep says of the path.

    In standard deviations of their matched filter; near 0 for a bass box behind its filter, which does not play them.
    """
    received = np.asarray(row, np.float64)
    expected, foreign = _expected_mark(response_of_sweep(received, plan, delay), plan, delay)
    energy = float(np.dot(expected, expected)) - foreign
    noise = float(np.std(received[: plan.mark_before + int(delay) - round(BEFORE_S * plan.sample_rate_hz)]))
    return float(np.sqrt(energy) / noise) if energy > 2 * foreign and noise > 0 else 0.0


def _expected_mark(response: Singles, plan: Layout, delay: float) -> tuple[Floats, float]:
    """A mark as the path makes it come back, from `BEFORE_S` before its arrival, and the energy in it that is noise."""
    kept = _around(response, plan, delay, BEFORE_S, MARK_TAIL_S)
    early = kept[: round((BEFORE_S - 0.002) * plan.sample_rate_hz)]
    mark = stimulus.mark(plan)
    # What stands before the arrival is no response, and as much of it is everywhere.
    foreign = float(np.sum(np.convolve(early, mark) ** 2)) * kept.size / early.size
    return np.convolve(kept, mark), foreign


def _plays_marks(response: Singles, plan: Layout, delay: float) -> bool:
    kept = _around(response, plan, delay, 0.005, 0.05)
    power = np.abs(scipy.fft.rfft(kept)) ** 2
    frequency_hz = scipy.fft.rfftfreq(kept.size, 1 / plan.sample_rate_hz)
    played = (frequency_hz >= plan.start_hz) & (frequency_hz <= plan.stop_hz)
    marked = (frequency_hz >= plan.mark_low_hz) & (frequency_hz <= plan.mark_high_hz)
    return bool(np.median(power[marked]) > np.max(power[played]) * 10 ** (UNPLAYED_DB / 10))


def mark_step_db(row: Floats, plan: Layout, delay: float, response: Singles) -> float | None:
    """Level of the marks against what the sweep makes of the path, where it is not the same; else None.

    The response that the sweep shows says how the marks must come back. Of the two the one that is further off is
    taken, if it is so by more than `STEP_DB` and five standard uncertainties of its own. None too where they are too
    low to be held against the sweep, drown, or a noise got into the sweep.
    """
    if plan.mark_high_hz < WIDE_MARKS_HZ or not _plays_marks(response, plan, delay):
        return None
    before = round(BEFORE_S * plan.sample_rate_hz)
    expected, foreign = _expected_mark(response, plan, delay)
    energy = float(np.dot(expected, expected))
    if foreign > MOST_FOREIGN * energy:
        return None
    silence = row[: plan.mark_before + int(delay) - before]
    steps = []
    for start in (plan.mark_before, plan.mark_after):
        first = start + int(delay) - before
        piece = row[max(first, 0) : max(first, 0) + expected.size] - np.mean(silence)
        if piece.size < expected.size:
            return None
        gain = float(np.dot(piece, expected)) / (energy - foreign)
        spread = float(np.std(silence)) * np.sqrt(energy) / (energy - foreign)
        if gain > SIGNIFICANT * spread and abs(gain - 1) > SIGNIFICANT * spread:
            # Of another form though as strong, a mark was moved in time, not softened.
            strength = (float(np.dot(piece, piece)) - piece.size * float(np.var(silence))) / (energy - foreign)
            steps.append(float(20 * np.log10(gain)) if gain > 1 or strength < gain else 0.0)
    furthest = max(steps, key=abs, default=0.0)
    return furthest if abs(furthest) > STEP_DB else None


def noise_rise_db(row: Floats, plan: Layout, delay: float, response: Singles) -> float | None:
    """How much louder the noise is under the sweep than in silence; None where it is not, or it cannot be determined.

    At low frequencies, from what stands late in their response, while the sweep still sounds high above them. It must
    be more than the noise of the silence gives, and more than the room leaves, whose decay is seen earlier in the
    response; and it must not die away as a room does.
    """
    rate_hz = plan.sample_rate_hz
    octaves = np.log(plan.stop_hz / UNDER_HZ[1]) / np.log(plan.stop_hz / plan.start_hz)
    latest_s = min(octaves * plan.seconds, LATEST_S)
    silence = row[: plan.mark_before + int(delay) - round(0.01 * rate_hz)]
    if plan.start_hz > UNDER_HZ[0] or octaves <= 0 or latest_s < SOONEST_S or silence.size < SPAN_S * rate_hz:
        return None
    early, middle, late, last = (
        _band_power(_around(response, plan, delay, -a * latest_s, b * latest_s), rate_hz)
        for a, b in ((0.2, 0.4), (0.4, 0.6), (0.7, 0.85), (0.85, 1.0))
    )
    noise = _band_power(silence, rate_hz, _inverse(plan.alone, response.size))
    if not min(noise, early, middle, late, last) > 0:
        return None
    # The room goes on to decay as it did between the first two of the four, one and a half and twice as far on.
    room = middle * min(1.0, middle / early) ** 1.5
    # In a room that is as good as dead it never decayed.
    never = latest_s > DEAD_S and abs(10 * np.log10(early / middle)) < FALL_DB
    rise_db = float(10 * np.log10(min(late, last) / noise))
    stands_out = never or late > room * 10 ** (RISE_DB / 10)
    return rise_db if rise_db > RISE_DB and stands_out and abs(10 * np.log10(late / last)) < FALL_DB else None


def _band_power(piece: Floats, rate_hz: float, through: Complex64 | None = None) -> float:
    """Mean density of a piece in the band below the sweep, behind a filter given on evenly spaced frequencies."""
    window = np.hanning(piece.size)
    spectrum = np.abs(scipy.fft.rfft((piece - np.mean(piece)) * window)) ** 2 / np.sum(window**2)
    frequency_hz = scipy.fft.rfftfreq(piece.size, 1 / rate_hz)
    inside = (frequency_hz >= UNDER_HZ[0]) & (frequency_hz <= UNDER_HZ[1])
    power = spectrum[inside]
    if through is not None:
        lines = np.rint(frequency_hz[inside] * (2 * (through.size - 1) / rate_hz)).astype(np.int64)
        power = power * np.abs(through[lines]) ** 2
    return float(np.mean(power)) if power.size else 0.0


def wall_hz(row: Floats, plan: Layout, delay: float, response: Singles) -> float | None:
    """Half of another sample rate at which the band ends like a wall; None where it does not.

    Where the sweep goes beyond it, in the response; else in the noise of the silence.
    """
    rate_hz = plan.sample_rate_hz
    kept = _around(response, plan, delay, 0.003, 0.006)
    silence = row[: plan.mark_before + int(delay) - round(0.01 * rate_hz)]
    found: dict[bool, tuple[Floats, Floats]] = {}
    for half_hz in OTHER_HALVES_HZ:
        if half_hz + WALL_HZ > 0.48 * rate_hz:
            break
        last_hz = 1.15 * half_hz
        swept = last_hz < plan.stop_hz and plan.start_hz < BELOW_WALL * half_hz
        if swept not in found:
            found[swept] = _levels_db(kept[np.newaxis] if swept else _windows(silence, rate_hz), rate_hz)
        frequency_hz, level_db = found[swept]
        # A room's noise may end by itself a little lower; what is close to the wall is the converter's.
        stop_hz = 0.95 * half_hz - WALL_HZ / 3
        first_hz = BELOW_WALL * half_hz if swept else stop_hz - 2 * WALL_HZ
        below = level_db[(frequency_hz > first_hz) & (frequency_hz < stop_hz)]
        above = level_db[(frequency_hz > half_hz + WALL_HZ) & (frequency_hz < min(last_hz, 0.49 * rate_hz))]
        if np.percentile(below, 20) - np.max(above) > STEEP_DB:
            return float(half_hz)
    return None


def _windows(silence: Floats, rate_hz: float) -> Floats:
    """Pieces of 10 ms."""
    length = round(0.01 * rate_hz)
    return np.lib.stride_tricks.sliding_window_view(silence, length)[:: length // 2]


def _levels_db(pieces: Floats, rate_hz: float) -> tuple[Floats, Floats]:
    """Mean level of pieces over frequency, 20 Hz apart or so."""
    size = int(scipy.fft.next_fast_len(max(pieces.shape[1], round(rate_hz / 20)), real=True))
    power = np.mean(np.abs(scipy.fft.rfft(pieces * np.hanning(pieces.shape[1]), size)) ** 2, axis=0)
    return scipy.fft.rfftfreq(size, 1 / rate_hz), np.asarray(10 * np.log10(power + 1e-30))
