"""What quiet sweeps through the amplifier tell of microphone, loopback and outputs."""

import numpy as np

from rig.bench_check import any_input
from rig.bench_check.bench_finding import BenchFinding, louder, right, unknown, within
from rig.bench_check.boxes import Playing, box_level, looped_db, output_off_db, output_within_db, way_s
from rig.bench_check.loudness import assess_levels
from rig.bench_check.measured import (
    MOST_FOREIGN,
    foreign_part,
    has_signal,
    has_wide_marks,
    is_electrical,
    noise_rms,
    row_integrity,
    without_lines_rms,
)
from rig.signals.levels import db_spl
from rig.values.captures import Capture
from rig.verdict.responses import air_speed_m_s

#: A microphone is called dead when it hears less than any room gives (our choice; tests/benchmarks/bench_faults.py).
NO_ROOM_DB_SPL = 18.0
#: Sound cannot come before its electrical copy by more than this (our choice; tests/benchmarks/bench_faults.py).
BEFORE_S = 0.0002
#: A microphone may stand so far from its stop (our choice; tests/benchmarks/bench_faults.py).
PLACE_M = 0.02
#: Softer and louder sweeps of one box agree so closely (our choice; tests/benchmarks/bench_faults.py).
STEP_DB = 1.5
#: Phases must agree so far with the design's before a delay or a sign is read from them (our choice;
#: tests/benchmarks/bench_faults.py).
AGREEMENT = 0.6
#: A microphone is said to have moved where the octaves agree with the design so well, and without it so much less (our
#: choice; tests/benchmarks/bench_faults.py).
CLEARLY, CLEARLY_MOVED = 0.8, 0.15


def assess_playing(bench: Playing) -> list[BenchFinding]:
    """All that the stage tells, causes before what follows from them."""
    findings: list[BenchFinding | None] = [*any_input.overdriven(bench.all_sweeps), silent(bench), exchanged(bench)]
    findings += _timing(bench)
    findings += levelled(bench)
    findings += [loopback(bench), outputs_exchanged(bench), place(bench), polarity(bench), disturbed(bench)]
    findings += assess_levels(bench)
    return [one for one in findings if one]


def silent(bench: Playing) -> BenchFinding:
    """Nothing arrives at an input where something should."""
    microphone = [has_signal(capture, "microphone") for capture in bench.sweeps]
    if any(microphone):
        if bench.has_loopback and not bench.loops:
            words = "the microphone hears the boxes, but nothing arrives at the loopback input"
            to_do = (
                "Check the cable from the card's loopback output to the loopback input, and loopback_output and inputs "
                "in bench.toml."
            )
            return BenchFinding("loopback missing", False, words, to_do)
        return right("microphone silent", "the microphone hears what is played")
    if bench.has_loopback and not bench.loops:
        words = "nothing of what is played arrives, neither at the loopback nor at the microphone"
        to_do = (
            "Is the card's output muted or its volume at zero? Do the outputs in bench.toml name the sockets that the "
            "cables are in?"
        )
        return BenchFinding("output silent", False, words, to_do)
    if is_dead(bench.silence):
        words = "the microphone gives nothing: not even the room's noise"
        to_do = (
            "Switch its phantom power on (or put a battery in), check its cable at both ends, turn its gain up, and "
            "see that the operating system lets this program record."
        )
        return BenchFinding("microphone silent", False, words, to_do)
    words = "the microphone hears the room, but none of the boxes"
    to_do = (
        "Is the amplifier switched on, its volume up, its input the one that the card's cable is in, and are the "
        "boxes connected?"
    )
    if not bench.has_loopback:
        to_do += " Without a loopback a muted output of the card looks alike."
    return BenchFinding("amplifier silent", False, words, to_do, "bench or unit")


def is_dead(silence: Capture) -> bool:
    """Whether a microphone's silence is none of a room: a converter's own noise, or less than any room gives."""
    if noise_rms(silence, "microphone") == 0 or any_input.is_white(silence, "microphone"):
        return True
    sensitivity = silence.calibration.microphone_v_per_pa
    return bool(sensitivity and db_spl(without_lines_rms(silence, "microphone") / sensitivity) < NO_ROOM_DB_SPL)


def exchanged(bench: Playing) -> BenchFinding | None:
    """Sound cannot come before its electrical copy."""
    both = [c for c in bench.sweeps if bench.has_loopback and has_signal(c, "microphone") and has_signal(c, "loopback")]
    for capture in both:
        delays = [row_integrity(capture, role).delay_samples for role in ("microphone", "loopback")]
        early_s = (delays[1] - delays[0]) / capture.sample_rate_hz
        if early_s > BEFORE_S and is_electrical(capture, "microphone"):
            words = (
                f"microphone and loopback are exchanged: what arrives as the microphone comes {1000 * early_s:.1f} ms "
                "before the loopback, and as even as a cable brings it"
            )
            to_do = (
                "Exchange the two input cables, or their numbers under inputs in bench.toml. Mind the phantom power: "
                "it belongs to the microphone's input alone."
            )
            return BenchFinding("inputs exchanged", False, words, to_do)
    return right("inputs exchanged", "microphone and loopback are on their own inputs") if both else None


def _timing(bench: Playing) -> list[BenchFinding]:
    role = "loopback" if bench.loops else "microphone"
    findings = any_input.clock(bench.all_sweeps, role)
    if has_signal(bench.soft, role) and (cut := any_input.resampled(bench.soft, role)):
        findings += [cut]
    return findings


def levelled(bench: Playing) -> list[BenchFinding]:
    """Something changes the gain while it plays: within one sweep, or from a louder one to a softer one."""
    alone = any_input.levelled(bench.all_sweeps)
    between = steady(bench) if all(one.is_right for one in alone) else None
    return [between] if between else alone


def steady(bench: Playing) -> BenchFinding | None:
    """The same box, louder and softer: the difference must be the one that was played."""
    both = bench.sweeps[0], bench.soft
    quick, slow = (box_level(bench, capture) for capture in both)
    if quick is None or slow is None or any(foreign_part(capture, "microphone") > MOST_FOREIGN for capture in both):
        return None
    common_hz, at, slow_at = np.intersect1d(np.round(quick.grid, 3), np.round(slow.grid, 3), return_indices=True)
    if common_hz.size < 24:
        return None
    change_db = float(np.median(slow.shape_db[slow_at] - quick.shape_db[at]))
    if abs(change_db) < STEP_DB:
        return None
    return any_input.processed("microphone", change_db)


def loopback(bench: Playing) -> BenchFinding | None:
    """Level of what is looped back against what was asked for."""
    if not bench.has_loopback:
        words = "no loopback is wired: time of flight, the output's level and absolute polarity cannot be proved"
        return unknown("loopback", words, "Join a spare output to a spare input and name both in bench.toml.")
    if not bench.loops:
        return None
    off_db = looped_db(bench)
    if abs(off_db) <= output_within_db(bench):
        return right("output level", f"the card's output is as loud as bench.toml says, {within(off_db)}")
    if output_off_db(bench) == 0:
        words = f"the loopback is {louder(off_db)} than it should be, but the boxes sound as loud as they should"
        to_do = "Turn the loopback input's gain back to where input_volts was measured, or measure it again."
        return BenchFinding("loopback gain", False, words, to_do, "likely")
    words = f"the card's output is {louder(off_db)} than bench.toml says"
    to_do = (
        "Set the card's volume, its knob and the operating system's, back to where output_volts was measured, or "
        "measure it again. Too loud burns a tweeter."
    )
    return BenchFinding("output level", False, words, to_do)


def outputs_exchanged(bench: Playing) -> BenchFinding | None:
    """Each of two boxes built alike sounds from where the other stands."""
    first = bench.kit.channels[0].name
    box_levels = {one.channel: one for one in bench.box_levels}
    for a, b in bench.kit.equal_channels():
        if first not in (a.name, b.name) or not {a.name, b.name} <= set(box_levels):
            continue
        own, other = box_levels[first], box_levels[b.name if a.name == first else a.name]
        if not (own.timed and other.timed):
            continue
        expected_s = way_s(bench, other.channel) - way_s(bench, own.channel)
        agrees = min(abs(own.best[1]), abs(other.best[1])) > AGREEMENT
        off_s = max(abs(own.best[0] - expected_s), abs(other.best[0] + expected_s))
        if agrees and expected_s > 1e-4 and off_s < 0.3 * expected_s:
            return _exchanged(own.channel, other.channel)
        if agrees:
            return right("outputs exchanged", f"{own.channel} and {other.channel} sound from their own places")
    return None


def _exchanged(one: str, other: str) -> BenchFinding:
    words = f"{one} sounds from where {other} stands, and {other} from where {one} stands"
    to_do = (
        f"Exchange the two cables at the card's outputs for {one} and {other} (or their numbers in bench.toml) and "
        "check again; if the cables are right, the boxes' leads are exchanged at the amplifier."
    )
    return BenchFinding("outputs exchanged", False, words, to_do, "bench or unit")


def place(bench: Playing) -> BenchFinding | None:
    """Distance of the microphone by the time of flight."""
    if "microphone" in bench.silence.other_clock:
        words = "the microphone has a clock of its own: its distance cannot be told by the time of flight"
        return unknown("microphone place", words)
    first = bench.kit.channels[0].name
    box = next((one for one in bench.box_levels if one.channel == first and one.timed), None)
    if box is None or box.moved[0] < AGREEMENT:
        return None
    agreement, lost = box.moved
    position = bench.kit.position(bench.sweeps[0].request.position)
    further_m = box.best[0] * air_speed_m_s(bench.silence)
    found_m = position.distance_m + further_m
    if abs(further_m) < PLACE_M:
        return right("microphone place", f"the microphone is {found_m:.2f} m from the {first} box")
    if agreement < CLEARLY or lost < CLEARLY_MOVED:
        return None
    words = f"the microphone is {found_m:.2f} m from the {first} box; the kit says {position.distance_m:g} m"
    to_do = "Put the microphone at its stop and the box against the jig's stops."
    return BenchFinding("microphone place", False, words, to_do)


def polarity(bench: Playing) -> BenchFinding | None:
    """All boxes upside down, or the microphone's sign."""
    sign = bench.silence.calibration.microphone_sign
    if sign is None:
        words = "the microphone's sign is not known: absolute polarity stays void"
        to_do = (
            "Push a woofer's cone outwards with a 1.5 V cell at its leads and look which way the recording begins; "
            "write microphone_inverted in bench.toml."
        )
        return unknown("microphone polarity", words, to_do)
    clear = [one.best[1] for one in bench.box_levels if abs(one.best[1]) > AGREEMENT]
    if not clear or len(clear) < len(bench.sweeps):
        return None
    if max(clear) > 0:
        return right("microphone polarity", "plus comes back as plus: the microphone's sign is what bench.toml says")
    words = "every box comes back upside down: plus for minus"
    to_do = (
        "Is the microphone's cable or its input inverting? Then microphone_inverted in bench.toml is wrong. Does the "
        "amplifier invert, or is every box connected the wrong way round? A unit known to be right tells."
    )
    return BenchFinding("microphone polarity", False, words, to_do, "bench or unit")


def disturbed(bench: Playing) -> BenchFinding | None:
    """Something sounded in the room while a sweep passed: what was read of it may be wrong."""
    wide = [c for c in bench.all_sweeps if has_signal(c, "microphone") and has_wide_marks(c)]
    if not any(foreign_part(capture, "microphone") > MOST_FOREIGN for capture in wide):
        return None
    words = "a noise in the room got into a sweep: what is told of the boxes and the microphone may be wrong"
    return unknown("disturbed", words, "Check again when it is quiet.")
