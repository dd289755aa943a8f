"""Symptoms that any input may show, at the leads and while playing."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from fractions import Fraction

import numpy as np
import scipy

from rig.bench_check.bench_finding import BenchFinding, louder, right
from rig.bench_check.measured import (
    ELECTRICAL,
    has_signal,
    has_wide_marks,
    hum_rms,
    is_electrical,
    mark_step_db,
    noise_rise_db,
    path_gain,
    row_integrity,
    sent_volts,
    sweep_rms,
    wall_hz,
    without_lines_rms,
)
from rig.signals.noise import power_spectral_density
from rig.values.captures import Calibration, Capture
from rig.values.readings import Floats

#: Cut-off samples of an input before it is called overdriven: one may be a click (our choice;
#: tests/benchmarks/bench_faults.py).
CLIPPED = 3
#: Hum and other sounds below this part of the quiet sweep harm nothing (our choice; tests/benchmarks/bench_faults.py).
HUM_OF_SWEEP = 0.01
OTHER_OF_SWEEP = 0.05
#: Rates that cards really run at while stating another, over the rate stated; common practice, no source.
OTHER_RATES = (44.1 / 48, 48 / 44.1, 2 / 3, 1 / 2, 1 / 3)
#: Peak of a whitened correlation over its spread; noise alone reaches seven (our choice;
#: tests/benchmarks/bench_faults.py).
PRESENT = 20.0
#: Another rate explains the recording if it does so many times better (our choice; tests/benchmarks/bench_faults.py).
BETTER = 3.0
#: A converter's own filter may begin here, in parts of the rate (our choice; tests/benchmarks/bench_faults.py).
CONVERTER_EDGE = 0.44
#: Beyond a converted rate's edge less than this part is left (our choice; tests/benchmarks/bench_faults.py).
GONE = 0.1


def overdriven(captures: Sequence[Capture]) -> list[BenchFinding]:
    """Samples cut off at the converter's end, input by input."""
    findings = []
    for role in captures[0].inputs:
        cut = sum(row_integrity(c, role).clipped_samples[0] for c in captures if row_integrity(c, role).clipped_samples)
        if cut >= CLIPPED:
            words = f"the {role} input is overdriven: {cut} samples are cut off although everything plays quietly"
            to_do = (
                f"Turn the gain of the {role} input down until nothing is cut off, then calibrate it again. If it has "
                "no knob, a cable brings too much: the loudspeaker's own voltage, or a line into a microphone input."
            )
            findings.append(BenchFinding("input overdriven", False, words, to_do))
    return findings or [right("input overdriven", "no input is overdriven")]


def hum(silence: Capture, sweep: Capture, harmless_v: Mapping[str, float | None]) -> BenchFinding | None:
    """Mains hum at some inputs: role -> what is still harmless there; None: a part of the quiet sweep."""
    found = {}
    for role, allowed_v in harmless_v.items():
        mains_hz, rms_v = hum_rms(silence, role)
        if rms_v > (HUM_OF_SWEEP * sweep_rms(sweep, role) if allowed_v is None else allowed_v) > 0:
            below_db = 20 * np.log10(sweep_rms(sweep, role) / rms_v)
            found[role] = (mains_hz, f"the {role} input ({below_db:.0f} dB below the quiet sweep)")
    if not found:
        return None
    mains_hz = next(iter(found.values()))[0]
    places = " and at ".join(words for _, words in found.values())
    words = f"mains hum (multiples of {mains_hz:.1f} Hz) at {places}"
    to_do = (
        "Run the computer on its battery and check again: if the hum goes, two earths make a loop, and one socket "
        "strip for everything or an isolating transformer in the cable ends it. If it stays, the screen of the cable "
        f"to the {' or '.join(found)} input is open, or the cable lies beside a transformer."
    )
    return BenchFinding("hum", False, words, to_do, "sure")


def other_sound(silence: Capture, sweep: Capture, role: str) -> BenchFinding | None:
    """Something else than the rig plays through the card's output: it is in the cable while the rig is silent."""
    part = without_lines_rms(silence, role) / max(sweep_rms(sweep, role), 1e-12)
    if part < OTHER_OF_SWEEP or is_white(silence, role):
        return None
    words = (
        f"something else plays through the card: while the rig plays nothing, the {role} input hears a sound "
        f"{louder(20 * np.log10(part))} than the quiet sweep"
    )
    to_do = (
        "Close every other program that may sound (players, browsers, calls, system sounds), take the card out of the "
        "system's default output, and check that no direct monitoring sends an input to this output."
    )
    return BenchFinding("other sound", False, words, to_do, "likely")


def is_white(silence: Capture, role: str) -> bool:
    """Whether an input's silence is a converter's: as dense at low frequencies as at high ones."""
    frequency_hz, density = power_spectral_density(silence.volts(role), silence.sample_rate_hz)
    low, high = (
        # Medians, which single lines do not move.
        float(np.median(density[(frequency_hz >= f) & (frequency_hz <= g)]))
        for f, g in ((60.0, 400.0), (4000.0, 10000.0))
    )
    return low < 4 * high


def levelled(captures: Sequence[Capture]) -> list[BenchFinding]:
    """The path is not the same all the time: the soft marks come back otherwise than the sweep tells."""
    for role in captures[0].inputs:
        # At a bass box the room's answer is longer than the marks are.
        wide = [capture for capture in captures if has_signal(capture, role) and has_wide_marks(capture)]
        steps_db = [step_db for capture in wide if (step_db := mark_step_db(capture, role)) is not None]
        if steps_db and len(steps_db) >= len(wide) / 2 and (min(steps_db) > 0) == (max(steps_db) > 0):
            return [processed(role, float(np.median(steps_db)))]
        # No noise of the room comes by a cable.
        rises = [noise_rise_db(capture, role) for capture in wide] if role in ELECTRICAL else []
        if rise_db := max((rise for rise in rises if rise), default=None):
            return [processed(role, -rise_db)]
    if not any(has_signal(capture, role) for capture in captures for role in capture.inputs):
        return []
    return [right("automatic gain", "soft and loud come back alike: nothing levels or gates the inputs")]


def processed(role: str, step_db: float) -> BenchFinding:
    """An input whose soft sounds come back so much louder than its loud ones."""
    where = (
        "Switch off what the operating system does to recordings (automatic gain, noise suppression, enhancements, "
        "voice modes), or use the card by a host API that passes it by: exclusive mode, or the hardware device itself."
    )
    if step_db > 0:
        words = f"automatic gain at the {role} input: soft sounds come back {step_db:.0f} dB too loud beside loud ones"
        return BenchFinding("automatic gain", False, words, where)
    words = (
        f"noise suppression at the {role} input: what is soft comes back {-step_db:.0f} dB too soft beside what is loud"
    )
    return BenchFinding("noise suppression", False, words, where)


def clock(captures: Sequence[Capture], role: str) -> list[BenchFinding]:
    """Two clocks, lost samples, another rate than the one stated: from where things lie in the capture."""
    rates = [rate for capture in captures if (rate := other_rate(capture, role)) is not None]
    if rates:
        stated = captures[0].sample_rate_hz
        words = (
            f"recording and playing run at different rates: {rates[0] * stated:.0f} Hz where {stated:.0f} Hz is stated"
        )
        to_do = (
            "Set the card and the operating system to one rate for playing and recording, and bench.toml to the same."
        )
        return [BenchFinding("sample rate", False, words, to_do)]
    rows = [row_integrity(c, role) for c in captures if has_signal(c, role) and has_wide_marks(c)]
    lost = [one.lost_samples for one in rows if np.isfinite(one.lost_samples) and one.lost_samples != 0]
    if lost:
        verb = "were lost" if lost[0] > 0 else "too many came"
        words = f"the recording has gaps or repeats: {abs(lost[0]):.0f} samples {verb} within one sweep"
        to_do = "Close other programs, ask for a longer latency in bench.toml (latency_s), use another USB socket."
        return [BenchFinding("lost samples", False, words, to_do)]
    drift = [one.clock_ppm for one in rows if _drifts(one.clock_ppm, one.spacing_uncertainty_samples)]
    if len(drift) > len(rows) / 2:
        words = f"playing and recording run on two clocks: {np.median(drift):+.0f} millionths apart"
        to_do = "Play and record with one device; or join the two devices' clocks by a word clock cable."
        return [BenchFinding("clock", False, words, to_do)]
    return [right("clock", "no samples are lost, and playing and recording share one clock")] if rows else []


#: A clock difference that is never reported: what the marks of a short capture leave open (our choice;
#: tests/benchmarks/bench_faults.py).
LEAST_PPM = 4.0


def _drifts(ppm: float, uncertainty_samples: float) -> bool:
    return bool(np.isfinite(ppm) and abs(ppm) > LEAST_PPM and uncertainty_samples < 0.02)


def other_rate(capture: Capture, role: str) -> float | None:
    """Rate of the recording over the one stated, where the stimulus is in it only as another rate would bring it."""
    row, sent = capture.volts(role), sent_volts(capture)
    if not np.any(row) or not np.any(sent):
        return None
    stated = strength(row, sent)
    longest = row.size + sent.size * max(*OTHER_RATES, 1.0)
    # Of so many values without a mean none stands higher over their spread than the root of their number.
    if BETTER * stated >= np.sqrt(scipy.fft.next_fast_len(int(np.ceil(longest)) + 1, real=True)):
        return None
    found = []
    for rate in OTHER_RATES:
        ratio = Fraction(rate).limit_denominator(1000)
        found.append((strength(row, scipy.signal.resample_poly(sent, ratio.numerator, ratio.denominator)), rate))
    best, rate = max(found)
    return rate if best > max(PRESENT, BETTER * stated) else None


def strength(row: Floats, sent: Floats) -> float:
    """Peak of the correlation of two signals over its spread, every frequency counted alike.

    After Knapp and Carter, IEEE Trans. ASSP 24(4), 1976 (phase transform).
    """
    length = scipy.fft.next_fast_len(row.size + sent.size, real=True)
    received, known = scipy.fft.rfft(row - np.mean(row), length), scipy.fft.rfft(sent, length)
    inside = np.abs(known) > 0.01 * np.max(np.abs(known))
    cross = np.where(inside, received * known.conj(), 0.0)
    size = np.abs(cross)
    lags = scipy.fft.irfft(np.divide(cross, size, out=np.zeros_like(cross), where=size > 0), length)
    return float(np.max(np.abs(lags)) / np.std(lags))


def resampled(capture: Capture, role: str) -> BenchFinding | None:
    """The recording was made at another rate and converted: its band ends like a wall well below half the rate.

    At an electrical input that the sweep reaches beyond the converter's band, also where the wall is none of the usual
    rates' halves: a converter's filter may begin a good deal lower.
    """
    half_hz, rate_hz = wall_hz(capture, role), capture.sample_rate_hz
    if half_hz is not None:
        words = f"the recording ends like a wall near {half_hz / 1000:.4g} kHz, half of another sample rate"
    elif role in ELECTRICAL and is_electrical(capture, role) and (edge_hz := _edge_of_path(capture, role)):
        words = f"the recording ends like a wall at {edge_hz / 1000:.3g} kHz"
    else:
        return None
    words += (
        f", although it runs at {rate_hz:.0f} Hz: its rate is converted on the way, or something between output and "
        "input cuts it off there"
    )
    to_do = (
        "Set the card, the operating system's mixer and bench.toml to one rate, and use the hardware device itself "
        "instead of a shared one; a headset or voice mode of a wireless device does the same. If they are: what else "
        "is in the path, a filter or an effect?"
    )
    return BenchFinding("resampling", False, words, to_do, "sure" if role in ELECTRICAL else "likely")


def _edge_of_path(capture: Capture, role: str) -> float | None:
    grid, gain = path_gain(capture, role)
    if grid[-1] < CONVERTER_EDGE * capture.sample_rate_hz:
        return None
    level = np.abs(gain) / np.median(np.abs(gain))
    last_hz = float(grid[level > 0.5][-1])
    beyond = level[grid > 1.05 * last_hz]
    # What falls gently is a load or a cable.
    is_sharp = beyond.size > 0 and float(np.max(beyond)) < GONE
    return last_hz if is_sharp and last_hz < CONVERTER_EDGE * capture.sample_rate_hz else None


def calibrations(values: Calibration) -> list[BenchFinding]:
    """Calibrations that a kit or a bench asks for and that are missing, too old, or spoken against by a daily check."""
    to_do = "Put right what else is wrong first: a calibration of a wrong bench is wrong."
    findings = [BenchFinding("calibration", False, words, to_do) for words in dict.fromkeys(values.doubts.values())]
    if findings or not values.made_at:
        return findings
    kind, oldest = min(values.made_at.items(), key=lambda one: datetime.fromisoformat(one[1]))
    return [right("calibration", f"every calibration is in date; the oldest is {kind!r} of {oldest[:10]}")]
