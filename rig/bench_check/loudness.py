"""Levels while playing: of the boxes, the microphone's gain, hum, other sounds, and the room."""

from dataclasses import dataclass

import numpy as np

from rig.bench_check import any_input
from rig.bench_check.bench_finding import BenchFinding, louder, right, unknown, within
from rig.bench_check.boxes import BASS_BELOW_HZ, BoxLevel, Playing, designed_pa, evened, output_off_db
from rig.bench_check.measured import has_signal, sweep_rms, usual_rms
from rig.circuit.channel import impedance_ohm
from rig.circuit.notation import hertz
from rig.design.kit import Kit
from rig.design.sheet_range import sheet_level_db
from rig.signals.levels import db_spl, pressure_pa
from rig.signals.quiet import band_levels_db
from rig.signals.weighting import a_weighted_level_db_spl
from rig.values.captures import Capture
from rig.values.readings import Floats
from rig.values.requests import Sweep

#: The level at the microphone is called wrong beyond this, if the boxes agree within so much (our choice;
#: tests/benchmarks/bench_faults.py).
LEVEL_DB, ALIKE_DB = 2.5, 2.5
#: One box against the others, before its cable is suspected (our choice; tests/benchmarks/bench_faults.py).
QUIET_DB = 5.0
#: What every third of an octave needs over the room at full level (rub and buzz; common practice, no source).
ROOM_DB = 30.0
#: A-weighted level of a room in which a unit's own noise can be determined, where the kit says nothing; common
#: practice, no source.
ROOM_DBA = 45.0
#: Hum at the microphone that harms nothing; of a microphone that is not calibrated, as a part of the quiet sweep (our
#: choice; tests/benchmarks/bench_faults.py).
HUM_DB_SPL, HUM_OF_SWEEP = 42.0, 0.1
#: Peaks at full level below this part of full scale waste the converter; above that one they may be cut off (our
#: choice; tests/benchmarks/bench_faults.py).
FULL_LEVEL_DBFS, HIGHEST_DBFS = -50.0, -3.0
#: A level that follows a divider does so decibel by decibel; a unit's tolerances make this of it (our choice;
#: tests/benchmarks/bench_faults.py).
DIVIDER_SLOPE = (0.5, 1.7)
DIVIDER_VARIES_DB = 1.5
#: Resistance of a sense resistor where its value is not known; common practice, no source.
USUAL_SENSE_OHM = 10.0


def assess_levels(bench: Playing) -> list[BenchFinding | None]:
    """All that levels tell."""
    findings = [resistor_left_in(bench), microphone_level(bench), *quiet_boxes(bench), gain_of_microphone(bench)]
    return [*findings, *noises(bench), calibration(bench), *any_input.calibrations(bench.silence.calibration)]


def resistor_left_in(bench: Playing) -> BenchFinding | None:
    """The level is lower where the impedance is lower: a resistor is in series with the boxes."""
    ohm = bench.silence.calibration.sense_ohm or USUAL_SENSE_OHM
    off_db = output_off_db(bench)
    bound = [_follows_divider(one, off_db, bench.kit, ohm) for one in bench.box_levels if one.grid[-1] > BASS_BELOW_HZ]
    if not bound or not all(bound):
        return None
    words = f"every box is softer where its impedance is low, as with {ohm:g} ohm in series with it"
    to_do = "Take the sense resistor out of the speaker lead: it belongs to the bare leads only."
    return BenchFinding("resistor left in", False, words, to_do, "likely")


def _follows_divider(one: BoxLevel, off_db: float, kit: Kit, ohm: float) -> bool:
    """Whether a box's level follows the share that a resistor in series leaves it, in height and in shape.

    `off_db` is how far the card's output is off. Where the impedance is the same at all frequencies nothing is told.
    """
    load = np.asarray(impedance_ohm(kit.model(one.channel), one.grid)).reshape(-1)
    share_db = 10 * np.log10(evened(np.abs(load / (load + ohm)) ** 2))
    slope, _ = np.polyfit(share_db, one.shape_db, 1)
    height_db = float(np.mean(one.shape_db - share_db)) - off_db
    if np.ptp(share_db) < DIVIDER_VARIES_DB:
        return False
    return DIVIDER_SLOPE[0] < slope < DIVIDER_SLOPE[1] and abs(height_db) < LEVEL_DB


def microphone_level(bench: Playing) -> BenchFinding | None:
    """All boxes too loud or too soft alike: the microphone's gain, or the amplifier's."""
    if not bench.silence.calibration.microphone_v_per_pa or not bench.box_levels:
        return None
    off_db = [one.off_db - output_off_db(bench) for one in bench.box_levels]
    middle, spread = float(np.median(off_db)), float(np.ptp(off_db))
    level_db = LEVEL_DB + sheet_level_db(bench.kit)
    if abs(middle) < level_db and spread < ALIKE_DB:
        return right("microphone level", f"the boxes are as loud as the kit says, {within(middle)}")
    is_gain = spread <= ALIKE_DB and any(one.is_even for one in bench.box_levels)
    if abs(middle) < level_db or not is_gain or len(off_db) < len(bench.sweeps):
        return None
    words = f"every box is {louder(middle)} than kit and calibration say"
    to_do = (
        "Turn the microphone's gain back to where it was calibrated, or calibrate it again; then look at the "
        "amplifier's volume, and at its gain against gain_db in the kit."
    )
    if not bench.loops:
        to_do += " Without a loopback the card's volume may be off as well."
    alone = len(off_db) == 1
    return BenchFinding("microphone level", False, words, to_do, "bench or unit" if alone else "likely")


def quiet_boxes(bench: Playing) -> list[BenchFinding]:
    """Boxes that are not heard, or far softer than the others."""
    box_levels = {one.channel: one.off_db for one in bench.box_levels}
    if not box_levels:
        return []
    findings = []
    for capture in bench.sweeps:
        name = capture.request.channel
        if not has_signal(capture, "microphone"):
            words = f"the {name} box is not heard, the others are"
        elif name in box_levels and box_levels[name] < max(box_levels.values()) - QUIET_DB:
            words = f"the {name} box is {max(box_levels.values()) - box_levels[name]:.0f} dB softer than the others"
        else:
            continue
        to_do = (
            f"Put the cable of another channel into the card's output for {name}: if it stays soft, it is the output "
            "or its number in bench.toml, else the cable, the amplifier or the box."
        )
        findings.append(BenchFinding("channel quiet", False, words, to_do, "bench or unit"))
    return findings


def gain_of_microphone(bench: Playing) -> BenchFinding | None:
    """Whether full level will use the converter."""
    if not has_signal(bench.sweeps[0], "microphone"):
        return None
    full_scale_v = bench.silence.calibration.input_volts.get("microphone", 1.0)
    levels = bench.kit.levels
    peak = usual_rms(bench.sweeps[0], "microphone") * np.sqrt(2) / full_scale_v * levels.playing_v
    at_full_dbfs = float(20 * np.log10(peak / levels.playing_quiet_v))
    if FULL_LEVEL_DBFS < at_full_dbfs < HIGHEST_DBFS:
        words = f"the microphone's gain suits: full level will reach {-at_full_dbfs:.0f} dB below full scale"
        return right("microphone gain", words)
    if at_full_dbfs >= HIGHEST_DBFS:
        words = "the microphone's gain is too high: full level would be cut off, or nearly so"
        return BenchFinding("microphone gain", False, words, "Turn it down and calibrate it again.")
    words = f"the microphone's gain is far too low: full level stays {-at_full_dbfs:.0f} dB below full scale"
    return BenchFinding("microphone gain", False, words, "Turn it up by 20 dB or more and calibrate it again.")


def noises(bench: Playing) -> list[BenchFinding]:
    """Hum, other programs, and a room that is too loud."""
    sensitivity = bench.silence.calibration.microphone_v_per_pa
    allowed_pa = float(pressure_pa(HUM_DB_SPL))
    loudest_v = sensitivity * allowed_pa if sensitivity else HUM_OF_SWEEP * sweep_rms(bench.sweeps[0], "microphone")
    findings: list[BenchFinding | None] = []
    is_live = has_signal(bench.sweeps[0], "microphone")
    in_loop: dict[str, float | None] = {"loopback": None} if bench.loops else {}
    in_air: dict[str, float | None] = {"microphone": loudest_v} if is_live else {}
    hum = any_input.hum(bench.silence, bench.sweeps[0], in_loop | in_air)
    by_cable = hum and any_input.hum(bench.silence, bench.sweeps[0], in_loop)
    findings += [_hum_in_air(hum) if hum and not by_cable else hum]
    findings += [any_input.other_sound(bench.silence, bench.sweeps[0], "loopback") if bench.has_loopback else None]
    findings += [ambient(bench)]
    found = [one for one in findings if one]
    no_hum = is_live and not any(one.what in ("hum", "other sound") for one in found)
    return found + ([right("hum", "no hum and no other sound")] if no_hum else [])


def _hum_in_air(found: BenchFinding) -> BenchFinding:
    to_do = (
        "Switch the amplifier off and check again: if the hum goes, it is the amplifier's or its supply's; if it "
        "stays, it is the microphone's cable, an earth loop, or a transformer nearby."
    )
    return BenchFinding(found.what, False, found.words, to_do, "bench or unit")


def ambient(bench: Playing) -> BenchFinding | None:
    """Whether full level will stand out of the room in every band, and hum and hiss can be told from the room."""
    if not bench.silence.calibration.microphone_v_per_pa:
        return None
    to_do = "Switch off fans, pumps and heating, close doors and windows, wait for quiet."
    # A microphone whose gain is off makes room and boxes louder alike; a resistor leaves the room as it is.
    levels_db = [] if resistor_left_in(bench) else [one.off_db - output_off_db(bench) for one in bench.box_levels]
    turned_db = float(np.median(levels_db)) if levels_db else 0.0
    turned_db = turned_db if abs(turned_db) > LEVEL_DB else 0.0
    noise = room_noise(bench.kit, bench.silence, bench.sweeps[0].request, turned_db)
    if noise.is_too_loud_for_sweeps:
        return BenchFinding("ambient", False, room_words(noise), to_do, "likely")
    if noise.is_too_loud_at_rest:
        return BenchFinding("ambient", False, room_words(noise), to_do, "bench or unit")
    return right("ambient", room_words(noise))


@dataclass(frozen=True, eq=False)
class RoomNoise:
    """A room's noise in third octaves, shape (bands,), beside what a kit bears."""

    mids_hz: Floats
    level_db: Floats
    #: The highest level over which the kit's full-level sweep still stands by `ROOM_DB`, by the design.
    limit_db: Floats
    level_dba: float
    #: The kit's own noise is judged in a room up to this; None: it is not judged.
    allowed_dba: float | None

    @property
    def is_too_loud_for_sweeps(self) -> bool:
        """Whether full level will not stand out of the room in every band."""
        return bool(np.any(self.level_db > self.limit_db))

    @property
    def is_too_loud_at_rest(self) -> bool:
        """Whether hum and hiss cannot be told from the room."""
        return self.allowed_dba is not None and self.level_dba > self.allowed_dba


def room_noise(kit: Kit, silence: Capture, request: Sweep, turned_db: float = 0.0) -> RoomNoise:
    """The noise in a silence that a calibrated microphone heard, beside what the kit bears.

    Parameters
    ----------
    request : a sweep on the channel that will play, where the microphone stands
    turned_db : the microphone's gain is turned up by so much
    """
    low, high = kit.channel(request.channel).band
    mids, level_db = band_levels_db(
        silence.pascal(), silence.sample_rate_hz, max(low, kit.sweeps.playing.start_hz), min(high, 16000.0)
    )
    full_db = db_spl(np.abs(designed_pa(kit, request, silence, mids)) * kit.levels.playing_v)
    at_rest = kit.checks.get("hum_and_noise")
    level_dba = float(a_weighted_level_db_spl(silence.pascal(), silence.sample_rate_hz)) - turned_db
    allowed = None if at_rest is None else float(at_rest.get("room_below_dba", ROOM_DBA))
    return RoomNoise(mids, level_db - turned_db, full_db - ROOM_DB, level_dba, allowed)


def room_words(noise: RoomNoise) -> str:
    """Whether a room is quiet enough for a kit."""
    if noise.is_too_loud_for_sweeps:
        short_db = noise.level_db - noise.limit_db
        short = noise.mids_hz[short_db > 0]
        return (
            f"the room is too loud: this kit's full level would not stand out of it, most of all at "
            f"{hertz(noise.mids_hz[int(np.argmax(short_db))])}, where {np.max(short_db):.0f} dB are missing (somewhat "
            f"from {hertz(short[0])} to {hertz(short[-1])})"
        )
    if noise.is_too_loud_at_rest:
        return (
            f"the room is too loud to judge a unit's own hum and noise: {noise.level_dba:.0f} dB(A), where up to "
            f"{noise.allowed_dba:.0f} dB(A) are allowed"
        )
    return f"the room is quiet enough: {noise.level_dba:.0f} dB(A)"


def calibration(bench: Playing) -> BenchFinding | None:
    """What the bench knows of its microphone."""
    if bench.silence.calibration.microphone_v_per_pa:
        return None
    words = "the microphone is not calibrated: levels are relative, and absolute limits stay void"
    return unknown("microphone calibration", words, "Write microphone_mv_per_pa in bench.toml.")
