"""What the captures of a bench check hold as numbers: found once, and shared by the symptoms."""

from dataclasses import replace

import numpy as np

from rig.signals import alteration, integrity, stimulus
from rig.signals.arrays import Complex, Singles
from rig.signals.deconvolution import transfer_function
from rig.signals.integrity import Integrity
from rig.signals.levels import REFERENCE_PRESSURE_PA
from rig.signals.noise import power_spectral_density
from rig.signals.quiet import mains_hum
from rig.values.captures import Capture, once_per_capture
from rig.values.readings import Floats
from rig.verdict.responses import sweep_layout

#: Roles of the inputs that carry an electrical copy of what is played.
ELECTRICAL = ("drive", "sense", "loopback")
#: Longest way through the card that is looked for (our choice; tests/benchmarks/bench_faults.py).
LONGEST_DELAY_S = 0.4
#: An electrical path has nothing to say beyond this after its arrival (our choice; tests/benchmarks/bench_faults.py).
ELECTRICAL_S = (0.01, 0.03)
#: With more of something else in the sweep's response than this, nothing is said of the marks (our choice;
#: tests/benchmarks/bench_faults.py).
MOST_FOREIGN = 0.1
#: Of a response: what is looked at before its arrival and behind it (our choice; tests/benchmarks/bench_faults.py).
BEFORE_S, AFTER_S = 0.01, 0.03


def sent_volts(capture: Capture) -> Floats:
    """Volts at the card's output as they were asked for, shape (frames,) of the capture."""
    layout, request = sweep_layout(capture), capture.request
    peak_v = request.level_v * np.sqrt(2) / request.path_gain
    sent = stimulus.compose(layout) * peak_v
    return np.pad(sent, (0, max(0, capture.samples.shape[1] - sent.size)))


@once_per_capture
def row_integrity(capture: Capture, role: str) -> Integrity:
    """What one input's own samples say of their timing, their clipping, and whether the stimulus is in them."""
    row = capture.samples[[capture.inputs.index(role)]]
    reference = 0 if role in ELECTRICAL else None
    return integrity.inspect(row, sweep_layout(capture), reference, inputs=[role], max_delay_s=LONGEST_DELAY_S)


def has_signal(capture: Capture, role: str) -> bool:
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
    return sweep_layout(capture).mark_high_hz >= alteration.WIDE_MARKS_HZ


def brought_forward(signal: Floats, by_frames: int) -> Floats:
    """A signal from a frame on, of the same length."""
    return np.concatenate([signal[by_frames:], np.zeros(by_frames)])


@once_per_capture
def path_gain(capture: Capture, role: str) -> tuple[Floats, Complex]:
    """Volts at an electrical input over volts asked for at the card's output: frequencies, and the gain at them.

    The time of the way through the card is taken out.
    """
    request = capture.request
    grid = np.geomspace(max(request.start_hz, 100.0), request.stop_hz, 200)
    volts = capture.volts(role)
    volts = brought_forward(volts - np.mean(volts[sweep_layout(capture).silence]), late_frames(capture, role))
    return grid, transfer_function(volts, sent_volts(capture), capture.layout, grid, *ELECTRICAL_S)


@once_per_capture
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
    away_hz = [
        np.abs(frequency_hz - mains_hz * np.clip(np.round(frequency_hz / mains_hz), 1, 40)) for mains_hz in (50, 60)
    ]
    kept = (frequency_hz > 30) & (np.minimum(*away_hz) > 5.0)
    # What the lines hide is taken to be as dense as what lies between them.
    filled = np.interp(frequency_hz, frequency_hz[kept], density[kept])
    return float(np.sqrt(np.sum(filled[frequency_hz > 30]) * (frequency_hz[1] - frequency_hz[0])))


@once_per_capture
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


@once_per_capture
def sweep_response(capture: Capture, role: str) -> Singles:
    """Impulse response of the sweep alone at an input, as `alteration.response_of_sweep` gives it."""
    return alteration.response_of_sweep(_row(capture, role), sweep_layout(capture), late_frames(capture, role))


def _row(capture: Capture, role: str) -> Floats:
    return np.asarray(capture.samples[capture.inputs.index(role)], np.float64)


def foreign_part(capture: Capture, role: str) -> float:
    """Share of a response's energy that is none of the path's: as dense as what lies before the arrival."""
    response, rate_hz = sweep_response(capture, role), capture.sample_rate_hz
    before, quiet, after = (round(part_s * rate_hz) for part_s in (BEFORE_S, 0.002, AFTER_S))
    frames = late_frames(capture, role) + np.arange(-before, after)
    kept = response[frames % response.size].astype(np.float64)
    return float(np.mean(kept[: before - quiet] ** 2) / max(float(np.mean(kept**2)), 1e-30))


def mark_step_db(capture: Capture, role: str) -> float | None:
    """Level of the marks against what the sweep tells; None where it is the same, or cannot be determined."""
    return alteration.mark_step_db(*_altered(capture, role))


def noise_rise_db(capture: Capture, role: str) -> float | None:
    """How much more noise lies under the sweep than in silence; None where it is the same, or cannot be determined."""
    return alteration.noise_rise_db(*_altered(capture, role))


def wall_hz(capture: Capture, role: str) -> float | None:
    """Half of another sample rate at which the band ends like a wall; None where it does not."""
    return alteration.wall_hz(*_altered(capture, role))


def _altered(capture: Capture, role: str) -> tuple[Floats, stimulus.Layout, float, Singles]:
    row, late = _row(capture, role), late_frames(capture, role)
    return row, sweep_layout(capture), late, sweep_response(capture, role)


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
    return has_signal(capture, role) and unevenness_db(capture, role) < EVEN_DB


#: A cable's level varies less over frequency than this; a loudspeaker's in a room by more (our choice;
#: tests/benchmarks/bench_faults.py).
EVEN_DB = 1.0
