"""What several checks need of one capture: the acoustic response of a channel, found once and shared."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import scipy

from rig.circuit.channel import Channel
from rig.circuit.radiation import Position, driver_pressure_pa, microphone_at
from rig.circuit.units import speed_of_sound_m_s
from rig.design.kit import Kit
from rig.signals import deconvolution, marks, stimulus, timing
from rig.signals.arrays import Complex, Complex64, Singles
from rig.signals.disturbance import noise_before, noise_of_the_moment
from rig.signals.gating import Gated, gate
from rig.signals.kept import kept_by_value, planned_length
from rig.signals.levels import db
from rig.signals.noise import power_spectral_density
from rig.signals.smoothing import log_frequency_grid, mean_of_lines, smooth_power
from rig.signals.sweep import ExponentialSweep, kept_sweep
from rig.values.captures import Capture, Untrusted, once_per_capture
from rig.values.readings import Floats
from rig.values.requests import Sweep

#: What an input may be connected to.
ROLES = ("microphone", "loopback", "drive", "sense")
#: Longest latency of the equipment that is looked for; our choice.
LONGEST_DELAY_S = 1.0
#: Kept of the impulse response: before the electrical time zero, and after it; our choice.
BEFORE_S = 0.05
AFTER_S = 0.35
#: The loopback may stray so far from the level that was asked for, or somebody has turned a knob: where bench.toml's
#: volts are all that is known, and from what a loopback calibration found; our choice.
OUTPUT_WITHIN_DB, CALIBRATED_WITHIN_DB = 1.0, 0.2
#: The stimulus is sought in means of so many samples, if its sweep begins below this part of the sample rate;
#: numerical.
COARSE = 4
COARSE_BELOW = 48
#: What is found coarsely to be late is taken to be so much less so; our choice.
EARLY_S = 0.002
#: No rest behind a stimulus is shorter, by what is taken early; what is joined on has none before it; our choice.
REST_S = 0.026


@dataclass(frozen=True, eq=False)
class SweepSpectra:
    """The part of a capture that holds the sweep and its tail, and no mark, as spectra."""

    #: What was asked for, and the sweep that was sent.
    request: Sweep
    sent: ExponentialSweep
    grid: deconvolution.Grid
    pressure: Complex64
    leads: Complex64
    #: True: the leads' voltage was recorded beside the microphone's, by one clock.
    timed: bool
    frames: int
    #: The pressure before the sweep.
    silence: Floats

    @cached_property
    def silence_density(self) -> tuple[Floats, Floats]:
        """`noise.power_spectral_density` of the silence before the sweep."""
        return power_spectral_density(self.silence, self.sent.sample_rate_hz)

    def noise_density(self, frequency_hz: Floats) -> Floats:
        """Two-sided density of the silence before the sweep, in squared pascal per sample, sixth-octave means.

        Over the squared spectrum of what a capture is divided by, it is `noise.response_noise_power` for a window of
        one frame.
        """
        line_hz, density = self.silence_density
        return smooth_power(density, line_hz, frequency_hz, 6) * (0.5 * self.sent.sample_rate_hz)


@dataclass(frozen=True, eq=False)
class AcousticResponse:
    """Impulse response between the voltage at the leads and the microphone; one for each capture."""

    #: What it was made of.
    spectra: SweepSpectra
    #: Shape (frames,), pascal per volt (per second of impulse); volt per volt with an uncalibrated microphone.
    impulse: Floats
    sample_rate_hz: float
    #: Time of the electrical event in `impulse`, in seconds from its first frame.
    zero_s: float
    #: True: `zero_s` is the loopback's, so the arrival is a true time of flight.
    timed: bool
    #: When the sound begins, in seconds from the first frame; NaN when nothing stands out of the noise.
    arrival_s: float
    #: Squared spectrum of what the capture was divided by, at the frequencies of `judged_grid`, 24 an octave.
    reference_power: Floats

    @property
    def request(self) -> Sweep:
        """What was played."""
        return self.spectra.request

    @property
    def sent(self) -> ExponentialSweep:
        """The sweep of it."""
        return self.spectra.sent

    @cached_property
    def noise(self) -> tuple[Floats, Floats]:
        """Frequencies, and the power of the noise there for a window of one frame: longer ones let more through.

        Of the silence before the sweep, and where a noise of the moment is heard just before the sound arrives, of
        that.
        """
        at_hz = judged_grid(self.request, 24)
        steady = self.spectra.noise_density(at_hz) / self.reference_power
        if not np.isfinite(self.arrival_s):
            return at_hz, steady
        silence_s = self.spectra.silence.size / self.sample_rate_hz
        moment = noise_before(self.impulse, self.sent, self.arrival_s, at_hz, steady, silence_s)
        return at_hz, np.maximum(steady, moment)


def judged_grid(request: Sweep, points_per_octave: int) -> Floats:
    """The frequencies a curve is read at: evenly spaced on a logarithmic axis, both ends of the sweep included."""
    grid = log_frequency_grid(request.start_hz, request.stop_hz, points_per_octave)
    return np.unique(np.append(grid[grid < request.stop_hz * 0.999], request.stop_hz))


def form_troubles(capture: Capture) -> tuple[str, ...]:
    """Why nothing could be read from a capture, in words: its shape, its inputs, its rate, its numbers."""
    samples, inputs = capture.samples, capture.inputs
    rate_hz = capture.sample_rate_hz
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        return (f"a sample rate of {rate_hz:g} Hz was found; allowed is a number above 0",)
    if samples.ndim != 2 or samples.shape[0] != len(inputs) or not samples.size:
        return (f"samples of shape {samples.shape} were found; allowed is a row for each of {len(inputs)} inputs",)
    wrong = [role for role in dict.fromkeys(inputs) if role not in ROLES or inputs.count(role) > 1]
    wrong += [role for role in capture.other_clock if role not in inputs]
    if wrong:
        return (
            f"inputs {', '.join(inputs)} were found ({', '.join(wrong)}); allowed: each of {', '.join(ROLES)} once",
        )
    if samples.dtype.kind != "f" or not np.all(np.isfinite(samples)):
        return (f"the capture holds values that are not finite ({capture.request})",)
    try:
        capture.layout  # noqa: B018 (whether there is one at this rate)
    except ValueError as error:
        return (f"what was asked for cannot sound at the rate that was found: {error}",)
    return ()


@once_per_capture
def quiet_part(capture: Capture) -> slice:
    """Of a recording of silence what lies between its marks and the room's answer to them; all where it has none.

    Raises
    ------
    Untrusted
        If the capture does not hold all of it.
    """
    if not capture.request.marks:
        return slice(0, capture.samples.shape[1])
    layout = sweep_layout(capture)
    role = "loopback" if capture.has("loopback") else "microphone"
    late = int(marks.arrival(capture.samples[capture.inputs.index(role)], layout, LONGEST_DELAY_S)[0])
    return slice(layout.between_marks.start + late, layout.between_marks.stop + late)


@once_per_capture
def sweep_layout(capture: Capture) -> stimulus.Layout:
    """How the capture's stimulus is laid out in time.

    Raises
    ------
    Untrusted
        If the capture does not hold all of it, or holds values that are not finite: nothing can be read from it.
    """
    if malformed := form_troubles(capture):
        raise Untrusted(malformed[0])
    frames, wanted = capture.samples.shape[1], capture.layout.frames
    if frames < wanted:
        raise Untrusted(f"{frames} samples were captured of a stimulus of {wanted} ({capture.request})")
    return capture.layout


@once_per_capture
def heard_silence(capture: Capture, role: str) -> slice:
    """The frames in which an input heard the silence ahead of the stimulus, and nothing of what sounded before.

    All that is played is heard late: where that is longer than the rest behind a stimulus, its end stands in the first
    frames of the capture after it.

    Raises
    ------
    Untrusted
        If the capture is not whole, or the input is not there.
    """
    layout = sweep_layout(capture)
    cable = next((one for one in ("loopback", "drive") if capture.has(one)), role)
    late = _late_at(capture, role if role in capture.other_clock else cable)
    spacing = capture.request.spacing
    first = max(0, late - (0 if spacing and spacing.joined else round(REST_S * capture.sample_rate_hz)))
    return slice(first, first + layout.mark_before)


def silence_s(capture: Capture) -> float:
    """How long the silence ahead of a sweep is, in seconds."""
    silence = sweep_layout(capture).silence
    return float((silence.stop - silence.start) / capture.sample_rate_hz)


def lead_volts(capture: Capture) -> tuple[Singles, bool]:
    """Voltage at the leads as recorded through the loopback, or else as it was sent; and whether it was recorded.

    Raises
    ------
    Untrusted
        If the loopback says that another level was played than the one asked for.
    """
    request, layout = capture.request, sweep_layout(capture)
    size = capture.samples.shape[1]
    level_v = np.float32(request.level_v * np.sqrt(2))
    if not capture.has("loopback"):
        sent = stimulus.compose(layout).astype(np.float32) * level_v
        return np.pad(sent, (0, max(0, size - sent.size))), False
    recorded = _row(capture, "loopback", capture.calibration.input_volts.get("loopback", 1.0) * request.path_gain)
    calibrated_db = capture.calibration.loopback_db
    change_db = float(db(_rms(recorded) / (level_v * _sent_rms(layout, size)))) - (calibrated_db or 0.0)
    if not abs(change_db) <= (OUTPUT_WITHIN_DB if calibrated_db is None else CALIBRATED_WITHIN_DB):
        raise Untrusted(
            f"the card's output is {change_db:+.1f} dB off what was asked for ({request}): "
            "set its volume back to where it was calibrated"
        )
    return recorded, True


def _row(capture: Capture, role: str, scale: float) -> Singles:
    """Samples of an input times a scale, of single precision as the capture is."""
    scaled: Singles = capture.samples[capture.inputs.index(role)] * np.float32(scale)
    return scaled


@once_per_capture
def pressure_about_silence(capture: Capture) -> Singles:
    """What the microphone heard, free of the offset of the silence before the sweep; of single precision as it came.

    Raises
    ------
    Untrusted
        If the capture is not whole.
    """
    silence, calibration = heard_silence(capture, "microphone"), capture.calibration
    if calibration.microphone_response:
        pressure = capture.pascal().astype(np.float32)
    else:
        scale = calibration.input_volts.get("microphone", 1.0) / (calibration.microphone_v_per_pa or 1.0)
        pressure = _row(capture, "microphone", scale * (calibration.microphone_sign or 1))
    pressure -= np.float32(np.mean(pressure[silence], dtype=np.float64))
    return pressure


def _rms(signal: Singles | Floats) -> float:
    """RMS value about the mean."""
    mean = float(np.mean(signal, dtype=np.float64))
    # Neither `np.std`, which makes two arrays more, nor a product of vectors, whose threads wait for each other.
    square = float(np.einsum("i,i->", signal, signal)) / signal.size
    return float(np.sqrt(max(square - mean**2, 0.0)))


@lru_cache(maxsize=16)
def _sent_rms(layout: stimulus.Layout, size: int) -> float:
    """RMS value about the mean of the stimulus within so many samples."""
    return float(np.std(np.pad(stimulus.compose(layout), (0, max(0, size - layout.frames)))))


@once_per_capture
def sweep_spectra(capture: Capture) -> SweepSpectra:
    """Spectra of microphone and leads, found once. Without a loopback the capture's own marks tell where they stand.

    Raises
    ------
    Untrusted
        If the output level is not the one asked for, an input gives nothing, or the capture is not whole.
    """
    layout, request, rate_hz = sweep_layout(capture), capture.request, capture.sample_rate_hz
    leads, recorded = lead_volts(capture)
    pressure = pressure_about_silence(capture)
    silence = pressure[heard_silence(capture, "microphone")].astype(np.float64)
    if not (np.any(pressure) and np.any(leads)):
        raise Untrusted(f"the microphone or the loopback gave nothing at all ({request})")
    late = _late_at(capture, "loopback" if recorded else "microphone")
    start = layout.sweep_start + late
    stop = min(layout.mark_after + late, pressure.size)
    piece = slice(max(0, start - round(0.02 * rate_hz)), stop)
    known = leads[piece] if recorded else leads[piece.start - late : stop - late]
    frames = stop - piece.start
    kept = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    alone = layout.alone
    grid = deconvolution.grid_of(deconvolution.length_for(frames, frames, *kept), alone, single=True)
    received, sent = (deconvolution.spectrum_of(each, grid) for each in (pressure[piece], known))
    # Of a microphone with a clock of its own nobody knows when its recording began.
    timed = recorded and "microphone" not in capture.other_clock
    return SweepSpectra(request, alone, grid, received, sent, timed, frames, silence)


@once_per_capture
def acoustic_response(capture: Capture) -> AcousticResponse:
    """Impulse response of a playing sweep.

    Raises
    ------
    Untrusted
        If the output level is not the one asked for, an input gives nothing, or the capture is not whole.
    """
    found, rate_hz = sweep_spectra(capture), capture.sample_rate_hz
    quotient = found.pressure * deconvolution.inverse_of(found.leads, found.grid)
    before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    periodic = deconvolution.periodic_response(quotient, found.grid)
    impulse = deconvolution.cut(periodic, before, before + after)
    at_hz = judged_grid(capture.request, 24)
    power = found.leads.real**2 + found.leads.imag**2
    return AcousticResponse(
        spectra=found,
        impulse=impulse.astype(np.float64),
        sample_rate_hz=rate_hz,
        zero_s=before / rate_hz,
        timed=found.timed,
        arrival_s=float(timing.arrival_s(impulse, rate_hz)),
        reference_power=mean_of_lines(power, found.grid.step_hz, found.grid.band.start, at_hz, 6),
    )


def arrived_response(capture: Capture) -> AcousticResponse:
    """`acoustic_response` of a sweep that is heard.

    Raises
    ------
    Untrusted
        If nothing arrives at the microphone, or as `acoustic_response`.
    """
    acoustic = acoustic_response(capture)
    if not np.isfinite(acoustic.arrival_s):
        raise Untrusted(f"nothing stands out of the noise at the microphone ({capture.request})")
    return acoustic


def harmonics(capture: Capture, highest: int, frequency_hz: Floats, after_s: float) -> tuple[Floats, Floats]:
    """Harmonics of a playing sweep at the microphone, and the noise in them, in squared pascal.

    Noise is what the silence before the sweep gives, and in the harmonics what noises that come while it plays give,
    where that is more: see `rig.signals.disturbance`.

    Parameters
    ----------
    capture, highest
        Orders 1 to the highest are wanted.
    frequency_hz
        Of the fundamental, shape (frequencies,).
    after_s
        Kept of the linear response after its arrival.

    Returns
    -------
    power, noise
        Squared magnitudes relative to a sweep of amplitude 1, shape (highest, frequencies); NaN outside the sweep.

    Raises
    ------
    Untrusted
        As `acoustic_response`.
    """
    found, rate_hz = sweep_spectra(capture), capture.sample_rate_hz
    inverse = deconvolution.sweep_inverse(found.sent, found.grid.length, single=True)
    response = deconvolution.periodic_response(found.pressure * inverse, found.grid)
    delay_s = int(np.argmax(np.abs(response[: found.frames]))) / rate_hz
    orders = range(1, highest + 2)
    power = np.abs(deconvolution.harmonics_in(response, found.sent, orders, frequency_hz, delay_s, after_s)) ** 2
    noise = _noise_in_harmonics(found, orders[:-1], frequency_hz, after_s)
    moment = noise_of_the_moment(
        response, found.sent, frequency_hz, delay_s, power=power, noise=noise[1:], after_s=after_s
    )
    # Not `fmax`: outside the sweep there is neither.
    return power[:-1], np.vstack((noise[:1], np.maximum(noise[1:], moment)))


def _noise_in_harmonics(found: SweepSpectra, orders: Sequence[int], frequency_hz: Floats, after_s: float) -> Floats:
    """What the silence gives in the window of each harmonic; NaN outside the sweep."""
    request = found.request
    gain = np.array([deconvolution.harmonic_gain(order, found.sent, after_s) for order in orders])
    at_hz = np.multiply.outer(np.array(orders, np.float64), frequency_hz)
    inside = (at_hz >= request.start_hz) & (at_hz <= request.stop_hz)
    sought = np.where(inside, at_hz, request.stop_hz)
    power = found.noise_density(sought) / _sweep_power(found.sent, sought)
    return np.where(inside, gain[:, np.newaxis] * power, np.nan)


@kept_by_value(16)
def _sweep_power(sent: ExponentialSweep, frequency_hz: Floats) -> Floats:
    """Squared spectrum of the analytic sweep, sixth-octave means."""
    samples = kept_sweep(sent)
    length = scipy.fft.next_fast_len(samples.size, real=True)
    power = np.abs(scipy.fft.rfft(samples, length)) ** 2
    return mean_of_lines(power, sent.sample_rate_hz / length, 0, frequency_hz, 6)


@once_per_capture
def _late_at(capture: Capture, role: str) -> int:
    """Frames by which the stimulus came back late at an input, by its sweep; a little early rather than late."""
    layout, recorded = sweep_layout(capture), _row(capture, role, 1.0)
    # Sweep and tail must be in the recording: what would lie later is not the sweep.
    latest = recorded.size - layout.mark_after + 1
    # Means of a few samples are enough where most of the sweep lies below the frequencies that they lose.
    step = COARSE if layout.start_hz < capture.sample_rate_hz / COARSE_BELOW else 1
    coarse = _means(recorded, step)
    lags = -(-latest // step)
    # A circular correlation of this length is right for the lags from 0 to the latest.
    length = planned_length(lags + -(-layout.frames // step))
    received = scipy.fft.rfft(coarse, length)
    received *= _composed_spectrum(layout, step, length)
    match = np.abs(scipy.fft.irfft(received, length, overwrite_x=True)[:lags])
    return max(0, step * int(np.argmax(match)) - round(EARLY_S * capture.sample_rate_hz))


@lru_cache(maxsize=8)
def _composed_spectrum(layout: stimulus.Layout, step: int, length: int) -> Complex64:
    """Conjugate spectrum of the stimulus in means of `step` samples."""
    return np.asarray(scipy.fft.rfft(_means(stimulus.compose(layout).astype(np.float32), step), length)).conj()


def _means(signal: Singles, step: int) -> Singles:
    """Means of so many samples each; the last few that fill none are left out."""
    size = signal.size // step * step
    total: Singles = signal[0:size:step].copy()
    for first in range(1, step):
        total += signal[first:size:step]
    return total / np.float32(step)


def band_gate(acoustic: AcousticResponse, grid: Floats) -> Gated:
    """Gate of about eight periods of the middle of a band: long enough to tell it, short enough to keep most room out.

    Where nothing arrives the gate stands where something would have.

    Raises
    ------
    Untrusted
        If what arrives does so where no sound of the box can.
    """
    middle_hz = float(np.sqrt(grid[0] * grid[-1]))
    after_s = float(np.clip(8 / middle_hz, 0.004, 0.2))
    arrival_s = acoustic.arrival_s if np.isfinite(acoustic.arrival_s) else acoustic.zero_s + 0.003
    try:
        return gate(acoustic.impulse, acoustic.sample_rate_hz, arrival_s, min(0.25 * after_s, 0.01), after_s)
    except ValueError:
        raise Untrusted("what was heard begins when no sound of the box can: a noise in the room") from None


def band_response(acoustic: AcousticResponse, grid: Floats) -> tuple[Complex, Floats]:
    """Response over a band behind `band_gate`, and the magnitude that noise alone would have there.

    The phase is referred to the electrical time zero.
    """
    gated = band_gate(acoustic, grid)
    response = deconvolution.gated_frequency_response(gated, acoustic.sent, grid)
    arrival_s = gated.first_s + float(gated.time_zero_s)
    turned: Complex = response * np.exp(-2j * np.pi * grid * (arrival_s - acoustic.zero_s))
    return turned, np.sqrt(noise_power(acoustic, gated, grid))


def noise_power(acoustic: AcousticResponse, gated: Gated, grid: Floats) -> Floats:
    """Squared magnitude that noise alone would have behind a gate, from the silence before the sweep."""
    at_hz, power = acoustic.noise
    through: Floats = np.interp(np.log(grid), np.log(at_hz), power) * np.sum(gated.window**2)
    return through


def mean_db(response: Complex | Floats) -> float:
    """Root mean square of a magnitude over its frequencies, in dB."""
    return float(db(np.sqrt(np.mean(np.abs(response) ** 2))))


def air_speed_m_s(capture: Capture) -> float:
    """Speed of sound at the bench's air temperature; at 20 degrees Celsius when that is not measured."""
    celsius = capture.calibration.air_celsius
    return speed_of_sound_m_s(20.0 if celsius is None else celsius)


def design_response(kit: Kit, request: Sweep, frequency_hz: Floats, air_m_s: float) -> Complex:
    """Pascal per volt at the microphone in free air, time of flight included, as the kit's model has it."""
    whole: Complex = driver_design_responses(kit, request, frequency_hz, air_m_s).sum(axis=0)
    return whole


def driver_design_responses(kit: Kit, request: Sweep, frequency_hz: Floats, air_m_s: float) -> Complex:
    """As `design_response`, of each driver of the channel by itself: shape (drivers, frequencies)."""
    position = kit.position(request.position)
    microphone = microphone_at(position.distance_m, position.angle_deg)
    return model_pressure_pa(kit.model(request.channel, request.position), frequency_hz, microphone, air_m_s)


def model_pressure_pa(model: Channel, frequency_hz: Floats, microphone: Position, air_m_s: float) -> Complex:
    """`driver_pressure_pa` for 1 V at the leads; of one design at one place it is computed once."""
    try:
        hash(model)
    except TypeError:
        # Many designs at once: arrays in place of numbers.
        return driver_pressure_pa(model, frequency_hz, 1.0, microphone, air_m_s)
    return _kept_pressure_pa(model, frequency_hz, 1.0, microphone, air_m_s)


_kept_pressure_pa = kept_by_value(32)(driver_pressure_pa)
