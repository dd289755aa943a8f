"""What a loopback says of the sound card: from captures of one sweep in several openings to curves and figures."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.calibration.storage import LoopDetails, LoopHarmonics, LoopResponse
from rig.files.errors import BenchError
from rig.signals import integrity, stimulus
from rig.signals.arrays import Complex, Floats
from rig.signals.deconvolution import harmonic_distortion_db, harmonic_responses, transfer_function
from rig.signals.levels import db
from rig.signals.smoothing import log_frequency_grid
from rig.values.captures import Capture

#: A loop that is further off than this between these frequencies is no plain cable from output to input (our choice;
#: tests/benchmarks/calibration_accuracy.py).
LOOP_WITHIN_DB, LOOP_BAND_HZ = 3.0, (100.0, 10000.0)
#: Where one number stands for a curve (our choice; tests/benchmarks/calibration_accuracy.py).
LEVEL_AT_HZ = 1000.0
#: A loop with more than this at 1 kHz is overloaded (our choice; tests/benchmarks/calibration_accuracy.py).
MOST_DISTORTION = 0.01
ORDERS = (2, 3, 4, 5)
#: In front of the sweep, so that its lead-in is whole (our choice; tests/benchmarks/calibration_accuracy.py).
MARGIN_S = 0.02


@dataclass(frozen=True)
class Loop:
    """The sound card from output to input: what is put down, and what the calibration itself is."""

    details: LoopDetails
    #: Level at 1 kHz over what the volts of bench.toml promise, and its standard uncertainty over the openings.
    level_db: float
    u_level_db: float


def loop_of(captures: Sequence[Capture], role: str) -> Loop:
    """Read the same sweep of several openings at the input that hears the output.

    Raises
    ------
    BenchError
        If a capture is not whole, or what is at the input is no plain copy of the output.
    """
    read = [_one_opening(capture, role) for capture in captures]
    grid = read[0].frequency_hz
    middle = np.mean([one.ratio for one in read], axis=0)
    gain_db, at = db(middle), int(np.argmin(np.abs(grid - LEVEL_AT_HZ)))
    inside = (grid >= LOOP_BAND_HZ[0]) & (grid <= LOOP_BAND_HZ[1])
    worst = float(gain_db[inside][np.argmax(np.abs(gain_db[inside]))])
    if not abs(worst) < LOOP_WITHIN_DB:
        raise BenchError(
            f"the loop is {worst:+.1f} dB off what output_volts and input_volts promise: is it a plain cable from "
            "output to input, are the knobs where they belong, are the volts peak and not RMS?"
        )
    each_db = np.array([db(one.ratio)[at] for one in read])
    spread = float(np.std(each_db, ddof=1)) if each_db.size > 1 else 0.0
    harmonics_db = db(np.sqrt(np.mean([10 ** (one.harmonics_db / 10) for one in read], axis=0)))
    level_v = captures[0].request.level_v / captures[0].request.path_gain
    distortion = _distortion(read[0].harmonics_hz, harmonics_db)
    if not distortion < MOST_DISTORTION:
        raise BenchError(
            f"the loop distorts by {100 * distortion:.2g} % at 1 kHz and {level_v:g} V: output or input is "
            "overloaded; turn down, or play quieter (--volts)"
        )
    details = LoopDetails(
        response=LoopResponse(grid, gain_db, np.degrees(np.unwrap(np.angle(middle)))),
        latency_samples=tuple(one.delay_samples for one in read),
        sample_rate_hz=captures[0].sample_rate_hz,
        noise_v=float(np.sqrt(np.mean([one.noise_v**2 for one in read]))),
        noise_db_full_scale=float(db(read[0].noise_v / captures[0].calibration.input_volts[role] * math.sqrt(2))),
        harmonics=LoopHarmonics(level_v, read[0].harmonics_hz, harmonics_db, ORDERS),
        distortion_at_1_khz=distortion,
    )
    return Loop(details, float(gain_db[at]), spread / math.sqrt(each_db.size))


def _distortion(harmonics_hz: Floats, harmonics_db: Floats) -> float:
    """Harmonics together over the fundamental of 1 kHz."""
    at = int(np.argmin(np.abs(harmonics_hz - LEVEL_AT_HZ)))
    return float(np.sqrt(np.nansum(10 ** (harmonics_db[:, at] / 10))))


@dataclass(frozen=True, eq=False)
class _Opening:
    frequency_hz: Floats
    ratio: Complex
    delay_samples: float
    noise_v: float
    harmonics_hz: Floats
    harmonics_db: Floats


def _one_opening(capture: Capture, role: str) -> _Opening:
    request, rate_hz, plan = capture.request, capture.sample_rate_hz, capture.layout
    row = capture.inputs.index(role)
    found = integrity.inspect(capture.samples[[row]], plan, 0, inputs=(role,))
    if capture.flags or found.troubles:
        raise BenchError(f"the capture is not whole: {'; '.join((*capture.flags, *found.troubles))}")
    volts = capture.volts(role)
    noise = volts[plan.silence]
    volts = volts - np.mean(noise)
    whole = math.floor(found.delay_samples)
    peak_v = request.level_v * math.sqrt(2) / request.path_gain
    received = np.pad(volts[whole:], (0, max(0, plan.frames - (volts.size - whole))))[: plan.frames]
    grid = np.append(log_frequency_grid(request.start_hz, request.stop_hz / 1.03, 12), request.stop_hz)
    ratio = transfer_function(received, peak_v * stimulus.compose(plan), plan, grid, 0.01, 0.25)
    late = (found.delay_samples - whole) / rate_hz
    margin = round(MARGIN_S * rate_hz)
    harmonics_hz = log_frequency_grid(2 * request.start_hz, request.stop_hz / 2, 3)
    responses = harmonic_responses(
        volts[plan.sweep_start + whole - margin : plan.mark_after + whole],
        plan,
        (1, *ORDERS),
        harmonics_hz,
        delay_s=MARGIN_S + late,
        after_s=0.2,
    )
    return _Opening(
        frequency_hz=grid,
        ratio=np.asarray(ratio * np.exp(2j * np.pi * grid * late)),
        delay_samples=found.delay_samples,
        noise_v=float(np.std(noise)),
        harmonics_hz=harmonics_hz,
        harmonics_db=harmonic_distortion_db(responses[1:], responses[0]),
    )
