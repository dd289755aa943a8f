"""What quiet sweeps through the amplifier tell of microphone, loopback, outputs and the room."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rig.bench.unit import microphone_from
from rig.bench_check import common
from rig.bench_check.evidence import (
    Complex,
    gain_db,
    hears,
    is_electrical,
    noise_rms,
    row_integrity,
    usual_rms,
    with_right_loopback,
    without_lines_rms,
)
from rig.bench_check.told import Told, right, unknown
from rig.circuit.channel import impedance_ohm
from rig.circuit.radiation import driver_pressure_pa
from rig.kit import Kit
from rig.readings import Capture, Floats, Untrusted
from rig.requests import Sweep
from rig.responses import (
    Acoustic,
    acoustic_response,
    air_speed_m_s,
    band_gate,
    noise_power,
)
from rig.signals.deconvolution import gated_frequency_response
from rig.signals.gating import Gated, gate
from rig.signals.levels import db_spl
from rig.signals.phase import mean_cosine
from rig.signals.quiet import band_levels_db
from rig.signals.smoothing import log_frequency_grid
from rig.signals.weighting import weighted_level_db_spl

#: The card's output may be so far off what bench.toml says.
OUTPUT_WITHIN_DB = 1.0
#: A microphone is called dead when it hears less than any room gives.
NO_ROOM_DB_SPL = 18.0
#: Sound cannot come before its electrical copy by more than this.
BEFORE_S = 0.0002
#: A cable's level varies no more than this over frequency.
CABLE_DB = 0.7
#: The level at the microphone is called wrong beyond this, if the boxes agree within so much.
LEVEL_DB, ALIKE_DB = 2.5, 2.5
#: One box against the others, before its cable is suspected.
QUIET_DB = 5.0
#: A microphone may stand so far from its stop.
PLACE_M = 0.02
#: Phases must agree so far with the design's before a delay or a sign is read from them.
AGREEMENT = 0.6
#: A short gate keeps the room out of what is told of a box: before and after the arrival; and where it can tell.
SHORT_GATE_S = (0.001, 0.0035)
SHORT_FROM_HZ, SHORT_TO_HZ = 400.0, 16000.0
#: A box that plays nothing above this is looked at through a long one.
BASS_BELOW_HZ = 2000.0
EVENED_POINTS = 18
#: Points of a response that count stand so far above the noise.
CLEAR_DB = 12.0
#: What every third of an octave needs over the room at full level (rub and buzz; common practice, no source).
ROOM_DB = 30.0
#: A-weighted level of a room in which a unit's own noise can be told, where the kit says nothing.
ROOM_DBA = 45.0
#: Hum at the microphone that harms nothing.
HUM_DB_SPL = 42.0
#: Peaks at full level below this part of full scale waste the converter.
FULL_LEVEL_DBFS = -50.0
#: A level that follows a divider does so decibel by decibel; a unit's tolerances make this of it.
DIVIDER_SLOPE = (0.5, 1.7)
DIVIDER_VARIES_DB = 1.5
#: Resistance of a sense resistor where its value is not known.
USUAL_SENSE_OHM = 10.0


@dataclass(frozen=True, eq=False)
class Heard:
    """One box at the microphone against the design, at frequencies that stand out of the noise."""

    channel: str
    grid: Floats
    #: Measured and expected, pascal per volt at the leads, shape (n,).
    measured: Complex
    expected: Complex
    #: True: timed by the loopback.
    timed: bool

    @property
    def off_db(self) -> float:
        """Median level against the design."""
        return float(np.median(self.shape_db))

    @property
    def shape_db(self) -> Floats:
        """Level against the design in half octaves, shape (n,)."""
        return np.asarray(10 * np.log10(_evened(np.abs(self.measured) ** 2) / _evened(np.abs(self.expected) ** 2)))

    @cached_property
    def best(self) -> tuple[float, float]:
        """Delay against the design in seconds, and the mean cosine of the phase there: -1 is upside down."""
        delays = np.arange(-4e-3, 4e-3, 5e-6)
        cosines = mean_cosine(self.measured, self.expected, self.grid, delays)
        at = int(np.argmax(np.abs(cosines)))
        return float(delays[at]), float(cosines[at])


def _evened(values: Floats) -> Floats:
    """Running mean over half an octave of `_gated`'s grid."""
    reach = EVENED_POINTS // 2
    return np.convolve(np.pad(values, reach, mode="edge"), np.full(2 * reach + 1, 1 / (2 * reach + 1)), "valid")


@dataclass(frozen=True, eq=False)
class Playing:
    """The captures of the stage: silence, each channel's quiet sweep, and the first channel's again, longer and softer.

    The microphone stands at the first box all the time.
    """

    kit: Kit
    silence: Capture
    sweeps: tuple[Capture, ...]
    soft: Capture

    @property
    def all_sweeps(self) -> tuple[Capture, ...]:
        """Everything that sounds."""
        return (*self.sweeps, self.soft)

    @property
    def has_loopback(self) -> bool:
        """Whether a loopback is wired."""
        return self.silence.has("loopback")

    @property
    def loops(self) -> bool:
        """Whether the loopback brings what is played."""
        return self.has_loopback and all(hears(capture, "loopback") for capture in self.sweeps)

    @cached_property
    def heard(self) -> tuple[Heard, ...]:
        """The boxes that the microphone hears."""
        return tuple(one for capture in self.sweeps if (one := heard_box(self, capture)))


def tell_playing(bench: Playing) -> list[Told]:
    """All that the stage tells, causes before what follows from them."""
    told: list[Told | None] = [*common.overdriven(bench.all_sweeps), silent(bench), exchanged(bench)]
    told += _timing(bench)
    told += common.levelled(bench.all_sweeps)
    told += [steady(bench)] if hears(bench.soft, "microphone") else []
    told += [loopback(bench), outputs_exchanged(bench), place(bench), polarity(bench), resistor_left_in(bench)]
    told += [microphone_level(bench), *quiet_boxes(bench), gain_of_microphone(bench)]
    told += [*noises(bench), calibration(bench)]
    return [one for one in told if one]


def heard_box(bench: Playing, capture: Capture) -> Heard | None:
    """A box against the design where it stands; None where the microphone does not hear it."""
    if not hears(capture, "microphone"):
        return None
    request, kit = capture.request, bench.kit
    try:
        microphone_m = microphone_from(kit, request.channel, request.at, kit.position(request.position))
        response = acoustic_response(with_right_loopback(capture))
        gated, grid = _gated(response, request)
        expected = driver_pressure_pa(kit.model(request.channel), grid, 1.0, microphone_m, air_speed_m_s(capture))
    except (Untrusted, ValueError):
        return None
    band = (request.start_hz, request.stop_hz)
    measured = gated_frequency_response(gated, response.sample_rate_hz, grid, *band)
    noise = np.sqrt(noise_power(response, gated, grid, request))
    clear = np.abs(measured) > noise * 10 ** (CLEAR_DB / 20)
    if np.count_nonzero(clear) < grid.size / 4:
        return None
    arrival_s = gated.first_s + float(gated.time_zero_s) - response.zero_s
    measured = measured * np.exp(-2j * np.pi * grid * arrival_s)
    design = np.asarray(expected.sum(axis=0)).reshape(-1)
    return Heard(request.channel, grid[clear], measured[clear], design[clear], response.timed)


def _gated(response: Acoustic, request: Sweep) -> tuple[Gated, Floats]:
    """A short gate that keeps the room out, or a long one for a box that plays bass alone; and what it can tell."""
    if request.stop_hz < BASS_BELOW_HZ:
        grid = log_frequency_grid(request.start_hz, request.stop_hz, 24)
        return band_gate(response, grid), grid
    grid = log_frequency_grid(max(SHORT_FROM_HZ, request.start_hz), min(request.stop_hz, SHORT_TO_HZ), 36)
    return gate(response.impulse, response.sample_rate_hz, response.arrival_s, *SHORT_GATE_S), grid


def silent(bench: Playing) -> Told:
    """Nothing arrives at an input where something should."""
    microphone = [hears(capture, "microphone") for capture in bench.sweeps]
    if any(microphone):
        if bench.has_loopback and not bench.loops:
            words = "the microphone hears the boxes, but nothing arrives at the loopback input"
            to_do = (
                "Check the cable from the card's loopback output to the loopback input, and loopback_output and inputs "
                "in bench.toml."
            )
            return Told("loopback missing", False, words, to_do)
        return right("microphone silent", "the microphone hears what is played")
    if bench.has_loopback and not bench.loops:
        words = "nothing of what is played arrives, neither at the loopback nor at the microphone"
        to_do = (
            "Is the card's output muted or its volume at zero? Do the outputs in bench.toml name the sockets that the "
            "cables are in?"
        )
        return Told("output silent", False, words, to_do)
    if is_dead(bench.silence):
        words = "the microphone gives nothing: not even the room's noise"
        to_do = (
            "Switch its phantom power on (or put a battery in), check its cable at both ends, turn its gain up, and "
            "see that the operating system lets this program record."
        )
        return Told("microphone silent", False, words, to_do)
    words = "the microphone hears the room, but none of the boxes"
    to_do = (
        "Is the amplifier switched on, its volume up, its input the one that the card's cable is in, and are the "
        "boxes connected?"
    )
    if not bench.has_loopback:
        to_do += " Without a loopback a muted output of the card looks alike."
    return Told("amplifier silent", False, words, to_do, "bench or unit")


def is_dead(silence: Capture) -> bool:
    """Whether a microphone's silence is none of a room: a converter's own noise, or less than any room gives."""
    if noise_rms(silence, "microphone") == 0 or common.is_white(silence, "microphone"):
        return True
    sensitivity = silence.calibration.microphone_v_per_pa
    return bool(sensitivity and db_spl(without_lines_rms(silence, "microphone") / sensitivity) < NO_ROOM_DB_SPL)


def exchanged(bench: Playing) -> Told | None:
    """Sound cannot come before its electrical copy."""
    both = [c for c in bench.sweeps if bench.has_loopback and hears(c, "microphone") and hears(c, "loopback")]
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
            return Told("inputs exchanged", False, words, to_do)
    return right("inputs exchanged", "microphone and loopback are on their own inputs") if both else None


def _timing(bench: Playing) -> list[Told]:
    role = "loopback" if bench.loops else "microphone"
    told = common.clock(bench.all_sweeps, role)
    electrical = role == "loopback" and is_electrical(bench.soft, role)
    if hears(bench.soft, role):
        cut = common.resampled(bench.soft, bench.silence, role, electrical)
        told += [cut] if cut else []
    return told


def steady(bench: Playing) -> Told | None:
    """The same box, louder and softer: the difference must be the one that was played."""
    quick, slow = heard_box(bench, bench.sweeps[0]), heard_box(bench, bench.soft)
    if quick is None or slow is None:
        return None
    both, at, slow_at = np.intersect1d(np.round(quick.grid, 3), np.round(slow.grid, 3), return_indices=True)
    if both.size < 24:
        return None
    change_db = float(np.median(slow.shape_db[slow_at] - quick.shape_db[at]))
    if abs(change_db) < common.STEP_DB:
        return None
    return common.processed("microphone", change_db)


def loopback(bench: Playing) -> Told | None:
    """Level of what is looped back against what was asked for."""
    if not bench.has_loopback:
        words = "no loopback is wired: time of flight, the output's level and absolute polarity cannot be proved"
        return unknown("loopback", words, "Join a spare output to a spare input and name both in bench.toml.")
    if not bench.loops:
        return None
    off_db = looped_db(bench)
    if abs(off_db) <= OUTPUT_WITHIN_DB:
        return right("output level", f"the card's output is what bench.toml says ({off_db:+.1f} dB)")
    if output_off_db(bench) == 0:
        words = f"the loopback is {off_db:+.1f} dB off, but the boxes sound as loud as they should"
        to_do = "Turn the loopback input's gain back to where input_volts was measured, or measure it again."
        return Told("loopback gain", False, words, to_do, "likely")
    words = f"the card's output is {off_db:+.1f} dB off what bench.toml says"
    to_do = (
        "Set the card's volume, its knob and the operating system's, back to where output_volts was measured, or "
        "measure it again. Too loud burns a tweeter."
    )
    return Told("output level", False, words, to_do)


def looped_db(bench: Playing) -> float:
    """Level at the loopback against what was asked for; 0 without a loopback."""
    return float(np.median([gain_db(capture, "loopback") for capture in bench.sweeps])) if bench.loops else 0.0


def output_off_db(bench: Playing) -> float:
    """How far the card's output is off: as the loopback says, unless the boxes' level speaks against it."""
    off_db = looped_db(bench)
    heard_db = [one.off_db for one in bench.heard]
    believed = not heard_db or abs(np.median(heard_db) - off_db) < abs(np.median(heard_db))
    return off_db if believed and abs(off_db) > OUTPUT_WITHIN_DB else 0.0


def outputs_exchanged(bench: Playing) -> Told | None:
    """Each of two boxes built alike sounds from where the other stands."""
    first = bench.kit.channels[0].name
    heard = {one.channel: one for one in bench.heard}
    for a, b in bench.kit.alike():
        if first not in (a.name, b.name) or not {a.name, b.name} <= set(heard):
            continue
        own, other = heard[first], heard[b.name if a.name == first else a.name]
        if not (own.timed and other.timed):
            continue
        expected_s = _way_s(bench, other.channel) - _way_s(bench, own.channel)
        agrees = min(abs(own.best[1]), abs(other.best[1])) > AGREEMENT
        off_s = max(abs(own.best[0] - expected_s), abs(other.best[0] + expected_s))
        if agrees and expected_s > 1e-4 and off_s < 0.3 * expected_s:
            return _exchanged(own.channel, other.channel)
        if agrees:
            return right("outputs exchanged", f"{own.channel} and {other.channel} sound from their own places")
    return None


def _exchanged(one: str, other: str) -> Told:
    words = f"{one} sounds from where {other} stands, and {other} from where {one} stands"
    to_do = (
        f"Exchange the two cables at the card's outputs for {one} and {other} (or their numbers in bench.toml) and "
        "check again; if the cables are right, the boxes' leads are exchanged at the amplifier."
    )
    return Told("outputs exchanged", False, words, to_do, "bench or unit")


def _way_s(bench: Playing, channel: str) -> float:
    request = bench.sweeps[0].request
    way_m = microphone_from(bench.kit, channel, request.at, bench.kit.position(request.position))
    return float(np.linalg.norm(way_m)) / air_speed_m_s(bench.silence)


def place(bench: Playing) -> Told | None:
    """Distance of the microphone by the time of flight."""
    first = bench.kit.channels[0].name
    own = next((one for one in bench.heard if one.channel == first and one.timed), None)
    if own is None or abs(own.best[1]) < AGREEMENT:
        return None
    position = bench.kit.position(bench.sweeps[0].request.position)
    further_m = own.best[0] * air_speed_m_s(bench.silence)
    found_m = position.distance_m + further_m
    if abs(further_m) < PLACE_M:
        return right("microphone place", f"the microphone is {found_m:.2f} m from the {first} box")
    words = f"the microphone is {found_m:.2f} m from the {first} box; the kit says {position.distance_m:g} m"
    to_do = "Put the microphone at its stop and the box against the jig's stops."
    return Told("microphone place", False, words, to_do)


def polarity(bench: Playing) -> Told | None:
    """All boxes upside down, or the microphone's sign."""
    sign = bench.silence.calibration.microphone_sign
    if sign is None:
        words = "the microphone's sign is not known: absolute polarity stays void"
        to_do = (
            "Push a woofer's cone outwards with a 1.5 V cell at its leads and look which way the recording begins; "
            "write microphone_inverted in bench.toml."
        )
        return unknown("microphone polarity", words, to_do)
    clear = [one.best[1] for one in bench.heard if abs(one.best[1]) > AGREEMENT]
    if not clear or len(clear) < len(bench.sweeps):
        return None
    if max(clear) > 0:
        return right("microphone polarity", "a rising pressure gives the sign that bench.toml says")
    words = "every box comes back upside down"
    to_do = (
        "Is the microphone's cable or its input inverting? Then microphone_inverted in bench.toml is wrong. Does the "
        "amplifier invert, or is every box connected the wrong way round? A unit known to be right tells."
    )
    return Told("microphone polarity", False, words, to_do, "bench or unit")


def resistor_left_in(bench: Playing) -> Told | None:
    """The level is lower where the impedance is lower: a resistor is in series with the boxes."""
    ohm = bench.silence.calibration.sense_ohm or USUAL_SENSE_OHM
    off_db = output_off_db(bench)
    bound = [_follows_divider(one, off_db, bench.kit, ohm) for one in bench.heard if one.grid[-1] > BASS_BELOW_HZ]
    if not bound or not all(bound):
        return None
    words = f"every box is softer where its impedance is low, as with {ohm:g} ohm in series with it"
    to_do = "Take the sense resistor out of the speaker lead: it belongs to the bare leads only."
    return Told("resistor left in", False, words, to_do, "likely")


def _follows_divider(one: Heard, off_db: float, kit: Kit, ohm: float) -> bool:
    """Whether a box's level follows the share that a resistor in series leaves it, in height and in shape.

    `off_db` is how far the card's output is off. Where the impedance is the same at all frequencies nothing is told.
    """
    load = np.asarray(impedance_ohm(kit.model(one.channel), one.grid)).reshape(-1)
    share_db = 10 * np.log10(_evened(np.abs(load / (load + ohm)) ** 2))
    slope, _ = np.polyfit(share_db, one.shape_db, 1)
    height_db = float(np.mean(one.shape_db - share_db)) - off_db
    if np.ptp(share_db) < DIVIDER_VARIES_DB:
        return False
    return DIVIDER_SLOPE[0] < slope < DIVIDER_SLOPE[1] and abs(height_db) < LEVEL_DB


def microphone_level(bench: Playing) -> Told | None:
    """All boxes too loud or too soft alike: the microphone's gain, or the amplifier's."""
    if not bench.silence.calibration.microphone_v_per_pa or not bench.heard:
        return None
    off_db = [one.off_db - output_off_db(bench) for one in bench.heard]
    middle, spread = float(np.median(off_db)), float(np.ptp(off_db))
    if abs(middle) < LEVEL_DB and spread < ALIKE_DB:
        return right("microphone level", f"the boxes are as loud as the kit says ({middle:+.1f} dB)")
    if abs(middle) < LEVEL_DB or spread > ALIKE_DB or len(off_db) < len(bench.sweeps):
        return None
    words = f"every box is {middle:+.1f} dB off what kit and calibration say"
    to_do = (
        "Turn the microphone's gain back to where it was calibrated, or calibrate it again; then look at the "
        "amplifier's volume, and at its gain against gain_db in the kit."
    )
    if not bench.loops:
        to_do += " Without a loopback the card's volume may be off as well."
    alone = len(off_db) == 1
    return Told("microphone level", False, words, to_do, "bench or unit" if alone else "likely")


def quiet_boxes(bench: Playing) -> list[Told]:
    """Boxes that are not heard, or far softer than the others."""
    heard = {one.channel: one.off_db for one in bench.heard}
    if not heard:
        return []
    told = []
    for capture in bench.sweeps:
        name = capture.request.channel
        if not hears(capture, "microphone"):
            words = f"the {name} box is not heard, the others are"
        elif name in heard and heard[name] < max(heard.values()) - QUIET_DB:
            words = f"the {name} box is {max(heard.values()) - heard[name]:.0f} dB softer than the others"
        else:
            continue
        to_do = (
            f"Put the cable of another channel into the card's output for {name}: if it stays soft, it is the output "
            "or its number in bench.toml, else the cable, the amplifier or the box."
        )
        told.append(Told("channel quiet", False, words, to_do, "bench or unit"))
    return told


def gain_of_microphone(bench: Playing) -> Told | None:
    """Whether full level will use the converter."""
    if not hears(bench.sweeps[0], "microphone"):
        return None
    full_scale_v = bench.silence.calibration.input_volts.get("microphone", 1.0)
    levels = bench.kit.levels
    peak = usual_rms(bench.sweeps[0], "microphone") * np.sqrt(2) / full_scale_v * levels.playing_v
    at_full_dbfs = float(20 * np.log10(peak / levels.playing_quiet_v))
    if FULL_LEVEL_DBFS < at_full_dbfs < -3.0:
        return right("microphone gain", f"at full level the microphone will reach {at_full_dbfs:.0f} dB of full scale")
    if at_full_dbfs >= -3.0:
        words = f"the microphone's gain is too high: full level would reach {at_full_dbfs:+.0f} dB of full scale"
        return Told("microphone gain", False, words, "Turn it down and calibrate it again.")
    words = f"the microphone's gain is far too low: full level reaches only {at_full_dbfs:.0f} dB of full scale"
    return Told("microphone gain", False, words, "Turn it up by 20 dB or more and calibrate it again.")


def noises(bench: Playing) -> list[Told]:
    """Hum, other programs, and a room that is too loud."""
    loudest_v = None
    sensitivity = bench.silence.calibration.microphone_v_per_pa
    if sensitivity:
        loudest_v = sensitivity * 20e-6 * 10 ** (HUM_DB_SPL / 20)
    told: list[Told | None] = []
    in_loop = common.hum(bench.silence, bench.sweeps[0], "loopback") if bench.loops else None
    heard = hears(bench.sweeps[0], "microphone")
    in_air = common.hum(bench.silence, bench.sweeps[0], "microphone", loudest_v) if heard else None
    if in_air and not in_loop:
        in_air = _hum_in_air(in_air)
    told += [in_loop, in_air]
    told += [common.other_sound(bench.silence, bench.sweeps[0], "loopback") if bench.has_loopback else None]
    told += [ambient(bench)]
    found = [one for one in told if one]
    no_hum = heard and not any(one.what in ("hum", "other sound") for one in found)
    return found + ([right("hum", "no hum and no other sound")] if no_hum else [])


def _hum_in_air(found: Told) -> Told:
    to_do = (
        "Switch the amplifier off and check again: if the hum goes, it is the amplifier's or its supply's; if it "
        "stays, it is the microphone's cable, an earth loop, or a transformer nearby."
    )
    return Told(found.what, False, found.words, to_do, "bench or unit")


def ambient(bench: Playing) -> Told | None:
    """Whether full level will stand out of the room in every band, and hum and hiss can be told from the room."""
    if not bench.silence.calibration.microphone_v_per_pa:
        return None
    to_do = "Switch off fans, pumps and heating, close doors and windows, wait for quiet."
    grid, above_db = full_level_over_room_db(bench, bench.sweeps[0])
    short_db = ROOM_DB - above_db
    if np.max(short_db) > 0:
        short = grid[short_db > 0]
        words = (
            f"the room is up to {np.max(short_db):.0f} dB too loud for this kit's full level, most at "
            f"{grid[int(np.argmax(short_db))]:.0f} Hz (between {short[0]:.0f} and {short[-1]:.0f} Hz)"
        )
        return Told("ambient", False, words, to_do, "likely")
    at_rest = bench.kit.checks.get("hum_and_noise")
    level_dba = float(weighted_level_db_spl(bench.silence.pascal(), bench.silence.sample_rate_hz, "A"))
    if at_rest is not None and level_dba > (allowed := float(at_rest.get("room_below_dba", ROOM_DBA))):
        words = f"the room has {level_dba:.0f} dB(A); above {allowed:.0f} dB(A) hum and noise of a unit stay void"
        return Told("ambient", False, words, to_do, "bench or unit")
    return right("ambient", f"the room has {level_dba:.0f} dB(A)")


def full_level_over_room_db(bench: Playing, capture: Capture) -> tuple[Floats, Floats]:
    """Third-octave bands, and how far the kit's full-level sweep stands above the silence in them, by the design."""
    request, kit = capture.request, bench.kit
    low, high = kit.channel(request.channel).band
    mids, room_db = band_levels_db(
        bench.silence.pascal(), capture.sample_rate_hz, max(low, kit.sweeps.playing.start_hz), min(high, 16000.0)
    )
    microphone_m = microphone_from(kit, request.channel, request.at, kit.position(request.position))
    pressure = driver_pressure_pa(kit.model(request.channel), mids, 1.0, microphone_m, air_speed_m_s(capture))
    heard_pa = np.abs(pressure.sum(axis=0)).reshape(-1) * kit.levels.playing_v
    return mids, db_spl(heard_pa) - room_db


def calibration(bench: Playing) -> Told | None:
    """What the bench knows of its microphone."""
    if bench.silence.calibration.microphone_v_per_pa:
        return None
    words = "the microphone is not calibrated: levels are relative, and absolute limits stay void"
    return unknown("microphone calibration", words, "Write microphone_mv_per_pa in bench.toml.")
