"""Volts and pascals of the bench, from a meter's readings and a calibrator's tone."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.calibration.known_load import EVEN
from rig.calibration.storage import Cause
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.arrays import Floats
from rig.signals.levels import db, pressure_pa
from rig.signals.tone import Tone, measure_tone

#: The two levels at which an output is measured may disagree by so much: more is a meter's range or an automatic gain
#: (our choice; tests/benchmarks/calibration_accuracy.py).
NOT_LINEAR_PERCENT = 3.0
#: A first reading further off than this is of another quantity, another place or another unit (our choice;
#: tests/benchmarks/calibration_accuracy.py).
MOST_FACTOR = 3.0
#: Of a hand meter on its alternating range, half-width (common practice, no source).
METER_PERCENT = 1.0
READING = re.compile(r"(?P<digits>\d+(?:\.\d*)?|\.\d+)\s*(?P<unit>mV|V)?")
#: Volts at an input are less than at an output that was measured by itself, by what the input draws: half-width of an
#: even distribution (common practice, no source). A reading taken with the cable in place has none of it.
LOADING_PERCENT = 0.5

#: Levels in dB SPL and frequency of sound calibrators (IEC 60942, from memory).
CALIBRATOR_DB = (94.0, 114.0)
CALIBRATOR_HZ = 1000.0
#: Of class 2 calibrators by IEC 60942 (from memory): frequency, steadiness and distortion.
CALIBRATOR_OFF, CALIBRATOR_UNSTEADY_DB, CALIBRATOR_DISTORTION = 0.02, 0.2, 0.04
#: The calibrator's own level and what its coupling adds: half-width of an even distribution (common practice).
CALIBRATOR_WITHIN_DB = 0.5
#: The tone must stand so far over the rest: then the room moves the level by less than 0.01 dB (our choice;
#: tests/benchmarks/calibration_accuracy.py).
CALIBRATOR_OVER_REST_DB = 30.0
#: A tone that stands less than this over the rest is not there (our choice; tests/benchmarks/calibration_accuracy.py).
THERE_DB = 10.0
#: Two mountings of a calibrator differ by less (our choice; tests/benchmarks/calibration_accuracy.py).
MOUNTINGS_WITHIN_DB = 0.3
#: A decibel as a relative amplitude, for small ones; by definition.
PER_DB = math.log(10) / 20


@dataclass(frozen=True)
class MeterReading:
    """What a meter showed, as it was typed or as an instrument said it."""

    volts: float
    #: Standard uncertainty of the digits alone, or of several answers of an instrument.
    u_volts: float


def typed_reading(text: str) -> MeterReading:
    """A reading as a person types it: volts RMS, or with a unit ("707.1 mV").

    Raises
    ------
    BenchSetupError
        If it is no number with a decimal point and a unit that is allowed.
    """
    found = READING.fullmatch(text.strip())
    if not found or float(found["digits"]) == 0:
        raise BenchSetupError(f"found {text!r}; allowed: the meter's reading in volts RMS, as 0.7071 or 707.1 mV")
    scale = 1e-3 if found["unit"] == "mV" else 1.0
    decimals = len(found["digits"].partition(".")[2])
    # Half of the last digit is the half-width of an even distribution.
    return MeterReading(float(found["digits"]) * scale, 0.5 * 10**-decimals * scale / EVEN)


def volts_of_output(
    quiet: tuple[MeterReading, float], normal: tuple[MeterReading, float], believed_v: float, meter_percent: float
) -> tuple[float, tuple[Cause, ...]]:
    """Volts at the output for a sample of 1.0, from a meter's readings of two tones of known peak in samples.

    Parameters
    ----------
    quiet, normal : (reading, peak)
        Of the quiet tone and of the one that counts.
    believed_v : float
        What bench.toml says.
    meter_percent : float
        Accuracy of the meter as its maker states it: half-width of an even distribution.

    Returns
    -------
    (volts, budget)

    Raises
    ------
    BenchError
        If the readings are not of this output.
    """
    require_plausible(quiet, believed_v)
    at_quiet, volts = (reading.volts * math.sqrt(2) / peak for reading, peak in (quiet, normal))
    u_digits = math.hypot(*(reading.u_volts / reading.volts for reading, _ in (quiet, normal)))
    off_percent = 100 * (at_quiet / volts - 1)
    if not abs(off_percent) <= NOT_LINEAR_PERCENT + 300 * u_digits:
        raise BenchError(
            f"the quiet tone reads {off_percent:+.1f} % against the other: the meter's range is wrong for one of them, "
            "or something on the way changes the level (automatic gain, a limiter, the system's volume)"
        )
    reading = normal[0]
    budget = (
        Cause(f"meter, {meter_percent:g} % of reading", meter_percent / EVEN),
        Cause("last digit or spread of the reading", 100 * reading.u_volts / reading.volts),
    )
    return volts, budget


def require_plausible(first: tuple[MeterReading, float], believed_v: float) -> None:
    """Before anything louder sounds, the first reading must be near what bench.toml promises.

    Raises
    ------
    BenchError
        If it is not.
    """
    reading, peak = first
    expected_v = peak * believed_v / math.sqrt(2)
    factor = reading.volts / expected_v
    if not 1 / MOST_FACTOR < factor < MOST_FACTOR:
        raise BenchError(
            f"the meter reads {reading.volts:.4g} V; output_volts = {believed_v:g} promises {expected_v:.4g} V. Is "
            "it on AC volts, at the right output, and is the reading in volts? Nothing louder is played"
        )


def volts_of_input(
    samples: Floats, sample_rate_hz: float, frequency_hz: float, volts_rms: float, budget: Sequence[Cause]
) -> tuple[float, tuple[Cause, ...], Tone]:
    """Volts at an input for a sample of 1.0, from what it heard of a tone of known RMS volts; budget of these included.

    Raises
    ------
    BenchError
        If the tone is not there, is overloaded or unsteady.
    """
    tone = _tone(samples, sample_rate_hz, frequency_hz)
    if np.max(np.abs(samples)) >= 0.999:
        raise BenchError("the input is overloaded: turn it down")
    if tone.over_rest_db > THERE_DB and tone.unsteady_db > CALIBRATOR_UNSTEADY_DB:
        raise BenchError(f"the tone's level wanders by {tone.unsteady_db:.2f} dB: a bad contact, or an automatic gain")
    if tone.over_rest_db < CALIBRATOR_OVER_REST_DB:
        raise BenchError(
            f"the tone stands only {tone.over_rest_db:.0f} dB over the rest at this input: is the cable in, at the "
            "input that bench.toml names?"
        )
    return volts_rms / tone.rms, (*budget, Cause("noise", 100 * tone.rms_uncertainty / tone.rms)), tone


def _tone(samples: Floats, sample_rate_hz: float, frequency_hz: float) -> Tone:
    try:
        return measure_tone(samples, sample_rate_hz, frequency_hz)
    except ValueError as error:
        raise BenchError(f"no tone can be told: {error}") from None


def calibrator_tone(volts: Floats, sample_rate_hz: float) -> Tone:
    """The tone of a sound calibrator on the microphone.

    Raises
    ------
    BenchError
        If it is not there, or is not what a calibrator gives.
    """
    tone = _tone(volts, sample_rate_hz, CALIBRATOR_HZ)
    off = tone.frequency_hz / CALIBRATOR_HZ - 1
    wrong = ""
    if abs(off) > CALIBRATOR_OFF:
        wrong = f"the tone is at {tone.frequency_hz:.1f} Hz: not that of a calibrator of {CALIBRATOR_HZ:g} Hz"
    elif tone.unsteady_db > CALIBRATOR_UNSTEADY_DB:
        wrong = (
            f"the tone's level wanders by {tone.unsteady_db:.2f} dB, {CALIBRATOR_UNSTEADY_DB:g} are allowed: press the "
            "calibrator on and hold still; a fresh battery; no automatic gain on this input"
        )
    elif tone.distortion > CALIBRATOR_DISTORTION:
        wrong = (
            f"the tone holds {100 * tone.distortion:.1f} % of harmonics, {100 * CALIBRATOR_DISTORTION:g} are allowed: "
            "the input is overloaded, or the calibrator's battery is low"
        )
    # What does not stand out is no tone whose frequency or level could be determined.
    if tone.over_rest_db < THERE_DB or (not wrong and tone.over_rest_db < CALIBRATOR_OVER_REST_DB):
        wrong = (
            f"the calibrator's tone stands {tone.over_rest_db:.0f} dB over the rest, {CALIBRATOR_OVER_REST_DB:g} are "
            "needed: is it on, is the microphone all the way in, is the room quiet?"
        )
    if wrong:
        raise BenchError(wrong)
    return tone


def sensitivity_of(
    tones: Sequence[Tone], level_db: float, within_db: float, believed_v_per_pa: float | None
) -> tuple[float, tuple[Cause, ...]]:
    """Volts per pascal from the calibrator's tone in several mountings, and the budget.

    Raises
    ------
    BenchError
        If the mountings disagree, or the result is far from what bench.toml says.
    """
    each = np.array([tone.rms for tone in tones]) / float(pressure_pa(level_db))
    apart_db = float(db(np.max(each) / np.min(each)))
    if apart_db > MOUNTINGS_WITHIN_DB:
        raise BenchError(
            f"the mountings differ by {apart_db:.2f} dB, {MOUNTINGS_WITHIN_DB:g} are allowed: push the microphone in "
            "to the stop each time"
        )
    found = float(np.mean(each))
    if believed_v_per_pa and abs(db(found / believed_v_per_pa)) > 6:
        off_db = float(db(found / believed_v_per_pa))
        hint = "; a calibrator of the other level, 94 or 114 dB?" if abs(abs(off_db) - 20) < 6 else ""
        raise BenchError(
            f"{found * 1e3:.4g} mV/Pa is {off_db:+.1f} dB off microphone_mv_per_pa = {believed_v_per_pa * 1e3:g} in "
            f"bench.toml: correct one or the other{hint}"
        )
    repeat = float(np.std(each, ddof=1)) / found / math.sqrt(each.size) if each.size > 1 else 0.0
    budget = (
        Cause(f"calibrator, {within_db:g} dB", 100 * PER_DB * within_db / EVEN),
        Cause(f"{each.size} mountings", 100 * repeat),
        Cause("noise", 100 * max(tone.rms_uncertainty / tone.rms for tone in tones)),
    )
    return found, budget
