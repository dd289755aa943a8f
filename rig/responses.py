"""What several checks need of one capture: the acoustic response of a channel, found once and shared."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from rig.circuit.radiation import microphone_at, pressure_pa
from rig.circuit.units import speed_of_sound_m_s
from rig.kit import Kit
from rig.readings import Capture, Floats, Untrusted
from rig.requests import Sweep
from rig.signals import deconvolution, stimulus, timing
from rig.signals.gating import Gated, gate
from rig.signals.levels import db
from rig.signals.noise import response_noise_power
from rig.signals.smoothing import log_frequency_grid

Complex = NDArray[np.complex128]

#: Kept of the impulse response: before the electrical time zero, and after it.
BEFORE_S = 0.05
AFTER_S = 0.35
#: The loopback may stray so far from the level that was asked for, or somebody has turned a knob.
OUTPUT_WITHIN_DB = 1.0


@dataclass(frozen=True, eq=False)
class Acoustic:
    """Impulse response between the voltage at the leads and the microphone."""

    #: Shape (frames,), pascal per volt (per second of impulse); volt per volt with an uncalibrated microphone.
    impulse: Floats
    sample_rate_hz: float
    #: Time of the electrical event in `impulse`, in seconds from its first frame.
    zero_s: float
    #: True: `zero_s` is the loopback's, so the arrival is a true time of flight.
    timed: bool
    #: When the sound begins, in seconds from the first frame; NaN when nothing stands out of the noise.
    arrival_s: float
    #: The silence before the sweep, in pascal, and what the capture was divided by, in volts at the leads.
    silence: Floats
    reference: Floats


def judged_grid(request: Sweep, points_per_octave: int) -> Floats:
    """The frequencies a curve is read at: evenly spaced on a logarithmic axis, both ends of the sweep included."""
    grid = log_frequency_grid(request.start_hz, request.stop_hz, points_per_octave)
    return np.unique(np.append(grid[grid < request.stop_hz * 0.999], request.stop_hz))


def sweep_layout(capture: Capture) -> stimulus.Layout:
    """How the capture's stimulus is laid out in time.

    Raises
    ------
    Untrusted
        If the capture does not hold all of it, or holds values that are not finite: nothing can be read from it.
    """
    request = capture.request
    layout = stimulus.layout(request.start_hz, request.stop_hz, request.seconds, capture.sample_rate_hz)
    frames = capture.samples.shape[1]
    if frames < layout.frames:
        raise Untrusted(f"{frames} samples were captured of a stimulus of {layout.frames} ({request})")
    if not np.all(np.isfinite(capture.samples)):
        raise Untrusted(f"the capture holds values that are not finite ({request})")
    return layout


@lru_cache(maxsize=8)
def _composed_spectrum(layout: stimulus.Layout, length: int) -> NDArray[np.complex64]:
    """Conjugate spectrum of the stimulus; read only."""
    spectrum = np.asarray(fft.rfft(stimulus.compose(layout).astype(np.float32), length)).conj()
    spectrum.flags.writeable = False
    return spectrum


def lead_volts(capture: Capture) -> tuple[Floats, bool]:
    """Voltage at the leads as recorded through the loopback, or else as it was sent; and whether it was recorded.

    Raises
    ------
    Untrusted
        If the loopback says that another level was played than the one asked for.
    """
    request, layout = capture.request, sweep_layout(capture)
    sent = stimulus.compose(layout) * request.level_v * np.sqrt(2)
    if not capture.has("loopback"):
        return np.pad(sent, (0, max(0, capture.samples.shape[1] - sent.size))), False
    recorded = capture.volts("loopback") * request.path_gain
    change_db = float(db(np.std(recorded) / np.std(np.pad(sent, (0, max(0, recorded.size - sent.size))))))
    if not abs(change_db) <= OUTPUT_WITHIN_DB:
        raise Untrusted(
            f"the card's output is {change_db:+.1f} dB off what was asked for ({request}): "
            "set its volume back to where it was calibrated"
        )
    return recorded, True


@lru_cache(maxsize=64)
def acoustic_response(capture: Capture) -> Acoustic:
    """Impulse response of a playing sweep. Without a loopback, time zero is where the capture's own marks put it.

    Raises
    ------
    Untrusted
        If the output level is not the one asked for, an input gives nothing, or the capture is not whole.
    """
    layout, request = sweep_layout(capture), capture.request
    leads, timed = lead_volts(capture)
    pressure = capture.pascal()
    if not (np.any(pressure) and np.any(leads)):
        raise Untrusted(f"the microphone or the loopback gave nothing at all ({request})")
    late = _lateness(capture, leads if timed else pressure, layout)
    start = layout.sweep_start + late
    stop = min(layout.mark_after + late, pressure.size)
    piece = slice(max(0, start - round(0.02 * capture.sample_rate_hz)), stop)
    reference = leads[piece] if timed else leads[piece.start - late : stop - late]
    impulse = deconvolution.impulse_response(
        pressure[piece] - np.mean(pressure[layout.silence]),
        reference,
        capture.sample_rate_hz,
        request.start_hz,
        request.stop_hz,
        BEFORE_S,
        AFTER_S,
    )
    return Acoustic(
        impulse=impulse,
        sample_rate_hz=capture.sample_rate_hz,
        zero_s=round(BEFORE_S * capture.sample_rate_hz) / capture.sample_rate_hz,
        timed=timed,
        arrival_s=float(timing.arrival_s(impulse, capture.sample_rate_hz)),
        silence=pressure[layout.silence],
        reference=reference,
    )


def _lateness(capture: Capture, recorded: Floats, layout: stimulus.Layout) -> int:
    """Whole frames by which the stimulus came back late, by its sweep; a little early rather than late."""
    # Sweep and tail must be in the recording: what would lie later is not the sweep.
    latest = recorded.size - layout.mark_after + 1
    # A circular correlation of this length is right for the lags from 0 to the latest.
    length = fft.next_fast_len(latest + layout.frames, real=True)
    # Single precision finds whole frames in half the time.
    heard = fft.rfft(recorded.astype(np.float32), length)
    heard *= _composed_spectrum(layout, length)
    match = np.abs(fft.irfft(heard, length, overwrite_x=True)[:latest])
    return max(0, int(np.argmax(match)) - round(0.002 * capture.sample_rate_hz))


def band_gate(heard: Acoustic, grid: Floats) -> Gated:
    """Gate of about eight periods of the middle of a band: long enough to tell it, short enough to keep most room out.

    Where nothing arrives the gate stands where something would have.

    Raises
    ------
    Untrusted
        If what arrives does so where no sound of the box can.
    """
    middle_hz = float(np.sqrt(grid[0] * grid[-1]))
    after_s = float(np.clip(8 / middle_hz, 0.004, 0.2))
    arrival_s = heard.arrival_s if np.isfinite(heard.arrival_s) else heard.zero_s + 0.003
    try:
        return gate(heard.impulse, heard.sample_rate_hz, arrival_s, min(0.25 * after_s, 0.01), after_s)
    except ValueError:
        raise Untrusted("what was heard begins when no sound of the box can: a noise in the room") from None


def band_response(heard: Acoustic, grid: Floats, request: Sweep) -> tuple[Complex, Floats]:
    """Response over a band behind `band_gate`, and the magnitude that noise alone would have there.

    The phase is referred to the electrical time zero.
    """
    gated = band_gate(heard, grid)
    band = (request.start_hz, request.stop_hz)
    response = deconvolution.gated_frequency_response(gated, heard.sample_rate_hz, grid, *band)
    arrival_s = gated.first_s + float(gated.time_zero_s)
    turned: Complex = response * np.exp(-2j * np.pi * grid * (arrival_s - heard.zero_s))
    return turned, np.sqrt(noise_power(heard, gated, grid, request))


def noise_power(heard: Acoustic, gated: Gated, grid: Floats, request: Sweep) -> Floats:
    """Squared magnitude that noise alone would have behind a gate, from the silence before the sweep."""
    at_hz, power = _noise_power(heard, request)
    through: Floats = np.interp(np.log(grid), np.log(at_hz), power) * np.sum(gated.window**2)
    return through


@lru_cache(maxsize=64)
def _noise_power(heard: Acoustic, request: Sweep) -> tuple[Floats, Floats]:
    """Frequencies, and `response_noise_power` there for a window of one frame: longer ones let more through."""
    grid = judged_grid(request, 24)
    one = np.ones(1)
    band = (request.start_hz, request.stop_hz)
    return grid, response_noise_power(heard.silence, heard.reference, one, heard.sample_rate_hz, grid, *band)


def mean_db(response: Complex | Floats) -> float:
    """Root mean square of a magnitude over its frequencies, in dB."""
    return float(db(np.sqrt(np.mean(np.abs(response) ** 2))))


def air_speed_m_s(capture: Capture) -> float:
    """Speed of sound at the bench's air temperature; at 20 degrees Celsius when that is not measured."""
    celsius = capture.calibration.air_celsius
    return speed_of_sound_m_s(20.0 if celsius is None else celsius)


def design_response(kit: Kit, request: Sweep, frequency_hz: Floats, air_m_s: float) -> Complex:
    """Pascal per volt at the microphone in free air, time of flight included, as the kit's model has it."""
    position = kit.position(request.position)
    microphone = microphone_at(position.distance_m, position.angle_deg)
    return pressure_pa(kit.model(request.channel), frequency_hz, 1.0, microphone, air_m_s)
