"""How it was measured: the conditions and the calibrations that a certificate tells."""

from collections.abc import Iterator, Mapping

import numpy as np

from rig.circuit.notation import hertz
from rig.design.kit import Kit, PositionSpec
from rig.report import words
from rig.signals.noise_shape import Noise, NoiseFilter
from rig.values.captures import Calibration, Capture
from rig.values.logs import Log
from rig.values.requests import COLD_PART, Sweep
from rig.values.run import Run
from rig.verdict.guard import AMBIENT

STAGE_WORDS = {
    "leads": "at the bare leads",
    "playing": "playing",
    "soak": "around long loud playing",
    "after": "at the bare leads afterwards",
}


def conditions(run: Run, kit: Kit) -> Iterator[tuple[str, str]]:
    """How it was measured, as far as the captures tell."""
    captures = [capture for capture, _ in run.captures]
    if not captures and not run.logs:
        yield "captures", "none: nothing was played"
        return
    rates = sorted({capture.sample_rate_hz for capture in captures})
    yield "sample rate", ", ".join(f"{rate:g} Hz" for rate in rates) + ", as read back from the device"
    for stage in dict.fromkeys(capture.request.stage for capture in captures):
        yield from _stimuli(STAGE_WORDS[stage], {c.request for c in captures if c.request.stage == stage})
    for log, _ in run.logs:
        yield from _programme(log)
    used = {capture.request.position for capture in captures} | {log.request.position for log, _ in run.logs}
    for position in kit.positions:
        if position.name in used:
            yield f"microphone {position.name}", place_words(position)
    degrees = sorted({c.calibration.air_celsius for c in captures if c.calibration.air_celsius is not None})
    yield "air temperature", ", ".join(f"{value:g} °C" for value in degrees) or "not measured"
    looks = len(repeated_captures(run))
    repeats = sum(capture.attempt > 1 for capture in captures) - looks
    text = f"{len(captures)}, of these {repeats} repeated after a disturbance"
    yield "captures", text + (f" and {looks} played again for a second look" if looks else "")


def _stimuli(stage: str, asked: set[Sweep]) -> Iterator[tuple[str, str]]:
    """Silences, levels and sweeps of a stage."""
    silences = sorted({request.seconds for request in asked if request.is_silence})
    if silences:
        yield f"silence {stage}", " and ".join(f"{seconds:g} s" for seconds in silences)
    sweeps = {request for request in asked if not request.is_silence}
    if sweeps:
        levels = sorted({sweep.level_v for sweep in sweeps})
        yield f"level {stage}", " and ".join(f"{level:g} V" for level in levels) + " RMS"
        shapes = {f"{sweep.start_hz:g} Hz to {sweep.stop_hz:g} Hz in {sweep.seconds:g} s" for sweep in sweeps}
        yield f"sweeps {stage}", "; ".join(sorted(shapes))


def place_words(position: PositionSpec) -> str:
    """Where the microphone stood."""
    if position.near is not None:
        return f"{position.distance_m * 1e3:g} mm before the middle of the {position.near}"
    return f"{position.distance_m:g} m in front of the box, {position.angle_deg:g} degrees off its axis"


def _programme(log: Log) -> Iterator[tuple[str, str]]:
    """What was played for long, or that it was rest, and how it was logged."""
    request = log.request
    lasted_s = float(log.seconds[-1]) if log.seconds.size else 0.0
    length = f"{words.lapse(lasted_s)} of {words.lapse(request.seconds)}"
    name = "rest" if request.is_rest else "programme"
    if request.is_rest:
        yield name, f"nothing played, instruments read on; {length}"
    else:
        yield name, f"noise on {', '.join(request.channels)} together, each its own; {length}"
        if request.early_end_after_s is not None:
            early = f"from {words.lapse(request.early_end_after_s)} on, if every steady state is known beyond doubt"
            yield "early end of the programme", early
        yield "noise of the programme", noise_words(request.noise)
        level = f"{request.level_v:g} V RMS at the leads of each channel"
        yield (
            "level of the programme",
            f"{level}; {COLD_PART:g} times that while coils are cold, then a ramp of {request.ramp_s:g} s",
        )
    text = f"{log.seconds.size} rows, one every {request.every_s:g} s"
    watched = {AMBIENT: "ambient"} | {role.column: role.role for role in request.guard.roles}
    for column, role in watched.items():
        missing = int(np.sum(~np.isfinite(log.column(column))))
        text += f"; {role} without a value in {missing}" if missing else ""
    yield f"log of the {name}", text
    ambient = log.column(AMBIENT)[np.isfinite(log.column(AMBIENT))]
    if ambient.size:
        yield f"ambient in the {name}", f"{ambient.min():.1f} °C to {ambient.max():.1f} °C"


def noise_words(noise: Noise) -> str:
    """A noise in words: its filters, its crest factor, its seed."""
    shape = "".join(f", {_filter(one)}" for one in noise.filters)
    return f"pink{shape}; crest factor {noise.crest_factor:g}, seed {noise.seed}"


def _filter(one: NoiseFilter) -> str:
    if one.kind in ("highpass", "lowpass"):
        return f"{one.kind} {hertz(one.hz)} of order {one.order}"
    quality = f", Q {one.q:g}" if one.kind == "peak" else ""
    return words.with_minus(f"{one.kind} {one.gain_db:+g} dB at {hertz(one.hz)}{quality}")


def repeated_captures(run: Run) -> list[Capture]:
    """Second looks: captures of what had been played before and had not been disturbed then."""
    undisturbed = {(c.request, c.attempt) for c, troubles in run.captures if not troubles}
    return [c for c, _ in run.captures if c.attempt > 1 and (c.request, c.attempt - 1) in undisturbed]


def bench_settings(bench: Mapping[str, object]) -> Mapping[str, object]:
    """A bench's description; what only a simulated bench has is left out of a real one's."""
    if bench.get("kind") == "simulated":
        return bench
    return {key: value for key, value in bench.items() if key not in ("seed", "faults")}


def calibrations(run: Run) -> Iterator[tuple[str, str]]:
    """What the captures' calibrations say about the bench, each calibration once."""
    known = list(dict.fromkeys(tuple(_calibration(capture.calibration)) for capture, _ in run.captures))
    for number, lines in enumerate(known, 1):
        own = f" ({number})" if len(known) > 1 else ""
        yield from ((name + own, text) for name, text in lines)


def _calibration(calibration: Calibration) -> Iterator[tuple[str, str]]:
    gain = calibration.microphone_v_per_pa
    u = calibration.microphone_uncertainty
    known = "" if u is None else f", {100 * u:.2g} % (k = 1)"
    yield "microphone", f"{gain * 1e3:.4g} mV/Pa{known}" if gain else "not calibrated: levels are relative"
    if calibration.microphone_response:
        yield "response of the microphone", f"taken out as in {calibration.microphone_response.source}"
    sign = calibration.microphone_sign
    signs = {1: "positive voltage for a rise of pressure", -1: "negative voltage for a rise of pressure"}
    yield "sign of the microphone", signs.get(sign, "not known") if sign else "not known"
    if calibration.sense_ohm is None:
        yield "sense resistor", "not known"
    else:
        yield "sense resistor", f"{calibration.sense_ohm:g} ohm in the {calibration.sense_in} lead"
    load = calibration.known_load
    text = f"{load.load_ohm:g} ohm, {words.moment(load.made_at)}" if load else "never measured"
    yield "inputs compared on a known load", text
    for name, made_at in calibration.made_at.items():
        yield f"calibration {name}", words.moment(made_at)
    for name, why in calibration.doubts.items():
        yield f"calibration {name} in doubt", why
