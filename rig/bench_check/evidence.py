"""What the captures of a bench check hold as numbers: found once, and shared by the symptoms."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rig.readings import Capture, Floats
from rig.responses import sweep_layout
from rig.signals import integrity, stimulus
from rig.signals.deconvolution import impulse_response, transfer_function
from rig.signals.integrity import Integrity
from rig.signals.levels import REFERENCE_PRESSURE_PA
from rig.signals.noise import power_spectral_density
from rig.signals.quiet import mains_hum

Complex = NDArray[np.complex128]

#: As many captures times inputs as one check has, and a few more: whatever is cached keeps its capture alive.
CACHED = 24
#: Roles of the inputs that carry an electrical copy of what is played.
ELECTRICAL = ("drive", "sense", "loopback")
#: Marks that reach up to here can be held against the sweep.
WIDE_MARKS_HZ = 4000.0
#: Longest way through the card that is looked for.
LONGEST_DELAY_S = 0.4
#: An electrical path has nothing to say beyond this after its arrival.
ELECTRICAL_S = (0.01, 0.03)
#: A mark is looked at for so long behind its end; it must stand so far above the noise.
MARK_TAIL_S = 0.03
OVER_NOISE = 8.0
#: With more of something else in the sweep's response than this, nothing is said of the marks.
MOST_FOREIGN = 0.1
#: A capture's response at the microphone is kept for so long.
ACOUSTIC_S = (0.01, 0.25)


def sent_volts(capture: Capture) -> Floats:
    """Volts at the card's output as they were asked for, shape (frames,) of the capture."""
    layout, request = sweep_layout(capture), capture.request
    peak_v = request.level_v * np.sqrt(2) / request.path_gain
    sent = stimulus.compose(layout) * peak_v
    return np.pad(sent, (0, max(0, capture.samples.shape[1] - sent.size)))


@lru_cache(maxsize=CACHED)
def row_integrity(capture: Capture, role: str) -> Integrity:
    """What one input's own samples say of their timing, their clipping, and whether the stimulus is in them."""
    row = capture.samples[[capture.inputs.index(role)]]
    reference = 0 if role in ELECTRICAL else None
    return integrity.inspect(row, sweep_layout(capture), reference, inputs=[role], max_delay_s=LONGEST_DELAY_S)


def hears(capture: Capture, role: str) -> bool:
    """Whether the stimulus arrives at an input."""
    return capture.has(role) and 0 not in row_integrity(capture, role).silent_rows


def late_frames(capture: Capture, role: str) -> int:
    """Whole frames by which the stimulus arrives late at an input; 0 where it does not."""
    delay = row_integrity(capture, role).delay_samples
    return max(0, int(delay)) if np.isfinite(delay) else 0


def usual_rms(capture: Capture, role: str) -> float:
    """RMS value of an input in the louder parts of the sweep, in volts; what strikes for a moment does not count."""
    layout, late = sweep_layout(capture), late_frames(capture, role)
    step = round(0.01 * capture.sample_rate_hz)
    piece = capture.volts(role)[layout.sweep_start + late : layout.sweep_stop + late]
    blocks = piece[: piece.size // step * step].reshape(-1, step)
    return float(np.percentile(np.std(blocks, axis=1), 80))


def has_wide_marks(capture: Capture) -> bool:
    """Whether the marks around the sweep are short and high: not at a bass box, where the room answers for longer."""
    return sweep_layout(capture).mark_high_hz >= WIDE_MARKS_HZ


def brought_forward(signal: Floats, by_frames: int) -> Floats:
    """A signal from a frame on, of the same length."""
    return np.concatenate([signal[by_frames:], np.zeros(by_frames)])


@lru_cache(maxsize=CACHED)
def path_gain(capture: Capture, role: str) -> tuple[Floats, Complex]:
    """Volts at an electrical input over volts asked for at the card's output: frequencies, and the gain at them.

    The time of the way through the card is taken out.
    """
    request, rate_hz = capture.request, capture.sample_rate_hz
    grid = np.geomspace(max(request.start_hz, 100.0), request.stop_hz, 200)
    volts = capture.volts(role)
    volts = brought_forward(volts - np.mean(volts[sweep_layout(capture).silence]), late_frames(capture, role))
    return grid, transfer_function(
        volts, sent_volts(capture), rate_hz, grid, request.start_hz, request.stop_hz, *ELECTRICAL_S
    )


@lru_cache(maxsize=CACHED)
def unevenness_db(capture: Capture, role: str) -> float:
    """Standard deviation over frequency of an input's level against what was sent: a cable has next to none."""
    grid, gain = path_gain(capture, role)
    return float(np.std(20 * np.log10(np.maximum(np.abs(gain[grid < 12000]), 1e-12))))


def noise_rms(silence: Capture, role: str) -> float:
    """RMS value of an input in silence about its mean, full scale 1."""
    return float(np.std(silence.samples[silence.inputs.index(role)].astype(np.float64)))


def without_lines_rms(silence: Capture, role: str) -> float:
    """RMS value of an input in silence, volts, mains hum and all else below 30 Hz taken out."""
    frequency_hz, density = power_spectral_density(silence.volts(role), silence.sample_rate_hz, 0.5)
    away = np.abs(frequency_hz[:, np.newaxis] - np.multiply.outer(np.arange(1, 41), [50.0, 60.0]).ravel()).min(axis=1)
    kept = (frequency_hz > 30) & (away > 5.0)
    # What the lines hide is taken to be as dense as what lies between them.
    filled = np.interp(frequency_hz, frequency_hz[kept], density[kept])
    return float(np.sqrt(np.sum(filled[frequency_hz > 30]) * (frequency_hz[1] - frequency_hz[0])))


@lru_cache(maxsize=CACHED)
def hum_rms(silence: Capture, role: str) -> tuple[float, float]:
    """Mains frequency found at an input in silence (NaN: none) and the RMS value of its harmonics, in volts."""
    hum = mains_hum(silence.volts(role), silence.sample_rate_hz)
    if not np.isfinite(hum.mains_hz):
        return float("nan"), 0.0
    return hum.mains_hz, float(REFERENCE_PRESSURE_PA * 10 ** (hum.level_db / 20))


def sweep_rms(capture: Capture, role: str) -> float:
    """RMS value of an input while the sweep passes, in volts."""
    layout, late = sweep_layout(capture), late_frames(capture, role)
    return float(np.std(capture.volts(role)[layout.sweep_start + late : layout.sweep_stop + late]))


@lru_cache(maxsize=CACHED)
def path_response(capture: Capture, role: str) -> Floats:
    """Impulse response from the card's output to an input, `ACOUSTIC_S` around the arrival, of the sweep alone."""
    layout, request, rate_hz = sweep_layout(capture), capture.request, capture.sample_rate_hz
    sent, heard, edge = sent_volts(capture), arrived_volts(capture, role), round(0.02 * rate_hz)
    alone = np.zeros_like(sent)
    alone[layout.sweep] = sent[layout.sweep]
    heard[: layout.sweep_start - edge] = 0
    heard[layout.mark_after - edge :] = 0
    return impulse_response(heard, alone, rate_hz, request.start_hz, request.stop_hz, *ACOUSTIC_S)


def arrived_volts(capture: Capture, role: str) -> Floats:
    """Volts at an input from the stimulus' arrival on, without a constant offset."""
    volts = capture.volts(role)
    return brought_forward(volts - np.mean(volts[sweep_layout(capture).silence]), late_frames(capture, role))


@lru_cache(maxsize=CACHED)
def foreign_part(capture: Capture, role: str) -> float:
    """Share of a response's energy that is none of the path's: as dense as what lies before the arrival."""
    response = path_response(capture, role)
    before = round(ACOUSTIC_S[0] * capture.sample_rate_hz)
    kept = response[: before + round(MARK_TAIL_S * capture.sample_rate_hz)]
    early = response[: before - round(0.002 * capture.sample_rate_hz)]
    return float(np.mean(early**2) / max(float(np.mean(kept**2)), 1e-30))


@lru_cache(maxsize=CACHED)
def mark_step_db(capture: Capture, role: str) -> tuple[float, float] | None:
    """Level of the marks against what the sweep makes of the path, and its standard uncertainty from noise.

    The response that the sweep shows, with its decay, says how the marks must come back: at 0 dB where the path is the
    same all the time. Of the two the one that is further off is taken, and None where noise hides the marks or a noise
    got into the sweep.
    """
    if foreign_part(capture, role) > MOST_FOREIGN:
        return None
    layout, sent = sweep_layout(capture), sent_volts(capture)
    volts, response = arrived_volts(capture, role), path_response(capture, role)
    found = [_mark_db(volts, response, layout, sent, start) for start in (layout.mark_before, layout.mark_after)]
    return max((one for one in found if one), key=lambda one: abs(one[0]), default=None)


def _mark_db(
    volts: Floats, response: Floats, layout: stimulus.Layout, sent: Floats, start: int
) -> tuple[float, float] | None:
    before = round(ACOUSTIC_S[0] * layout.sample_rate_hz)
    mark = sent[start : start + layout.mark_frames]
    expected = np.convolve(response[: before + round(MARK_TAIL_S * layout.sample_rate_hz)], mark)
    found = volts[start - before : start - before + expected.size]
    expected = expected[: found.size]
    energy, both = float(np.dot(expected, expected)), float(np.dot(found, expected))
    noise = float(np.std(volts[: layout.mark_before - before])) * np.sqrt(energy)
    if not both > OVER_NOISE * noise:
        return None
    return float(20 * np.log10(both / energy)), float(20 / np.log(10) * noise / both)


def with_right_loopback(capture: Capture) -> Capture:
    """The capture with its loopback scaled to the level that was asked for, or without it where it is none.

    What is read from it is then the unit's, as far as the loopback can be believed.
    """
    if not capture.has("loopback"):
        return capture
    if not is_electrical(capture, "loopback"):
        kept = [n for n, role in enumerate(capture.inputs) if role != "loopback"]
        return replace(capture, samples=capture.samples[kept], inputs=tuple(capture.inputs[n] for n in kept))
    volts = dict(capture.calibration.input_volts)
    volts["loopback"] = volts.get("loopback", 1.0) / 10 ** (gain_db(capture, "loopback") / 20)
    return replace(capture, calibration=replace(capture.calibration, input_volts=volts, loopback_db=None))


def gain_db(capture: Capture, role: str) -> float:
    """Level at an electrical input against what was asked for."""
    return float(np.median(20 * np.log10(np.maximum(np.abs(path_gain(capture, role)[1]), 1e-12))))


def is_electrical(capture: Capture, role: str) -> bool:
    """Whether an input carries the stimulus as a cable would bring it."""
    return hears(capture, role) and unevenness_db(capture, role) < EVEN_DB


#: A cable's level varies less over frequency than this; a loudspeaker's in a room by more.
EVEN_DB = 1.0
