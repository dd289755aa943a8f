"""Rub and buzz: a rubbing coil, a loose wire, a rattling panel, a loose particle, air that blows.

The sweep of `response` is searched behind a high-pass that tracks it: above ten times its frequency a good unit gives
little but the room's noise. What comes back once a cycle near one phase is the unit's, however far below the noise a
single impulse lies: a contact where it reaches far above, its regular harmonics where it dies away as these do, in
doubt where it does neither (`rig/signals/breadth.py`). Several short impulses at no phase are a loose particle's;
anything else was a noise in the room, and proves nothing. The evidence is -lg of the probability that noise alone gives
as much anywhere in the sweep: a limit of 3 fails one good unit in a thousand.

Levels are in the terms of IEC 60268-21 (from memory): impulsive distortion is the peak of the high-passed residual
within a stretch of the sweep, its crest factor that peak over the RMS value there.

Uncertainty: evidence is a function of this capture and no more; what is told is how much it varies with the noise from
capture to capture. In evidence and in levels over the fundamental the calibration of the microphone cancels.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated

import numpy as np
from pydantic import Field

from rig.design.kit import Kit
from rig.design.trust import RestsOn
from rig.design.uncertainty_budget import pressure_db, with_parts
from rig.files.tables import Table
from rig.signals.breadth import breadth_of, is_regular_by_octaves
from rig.signals.deconvolution import gated_frequency_response
from rig.signals.gating import gate
from rig.signals.impulse_kinds import LOOKS, SIGNIFICANT, Impulses, impulses_of
from rig.signals.levels import REFERENCE_PRESSURE_PA, db, to_listen_to
from rig.signals.residual import Residual, noise_density, sweep_residual
from rig.signals.residual_peaks import Peaks, peaks_over_frequency, usable_between_s
from rig.signals.ringing import ringing_filter
from rig.signals.smoothing import log_frequency_grid, smooth_power
from rig.signals.tracking import SHUT_AT, Chirp, pass_band_hz
from rig.signals.trains import detectable_peak
from rig.signals.uncertainty import (
    coherence_scatter,
    combined,
    evidence_scatter,
    noise_level_db,
    peak_noise_db,
)
from rig.values.captures import Capture, Untrusted, once_per_capture
from rig.values.readings import CheckReadings, Curve, Floats, Reading, Sound
from rig.values.requests import Sweep
from rig.verdict.responses import (
    acoustic_response,
    air_speed_m_s,
    arrived_response,
    design_response,
    heard_silence,
    pressure_about_silence,
    silence_s,
    sweep_layout,
)

NAME = "rub_and_buzz"
TITLE = "Rub and buzz"
GATE = False

EVIDENCE = "evidence of impulses"
IMPULSIVE = "impulsive distortion"
IMPULSIVE_LEVEL = "impulsive distortion level"
DETECTABLE = "detectable impulsive distortion"
CREST_FACTOR = "crest factor"
COHERENCE = "phase coherence"
RESIDUAL = "residual"
RESTS_ON = RestsOn(
    ("microphone", "output"),
    {
        "playing": (),
        "output level": (),
        "speaker lead": (),
        "microphone gain": (EVIDENCE, IMPULSIVE, CREST_FACTOR, COHERENCE),
        "microphone place": (),
    },
)
TERMS = {
    EVIDENCE: "How sure it is that something ticks or buzzes in step with the sweep: the figure is how many powers of "
    "ten noise alone would give as much more rarely.",
    IMPULSIVE: "Peak of what is left when the sweep and its low harmonics are taken out, against the sweep: rubbing "
    "coils, loose screws, grains in the gap.",
    IMPULSIVE_LEVEL: "The same peak as a sound pressure level.",
    DETECTABLE: "The quietest impulsive distortion that would have been found in this noise.",
    CREST_FACTOR: "Peak over mean of what is left of the sweep: high when it ticks, low when it hisses.",
    COHERENCE: "How alike the place of the ticks is from one cycle to the next: 1 each time at the same place.",
    RESIDUAL: "What is left of the recording when the sweep itself is taken out.",
}


NOTHING = "nothing found"
#: The timing mark after the sweep is kept out by so much (our choice; tests/benchmarks/rub_and_buzz_detection.py).
GUARD_S = 0.005
#: The search begins so long before the sweep passes its first frequency: the mark before it has died away by then (our
#: choice; tests/benchmarks/rub_and_buzz_detection.py).
EARLY_S = 0.05
#: Of the cycles in a train's band this part carries the weight of their coherence (counted in noise) (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
CARRIERS = 0.25
#: So many times the search is made again above twice the order (our choice;
#: tests/benchmarks/rub_and_buzz_detection.py).
HIGHER = 3
#: Rubs and rattles live where the excursion is large: from the lowest frequency of a channel to so many times it (our
#: choice; tests/benchmarks/rub_and_buzz_detection.py).
LOW_PART = 2.3


class Settings(Table):
    """Settings of the check."""

    position: str = "on axis"
    points_per_octave: Annotated[int, Field(ge=3, le=48)] = 12
    #: A clean unit is proved clean only if a train of impulses of this level would have been caught ...
    prove_db: float = -40.0
    #: ... wherever in this band of the sweep it had been; without it, in the lowest octave or so of the channel's band.
    prove_hz: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None


def requests(kit: Kit, settings: Settings) -> list[Sweep]:
    """The sweep of `response` on each channel."""
    return [kit.sweep("playing", channel.name, channel.name, settings.position) for channel in kit.channels]


def foretell(quiet: Sequence[Capture], asked: Sequence[Sweep], settings: Settings, kit: Kit) -> list[str]:
    """What the noise that quiet sweeps were heard in will hide, in words, for each sweep that is asked for."""
    words = []
    for request in asked:
        capture = next((capture for capture in quiet if capture.request.at == request.at), None)
        if capture is None or not capture.calibration.microphone_v_per_pa:
            continue
        layout = request.layout(capture.sample_rate_hz)
        silence = capture.pascal()[heard_silence(capture, "microphone")]
        try:
            noise = noise_density(silence - np.mean(silence), capture.sample_rate_hz)
        except ValueError:
            continue
        at_hz = log_frequency_grid(request.start_hz, request.stop_hz, settings.points_per_octave)
        chirp = Chirp(layout.start_hz, layout.stop_hz, layout.seconds, capture.sample_rate_hz, 0.0)
        least = detectable_peak(noise, chirp, at_hz, SIGNIFICANT + np.log10(LOOKS))
        design = np.abs(design_response(kit, request, at_hz, air_speed_m_s(capture)))
        below = db(least / (np.sqrt(2) * request.level_v * design))
        words.append(
            hidden_by_noise(request, settings, kit, at_hz, db(least / np.sqrt(2) / REFERENCE_PRESSURE_PA), below)
        )
    return words


def hidden_by_noise(
    request: Sweep, settings: Settings, kit: Kit, at_hz: Floats, least_spl_db: Floats, least_db: Floats
) -> str:
    """What is hidden by noise, by least levels over the sweep's frequency in dB SPL and over the fundamental."""
    low, high = band_to_prove(kit, request.channel, settings)
    inside = np.flatnonzero((at_hz >= low) & (at_hz <= high))
    if not inside.size:
        return ""
    worst = inside[np.argmax(least_db[inside])]
    at = f"{kit.position(request.position).distance_m:g} m"
    beside = "below" if least_db[worst] <= 0 else "above"
    words = (
        f"{TITLE}, {request.channel}: with this noise a rub quieter than {least_spl_db[worst]:.0f} dB SPL at {at} "
        f"({abs(least_db[worst]):.0f} dB {beside} the sweep at {at_hz[worst]:.0f} Hz) would be missed"
    )
    short_db = least_db[worst] - settings.prove_db
    if short_db <= 0:
        return f"{words}."
    return f"{words}. That is {short_db:.0f} dB more than the kit allows: unless it gets quieter, nothing is proved."


def band_to_prove(kit: Kit, channel: str, settings: Settings) -> tuple[float, float]:
    """Where a clean unit is to be proved clean, in Hz."""
    low, high = kit.channel(channel).band
    return (settings.prove_hz[0], settings.prove_hz[1]) if settings.prove_hz else (low, min(LOW_PART * low, high))


def read(captures: Sequence[Capture], settings: Settings, kit: Kit) -> CheckReadings:
    """Evidence, kind, levels over frequency, and the residual to be listened to, of each channel."""
    parts = [channel_readings(capture, settings, kit) for capture in captures]
    return CheckReadings(
        readings=tuple(reading for part in parts for reading in part.readings),
        curves=tuple(curve for part in parts for curve in part.curves),
        sounds=tuple(sound for part in parts for sound in part.sounds),
    )


def channel_readings(capture: Capture, settings: Settings, kit: Kit) -> CheckReadings:
    """All that one capture says.

    Raises
    ------
    Untrusted
        If nothing arrives, or the silence before the sweep is empty.
    """
    channel = capture.request.channel
    residual, found = searched(capture)
    peaks = peaks_over_frequency(residual, settings.points_per_octave)
    fundamental = fundamental_peak(capture, peaks.frequency_hz)
    evidence = SIGNIFICANT + np.log10(LOOKS)
    least = detectable_peak(residual.noise, residual.chirp, peaks.frequency_hz, evidence) / fundamental
    band_hz = kit.channel(channel).band
    prove_hz = band_to_prove(kit, channel, settings)
    proved = least_proved_db(peaks.frequency_hz, db(least), prove_hz)
    inside = (peaks.frequency_hz >= prove_hz[0]) & (peaks.frequency_hz <= prove_hz[1])
    weakest = int(np.argmax(np.where(inside, least, 0.0)))
    quieter_db = quieter_than_design_db(capture, kit, peaks.frequency_hz, fundamental)[weakest]
    trouble = doubt(found, proved, prove_hz, settings, quieter_db)
    level, crest = db(peaks.peak / fundamental), db(peaks.peak / peaks.rms)
    method = f"peak of the residual above {pass_band_description(residual)}, over the fundamental's peak"
    everywhere = np.ones(level.size, np.bool_)
    shared = (channel, peaks.frequency_hz)
    curves = (
        Curve(IMPULSIVE, *shared, level, "dB", everywhere, trouble=trouble, method=method),
        Curve(CREST_FACTOR, *shared, crest, "dB", everywhere, trouble=trouble, method=method),
        Curve(DETECTABLE, *shared, db(least), "dB", everywhere, method=CAUGHT),
    )
    noise = noise_parts(capture, residual, found, peaks)
    first, last = (round(time_s * capture.sample_rate_hz) for time_s in usable_between_s(residual))
    sound = Sound(RESIDUAL, channel, to_listen_to(residual.samples[first:last]), capture.sample_rate_hz)
    proof = Reading(DETECTABLE, channel, proved, "dB")
    readings = (
        *worst_readings(capture, found, peaks, level, band_hz=band_hz, trouble=trouble, noise=noise),
        with_parts(proof, {"noise": float(np.max(noise[proof.quantity]))}),
    )
    return CheckReadings(readings, tuple(with_parts(c, {"noise": noise[c.quantity]}) for c in curves), (sound,))


def noise_parts(capture: Capture, residual: Residual, found: Impulses, peaks: Peaks) -> dict[str, Floats]:
    """What noise makes the levels over the sweep's frequency uncertain by, for each quantity."""
    low_hz, high_hz = pass_band_hz(peaks.frequency_hz, residual.chirp)
    at_hz, density = residual.noise
    upto = np.concatenate(([0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(at_hz))))
    noise_rms = np.sqrt(np.interp(high_hz, at_hz, upto) - np.interp(low_hz, at_hz, upto))
    width_hz = high_hz - low_hz
    # Independent values of noise in a band of width B: two in a time of 1 / B.
    peak = peak_noise_db(peaks.peak, noise_rms, 2 * width_hz * peaks.seconds, found.kind == "none")
    return {
        IMPULSIVE: peak,
        CREST_FACTOR: combined(peak, noise_level_db(width_hz, peaks.seconds)),
        # What is detectable hangs on the noise in the octave above the edge of the high-pass.
        DETECTABLE: noise_level_db(low_hz, silence_s(capture)),
    }


@once_per_capture
def searched(capture: Capture) -> tuple[Residual, Impulses]:
    """Residual of a capture and what the search found in it; searched once.

    A train that falls away with order as the unit's own regular harmonics do is taken for these. The search is then
    made again above them, and all that is said rests on that. Where one may be either and nothing is found above,
    nothing is proved.

    Raises
    ------
    Untrusted
        If the silence before the sweep is empty, or the capture is not whole.
    """
    residual = residual_of(capture)
    found, lower, unclear = found_in(residual, capture), None, None
    for octaves in range(HIGHER):
        if not found.is_periodic:
            break
        shut_at = residual.chirp.shut_at
        lower = lower or residual_of(capture, shut_at / 2)
        higher = residual_of(capture, 2 * shut_at)
        breadth = breadth_of(lower, residual, higher, found.train, above_harmonics=octaves > 0)
        if breadth == "broad":
            break
        if breadth == "unclear":
            searched_above = (lower, residual, higher, residual_of(capture, 4 * shut_at))
            breadth = "regular" if is_regular_by_octaves(searched_above, found.train) else breadth
        if breadth == "unclear" and not unclear:
            unclear = residual, replace(found, kind="rub or harmonics")
        lower, residual, found = residual, higher, found_in(higher, capture, found)
    # What is the unit's beyond doubt above them is no less so.
    return unclear if unclear and found.kind in ("none", "disturbed") else (residual, found)


def found_in(residual: Residual, capture: Capture, before: Impulses | None = None) -> Impulses:
    """What is found in a residual; what disturbed the search `before`, at lower orders, disturbs this one too.

    Raises
    ------
    Untrusted
        If the sweep has no cycles to be told apart.
    """
    layout = sweep_layout(capture)
    late_s = residual.chirp.passes_start_s - sent_at_s(capture)
    mark_ends_s, ends_s = (
        frame / capture.sample_rate_hz + late_s
        for frame in (layout.mark_before + layout.mark_frames, layout.mark_after)
    )
    begins_s = residual.chirp.passes_start_s - EARLY_S
    silence = pressure_about_silence(capture)[heard_silence(capture, "microphone")].astype(np.float64)
    try:
        found = impulses_of(residual, silence, mark_ends_s, begins_s, ends_s - GUARD_S)
    except ValueError as error:
        raise Untrusted(str(error)) from None
    if before is None or found.kind != "none" or not (before.single_s.size or before.outside_s.size):
        return found
    return replace(found, kind="disturbed", single_s=before.single_s, outside_s=before.outside_s)


def worst_readings(
    capture: Capture,
    found: Impulses,
    peaks: Peaks,
    level_db: Floats,
    *,
    band_hz: tuple[float, float],
    trouble: str,
    noise: dict[str, Floats],
) -> tuple[Reading, ...]:
    """Evidence, and the levels where the residual is loudest against the fundamental, in the channel's band."""
    channel = capture.request.channel
    inside = (peaks.frequency_hz >= band_hz[0]) & (peaks.frequency_hz <= band_hz[1])
    worst = int(np.argmax(np.where(inside | ~inside.any(), level_db, -np.inf)))
    at = f"{level_db[worst]:.1f} dB at {peaks.frequency_hz[worst]:.0f} Hz"
    spl = bool(capture.calibration.microphone_v_per_pa)
    # A peak level is referred to the peak of a sine of 20 micropascal, so that a sine reads the same in both.
    peak_level = float(db(peaks.peak[worst] / np.sqrt(2) / (REFERENCE_PRESSURE_PA if spl else 1.0)))
    uncalibrated = trouble or ("" if spl else "the microphone is not calibrated")
    crest = float(db(peaks.peak[worst] / peaks.rms[worst]))
    readings = (
        Reading(EVIDENCE, channel, found.evidence, "", trouble=trouble, said=kind_description(found)),
        Reading(IMPULSIVE, channel, float(level_db[worst]), "dB", trouble=trouble, said=at),
        Reading(IMPULSIVE_LEVEL, channel, peak_level, "dB SPL" if spl else "dB", trouble=uncalibrated),
        Reading(CREST_FACTOR, channel, crest, "dB", trouble=trouble),
        Reading(COHERENCE, channel, found.coherence, "", trouble=trouble),
    )
    parts = worst_parts(capture, found, noise, worst)
    return tuple(with_parts(reading, parts[reading.quantity]) for reading in readings)


def worst_parts(capture: Capture, found: Impulses, noise: dict[str, Floats], worst: int) -> dict[str, dict[str, float]]:
    """What the readings are uncertain by: evidence, coherence, and levels at one place of the curves."""
    train = found.train
    carriers = CARRIERS * capture.layout.rate_s * (train.high_hz - train.low_hz)
    at_peak = {"noise": float(noise[IMPULSIVE][worst])}
    return {
        EVIDENCE: {"scatter": evidence_scatter(found.evidence, found.kind != "none")},
        IMPULSIVE: at_peak,
        IMPULSIVE_LEVEL: {"calibration": pressure_db(capture.calibration), **at_peak},
        CREST_FACTOR: {"noise": float(noise[CREST_FACTOR][worst])},
        COHERENCE: {"noise": coherence_scatter(found.coherence, carriers)},
    }


#: Of the curve of what is detectable.
CAUGHT = "a train of clicks over one octave would be caught from here on in 99 of 100 units"


def residual_of(capture: Capture, shut_at: float = SHUT_AT) -> Residual:
    """Residual of a capture above so many times the sweep's frequency.

    Raises
    ------
    Untrusted
        If the capture is not whole, or the silence in it holds nothing.
    """
    layout, rate_hz = sweep_layout(capture), capture.sample_rate_hz
    nominal = Chirp(layout.start_hz, layout.stop_hz, layout.seconds, rate_hz, sent_at_s(capture), shut_at)
    pressure, silence = pressure_about_silence(capture), heard_silence(capture, "microphone")
    acoustic = acoustic_response(capture)
    # Where nothing arrives there is nothing to be heard ringing.
    arrives = np.isfinite(acoustic.arrival_s)
    rings = ringing_filter(acoustic.impulse, rate_hz, acoustic.arrival_s) if arrives else np.ones(1)
    try:
        return sweep_residual(pressure, pressure[silence], nominal, rings=rings)
    except ValueError as error:
        raise Untrusted(f"the residual cannot be told: {error}") from None


def sent_at_s(capture: Capture) -> float:
    """When the sweep passed its first frequency as it was sent, in seconds from the first frame."""
    lead_in, _ = capture.layout.margins
    return (capture.layout.sweep_start + lead_in) / capture.sample_rate_hz


def fundamental_peak(capture: Capture, frequency_hz: Floats) -> Floats:
    """Peak of the fundamental at the microphone, in pascal, third-octave mean.

    Raises
    ------
    Untrusted
        If nothing arrives at the microphone.
    """
    request, acoustic = capture.request, arrived_response(capture)
    gated = gate(acoustic.impulse, acoustic.sample_rate_hz, acoustic.arrival_s, 0.002, 0.25)
    fine = log_frequency_grid(request.start_hz, request.stop_hz, 24)
    response = gated_frequency_response(gated, acoustic.sent, fine)
    power = smooth_power(np.abs(response) ** 2, fine, frequency_hz, 3)
    return np.asarray(np.sqrt(2 * power) * request.level_v)


def quieter_than_design_db(capture: Capture, kit: Kit, frequency_hz: Floats, fundamental_pa: Floats) -> Floats:
    """How far the fundamental's peak lies below that of the design."""
    design = np.abs(design_response(kit, capture.request, frequency_hz, air_speed_m_s(capture)))
    return db(np.sqrt(2) * capture.request.level_v * design / fundamental_pa)


def least_proved_db(frequency_hz: Floats, least_db: Floats, band_hz: Sequence[float]) -> float:
    """Least level of a train that would be caught all over a band; NaN when the sweep does not cover it."""
    if not frequency_hz[0] <= band_hz[0] <= band_hz[1] <= frequency_hz[-1]:
        return float("nan")
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    return float(np.max(np.append(least_db[inside], np.interp(band_hz, frequency_hz, least_db))))


def doubt(
    found: Impulses, proved_db: float, prove_hz: Sequence[float], settings: Settings, quieter_db: float = 0.0
) -> str:
    """Why nothing can be said of the unit; empty when something can. What is found in a loud room is found.

    `quieter_db` is how far the box plays below the design where least could be caught.
    """
    if found.kind == "disturbed":
        times = np.sort(np.concatenate((found.single_s, found.outside_s)))
        when = f", {times[0]:.2f} s into the capture" if times.size else ""
        return f"a noise disturbed the sweep{when}: repeat it in quiet"
    if found.kind == "rub or harmonics":
        return (
            f"something sounds in step with the sweep from {found.train.low_hz:.0f} to {found.train.high_hz:.0f} Hz, a "
            "dull rub or the unit's own harmonics: listen to what is left of the sweep"
        )
    low, high = prove_hz[0], prove_hz[1]
    if found.kind == "none" and not np.isfinite(proved_db):
        return f"the search of this sweep does not cover {low:g} to {high:g} Hz, where proof was asked for"
    if found.kind == "none" and proved_db > settings.prove_db:
        short_db = proved_db - settings.prove_db
        why = f"the room is {short_db:.0f} dB too loud"
        if quieter_db >= short_db:
            why = f"the box plays {quieter_db:.0f} dB more quietly than the design"
        return (
            f"{why}: between {low:g} and {high:g} Hz "
            f"nothing below {proved_db:.0f} dB could be caught, and {settings.prove_db:g} dB was asked for"
        )
    return ""


def kind_description(found: Impulses) -> str:
    """The likely kind, and where in the sweep."""
    if found.kind in ("rub or rattle", "blowing air"):
        return f"{found.kind} from {found.train.low_hz:.0f} to {found.train.high_hz:.0f} Hz"
    return NOTHING if found.kind == "none" else found.kind


def pass_band_description(residual: Residual) -> str:
    """The tracking high-pass in words."""
    low_hz, _ = pass_band_hz(np.array([residual.chirp.start_hz, 1e3]), residual.chirp)
    return f"{low_hz[1] / 1e3:.0f} times the sweep's frequency and {low_hz[0]:.0f} Hz"
