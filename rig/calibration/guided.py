"""The guided calibrations: what the person at the bench is asked, what sounds meanwhile, and what is put down."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

from rig.bench.connection import CARD_ALONE
from rig.bench.holding import HeldTone, Tone
from rig.bench.settings import LeadsSettings, PlayingSettings
from rig.calibration import known_load as calibration
from rig.calibration import loopback as calibration_loop
from rig.calibration import volts as calibration_volts
from rig.calibration.calibrated import OUTPUT_IN_FORCE, loop_role
from rig.calibration.desk import Desk, Meter, sound_capture
from rig.calibration.response_file import read_response
from rig.calibration.storage import Cause, MicrophoneDetails, Stored
from rig.calibration.volts import MeterReading
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.divider import Standard
from rig.values.captures import KnownLoad
from rig.values.requests import Stage, Sweep

WiredStage = Literal["leads", "playing", "soak"]

#: Quiet enough for whatever may still hang at the output; our choice.
QUIET_V = 0.05
#: Of full scale, where output and input have room on both sides; our choice.
NORMAL_PART = 0.5
#: Between the multiples of 50 and 60 Hz, in the range of every meter; our choice.
TONE_HZ = 110.0
LISTEN_S = 3.0
#: So long a calibrator is listened to; our choice.
CALIBRATOR_S = 6.0
#: So many openings of the stream a loopback is measured in, and so often a calibrator is put on; our choice.
OPENINGS, MOUNTINGS = 5, 2
#: Of one output of a card against another: half-width of an even distribution (common practice, no source).
OUTPUTS_PERCENT = 0.5


def calibrate_loopback(desk: Desk, stage: WiredStage, volts: float | None, openings: int) -> Stored:
    """The card from output to input, in several openings of its stream.

    Raises
    ------
    BenchSetupError
        If this stage has no input that hears the output.
    BenchError
        If what is heard is no plain copy of what is played.
    Stopped
        As `Guide.ready`.
    """
    wiring, values = desk.settings.wiring(stage), desk.settings.calibration(stage)
    role = loop_role(wiring)
    if role not in wiring.inputs:
        raise BenchSetupError(
            f"{stage}.inputs: found {', '.join(wiring.inputs)}; a loopback needs the input 'loopback'"
        )
    most_v = min(values.output_volts, 0.7 / NORMAL_PART * values.input_volts[role])
    level_v = NORMAL_PART * most_v / math.sqrt(2) if volts is None else volts
    if isinstance(wiring, LeadsSettings):
        desk.guide.ready("Leave the clips open, on nothing: the drive input hears the output. Amplifier unplugged.")
    else:
        desk.guide.ready(
            f"{CARD_ALONE} The loopback cable stays in. What sounds now would be loud through an amplifier."
        )
    rate_hz = desk.settings.device.sample_rate_hz if desk.settings.device else 48000.0
    channel = next(iter(wiring.outputs))
    request = Sweep(stage, channel, channel, level_v, 1.0, 20.0, min(22000.0, 0.455 * rate_hz), 2.0)
    captures = [sound_capture(desk.bench, desk.guide, request, role) for _ in range(openings)]
    found = calibration_loop.loop_of(captures, role)
    budget = (Cause(f"{openings} openings", 100 * calibration_volts.PER_DB * found.u_level_db),)
    return desk.calibration_made(
        "loopback",
        desk.settings.wiring_key(stage),
        stage,
        ("level at 1 kHz", found.level_db, "dB"),
        budget,
        found.details,
    )


def calibrate_output(
    desk: Desk,
    stage: WiredStage,
    meter: Meter,
    hz: float = TONE_HZ,
    meter_percent: float = calibration_volts.METER_PERCENT,
) -> Stored:
    """Volts at the card's output, by a meter: quietly at first, then at half of full scale.

    Raises
    ------
    BenchError
        If the reading cannot be of this output; nothing louder has sounded then.
    Stopped
        As `Guide.ready`.
    """
    wiring = desk.settings.wiring(stage)
    believed_v = desk.settings.calibration(stage).output_volts
    channel, number = next(iter(wiring.outputs.items()))
    desk.guide.ready(
        f"{CARD_ALONE} Put the meter, on AC volts, at the card's output {number}, with the cables on it that stay "
        "there in use (a loopback, the clips open)."
    )
    quiet = _metered(desk, stage, channel, Tone(hz, min(QUIET_V, 0.1 * believed_v)), meter)
    calibration_volts.require_plausible(quiet, believed_v)
    normal = _metered(desk, stage, channel, Tone(hz, NORMAL_PART * believed_v / math.sqrt(2)), meter)
    volts, budget = calibration_volts.volts_of_output(quiet, normal, believed_v, meter_percent)
    if len(set(wiring.outputs.values())) > 1:
        budget = (*budget, Cause("one output against another", OUTPUTS_PERCENT / calibration.EVEN))
    details: dict[str, object] = {"frequency_hz": hz, "tones": [_plain(quiet), _plain(normal)], "output": number}
    return desk.calibration_made(
        "output", desk.settings.wiring_key(stage), stage, ("output_volts", volts, "V"), budget, details
    )


def _plain(read: tuple[MeterReading, float]) -> dict[str, float]:
    reading, peak = read
    return {"peak_of_full_scale": peak, "meter_v": reading.volts, "meter_u_v": reading.u_volts}


def _metered(desk: Desk, stage: Stage, channel: str, tone: Tone, meter: Meter) -> tuple[MeterReading, float]:
    """A meter's reading of a tone that still sounds when it is given, and the tone's peak in samples."""
    while True:
        desk.guide.say(f"a tone of {tone.frequency_hz:g} Hz sounds, about {tone.level_v:.3g} V RMS")
        with desk.bench.stage(stage) as player, player.hold(channel, tone) as held:
            reading = meter(desk.guide)
            if held.is_sounding():
                return reading, held.peak
        desk.guide.say(f"the tone had ended after {tone.seconds:g} s, before the reading came; once more")


def calibrate_input(
    desk: Desk, role: str, meter: Meter | None, hz: float = TONE_HZ, meter_percent: float = 1.0
) -> Stored:
    """Volts at an input: of the calibrated output's tone, or of what a meter reads at the input meanwhile.

    Raises
    ------
    BenchSetupError
        If no input has this role, or the output's volts are not calibrated and no meter is there.
    BenchError
        If the tone is not heard as it should be.
    Stopped
        As `Guide.ready`.
    """
    stage: WiredStage = "leads" if role in ("drive", "sense") else "playing"
    wiring, values = desk.settings.wiring(stage), desk.settings.calibration(stage)
    if role not in wiring.inputs:
        raise BenchSetupError(f"role: found {role!r}; allowed in [{stage}]: {', '.join(wiring.inputs)}")
    if role not in desk.settings.own_inputs(wiring):
        raise BenchSetupError(
            f"role: found {role!r}, which is a device of its own; allowed is an input of the card that plays. What a "
            "pascal gives there is found by: kitproof calibrate microphone"
        )
    if meter is None and values.output_uncertainty is None:
        raise BenchSetupError(
            f"the output's volts are not calibrated: run kitproof calibrate output --stage {stage} first, or put a "
            "meter at the input and give --metered or --meter ROLE"
        )
    channel, number = _source_of(wiring, role)
    desk.guide.ready(
        f"{CARD_ALONE} Join the card's output {number} with its input {wiring.inputs[role]} "
        f"({role}){', and put the meter, on AC volts, across the two' if meter else ''}."
    )
    level_v = NORMAL_PART * min(values.output_volts, values.input_volts[role]) / math.sqrt(2)
    _require_tone(desk, stage, channel, role, Tone(hz, level_v / 10))
    with desk.bench.stage(stage) as player, player.hold(channel, Tone(hz, level_v)) as held:
        volts_rms, budget = _known_volts(
            desk, held, meter, values.output_volts, values.output_uncertainty, meter_percent
        )
        samples = held.recorded(LISTEN_S)[role]
    rate_hz = desk.settings.device.sample_rate_hz if desk.settings.device else 48000.0
    found, whole, tone = calibration_volts.volts_of_input(samples, rate_hz, hz, volts_rms, budget)
    details: dict[str, object] = {
        "frequency_hz": tone.frequency_hz,
        "volts_rms": volts_rms,
        "over_rest_db": tone.over_rest_db,
    }
    one = desk.calibration_made("input", role, stage, ("input_volts", found, "V"), whole, details)
    rests_on = {key: value for key, value in one.made_with.items() if meter is None or key != OUTPUT_IN_FORCE}
    return replace(one, made_with=rests_on)


def _source_of(wiring: LeadsSettings | PlayingSettings, role: str) -> tuple[str, int]:
    """Channel whose tone reaches an input, and the number of the output to join it with."""
    channel, number = next(iter(wiring.outputs.items()))
    if role == "loopback" and isinstance(wiring, PlayingSettings) and wiring.loopback_output is not None:
        number = wiring.loopback_output
    return channel, number


def _require_tone(desk: Desk, stage: Stage, channel: str, role: str, tone: Tone) -> None:
    """A quiet tone first: it must arrive and not overload."""
    with desk.bench.stage(stage) as player, player.hold(channel, tone) as held:
        samples = held.recorded(1.0)[role]
    rate_hz = desk.settings.device.sample_rate_hz if desk.settings.device else 48000.0
    calibration_volts.volts_of_input(samples, rate_hz, tone.frequency_hz, tone.level_v, ())


def _known_volts(
    desk: Desk,
    held: HeldTone,
    meter: Meter | None,
    output_volts: float,
    u_output: float | None,
    meter_percent: float,
) -> tuple[float, tuple[Cause, ...]]:
    """RMS volts of a held tone, by the meter or by the calibrated output, with the budget."""
    if meter is None:
        budget = (
            Cause("output volts", 100 * (u_output or 0.0)),
            Cause("what the input draws", calibration_volts.LOADING_PERCENT / calibration.EVEN),
        )
        return held.peak * output_volts / math.sqrt(2), budget
    reading = meter(desk.guide)
    calibration_volts.require_plausible((reading, held.peak), output_volts)
    if not held.is_sounding():
        raise BenchError("the tone had ended before the reading came; run the command once more")
    return reading.volts, (
        Cause(f"meter, {meter_percent:g} % of reading", meter_percent / calibration.EVEN),
        Cause("last digit or spread of the reading", 100 * reading.u_volts / reading.volts),
    )


def calibrate_microphone(desk: Desk, level_db: float, within_db: float, mountings: int, file: Path | None) -> Stored:
    """Millivolts per pascal by a sound calibrator, and the microphone's own response from a file.

    Raises
    ------
    BenchSetupError
        If the file cannot be read.
    BenchError
        If what is heard is no calibrator's tone.
    Stopped
        As `Guide.ready`.
    """
    response = read_response(file, calibration_volts.CALIBRATOR_HZ) if file else None
    wiring = desk.settings.wiring("playing")
    believed = wiring.microphone_mv_per_pa if isinstance(wiring, PlayingSettings) else None
    channel = next(iter(wiring.outputs))
    silence = Sweep("playing", channel, channel, 0.0, 1.0, 100.0, 10000.0, CALIBRATOR_S)
    tones = []
    for number in range(1, mountings + 1):
        again = "" if number == 1 else "Take the calibrator off and put it on anew. "
        desk.guide.ready(
            f"{again}Put the calibrator on the microphone, switch it to {level_db:g} dB and hold it still. Nothing is "
            f"played. ({number} of {mountings})"
        )
        capture = sound_capture(desk.bench, desk.guide, silence, "microphone")
        tone = calibration_volts.calibrator_tone(capture.volts("microphone"), capture.sample_rate_hz)
        desk.guide.say(
            f"{tone.frequency_hz:.1f} Hz, {tone.rms * 1e3:.4g} mV, steady within {tone.unsteady_db:.2f} dB, harmonics "
            f"{100 * tone.distortion:.2f} %"
        )
        tones.append(tone)
    v_per_pa, budget = calibration_volts.sensitivity_of(tones, level_db, within_db, believed and believed / 1000)
    found = tuple(
        {
            "frequency_hz": tone.frequency_hz,
            "volts": tone.rms,
            "unsteady_db": tone.unsteady_db,
            "distortion": tone.distortion,
            "over_rest_db": tone.over_rest_db,
        }
        for tone in tones
    )
    details = MicrophoneDetails(level_db, found, response)
    return desk.calibration_made(
        "microphone", "", "playing", ("sensitivity", 1000 * v_per_pa, "mV/Pa"), budget, details
    )


def calibrate_sense(desk: Desk, loads: Sequence[Standard], volts: float) -> Stored:
    """The bare leads on open and shorted clips and on one or two known resistors.

    Raises
    ------
    BenchError
        If what was measured cannot be these loads.
    Stopped
        As `Guide.ready`.
    """
    measured = []
    for standard in (calibration.OPEN, calibration.SHORT, *loads):
        if standard is calibration.OPEN:
            words = "Leave the clips open: hang them up so that they touch nothing. The amplifier stays unplugged."
        elif standard is calibration.SHORT:
            words = "Clip the two clips on each other, metal on metal."
        else:
            words = f"Clip the known resistor of {standard.ohm:g} ohm between the clips."
        desk.guide.ready(words)
        measured.append((standard, sound_capture(desk.bench, desk.guide, leads_sweep(desk, volts))))
    known = calibration.calibrate_sense(measured, desk.made_at())
    return _sense(desk, known, [standard.name for standard, _ in measured])


def calibrate_load(desk: Desk, load: Standard, percent: float, volts: float) -> Stored:
    """The two electrical inputs on one known resistor; clips and cables are taken for nothing.

    Raises
    ------
    BenchError, Stopped
        As `calibrate_sense`.
    """
    desk.guide.ready(
        f"Clip the known resistor of {load.ohm:g} ohm in place of the speaker; the amplifier stays unplugged."
    )
    capture = sound_capture(desk.bench, desk.guide, leads_sweep(desk, volts))
    known = calibration.calibrate_known_load(capture, load.ohm, desk.made_at(), percent)
    return _sense(desk, known, [load.name, "sense resistor, 1 %", "clips and cables"])


def leads_sweep(desk: Desk, volts: float, seconds: float | None = None) -> Sweep:
    """A sweep at the bare leads, whatever hangs there."""
    channel = next(iter(desk.settings.wiring("leads").outputs))
    return Sweep("leads", channel, channel, volts, 1.0, 10.0, 20000.0, seconds or calibration.SWEEP_S)


def _sense(desk: Desk, known: KnownLoad, causes: Sequence[str]) -> Stored:
    budget = calibration.budget_of(known, causes)
    stored = desk.calibration_made(
        "sense", "", "leads", ("known load", known.load_ohm, "ohm"), budget, calibration.details_of(known)
    )
    return replace(stored, made_at=known.made_at)
