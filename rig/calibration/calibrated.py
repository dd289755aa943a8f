"""Puts a bench's calibrations to use: values and uncertainties for each stage, and what must not be relied on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from rig.bench.settings import BenchSettings, LeadsSettings, PlayingSettings, WiringSettings
from rig.calibration.known_load import known_load_of
from rig.calibration.storage import DailyDetails, Damaged, LoopDetails, MicrophoneDetails, SenseDetails, Stored
from rig.design.trust import AGES_DAYS, CalibrationKind
from rig.values.captures import Calibration, OwnHarmonics
from rig.values.requests import AT_LEADS, Stage

#: What a daily check out of control makes doubtful, by what was measured: until it is in control again, or until they
#: are made anew.
SPEAKS_FOR: Mapping[str, tuple[CalibrationKind, ...]] = {
    "resistor": ("sense",),
    "level": ("microphone", "output", "input", "loopback"),
}
IN_CONTROL, OUT_OF_CONTROL = "in control", "out of control"

ORDER: tuple[CalibrationKind, ...] = ("output", "input", "microphone", "loopback", "sense")
#: In what an input's calibration holds for: the volts of the output whose tone it was made with, none if by a meter.
OUTPUT_IN_FORCE = "output_volts_in_force"

COMMANDS: Mapping[CalibrationKind, str] = {
    "sense": "kitproof calibrate sense --load OHM",
    "microphone": "kitproof calibrate microphone",
    "output": "kitproof calibrate output --stage {of}",
    "input": "kitproof calibrate input {of}",
    "loopback": "kitproof calibrate loopback --stage {of}",
    "daily": "kitproof daily",
}


@dataclass(frozen=True)
class Held:
    """The calibrations of a bench, what is asked of them, and the time."""

    #: All there are, the oldest first.
    all: tuple[Stored, ...]
    #: Kind -> greatest age in days; a kind that is not there is not asked for.
    ages_days: Mapping[CalibrationKind, float]
    now: datetime
    #: What is there and cannot be read.
    damaged: tuple[Damaged, ...] = ()


def asked_ages(settings: BenchSettings, kinds: Sequence[CalibrationKind]) -> dict[CalibrationKind, float]:
    """Greatest ages of the calibrations that are asked for: by bench.toml's table, or by name in the kit.

    A daily check is asked for only by name.
    """
    table = settings.calibrations
    ages: dict[CalibrationKind, float] = dict(AGES_DAYS)
    asked = set(kinds)
    if table is not None:
        ages |= table.ages()
        asked |= {kind for kind in ages if kind != "daily" or table.daily is not None} - set(table.without)
    return {kind: days for kind, days in ages.items() if kind in asked}


def subjects(settings: BenchSettings, stage: Stage) -> list[tuple[CalibrationKind, str]]:
    """The calibrations that a stage's readings rest on: kind, and what it is of."""
    wiring, key = settings.wiring(stage), settings.wiring_key(stage)
    of: list[tuple[CalibrationKind, str]] = [("output", key)]
    if stage in AT_LEADS:
        return [("sense", ""), *of, ("loopback", key)]
    looped: list[tuple[CalibrationKind, str]] = [("input", "loopback"), ("loopback", key)]
    return [("microphone", ""), *of, *(looped if "loopback" in wiring.inputs else [])]


def made_with(
    settings: BenchSettings, wiring: WiringSettings, kind: CalibrationKind, of: str, values: Calibration
) -> dict[str, object]:
    """What a calibration holds for: device, wiring, the numbers of bench.toml, and those in force when it is made."""
    device, own = settings.device, settings.microphone_device
    if device and own and "microphone" in (kind, of):
        device = own.at(device.sample_rate_hz)
    facts: dict[str, object] = {"device": device and f"{device.host_api}, {device.name}, {device.sample_rate_hz:g} Hz"}
    if kind in ("output", "loopback"):
        facts |= {"outputs": dict(wiring.outputs), "output_volts": wiring.output_volts}
    if kind == "input":
        facts |= {"input": wiring.inputs[of], "input_volts": wiring.input_volts[of]}
        facts |= {OUTPUT_IN_FORCE: values.output_volts}
    if kind == "loopback":
        role = loop_role(wiring)
        facts |= {"input": wiring.inputs[role], "volts": [values.output_volts, values.input_volts[role]]}
    if kind == "sense" and isinstance(wiring, LeadsSettings):
        facts |= {"inputs": dict(wiring.inputs), "sense_ohm": wiring.sense_ohm, "sense_in": wiring.sense_in}
        facts |= {"volts": [values.input_volts["drive"], values.input_volts["sense"]]}
    if kind == "microphone" and isinstance(wiring, PlayingSettings):
        facts |= {"input": wiring.inputs["microphone"], "volts": values.input_volts["microphone"]}
        facts |= {"microphone_mv_per_pa": wiring.microphone_mv_per_pa}
    return facts


def loop_role(wiring: WiringSettings) -> str:
    """The input that hears the output itself: the loopback, or at the leads the drive."""
    return "drive" if isinstance(wiring, LeadsSettings) else "loopback"


@dataclass(frozen=True)
class Standing:
    """How the newest calibration of one kind stands today."""

    newest: Stored | None
    #: Whether it was made with this wiring and these numbers, so that it is in force.
    counts: bool
    #: Why it must not be relied on; empty where nothing asks for more.
    doubt: str


def calibrated(settings: BenchSettings, stage: Stage, plain: Calibration, held: Held) -> Calibration:
    """A stage's calibration from bench.toml with what was calibrated in its place.

    The newest calibration of each kind counts, if it was made with this wiring and these numbers of bench.toml. One
    that is asked for and is missing or too old is put down as a doubt, and so is what a daily check speaks against.
    """
    values, standings = _walk(settings, stage, plain, held)
    doubts = {kind: standing.doubt for (kind, _), standing in standings.items() if standing.doubt}
    return replace(values, doubts=doubts | _daily_missing(held))


def standings(settings: BenchSettings, held: Held) -> dict[tuple[CalibrationKind, str], Standing]:
    """How each calibration of each wiring stands, by kind and what it is of; `settings` as bench.toml has them."""
    found: dict[tuple[CalibrationKind, str], Standing] = {}
    for stage in ("soak", "playing", "leads"):
        if getattr(settings, stage) is not None:
            found |= _walk(settings, stage, settings.calibration(stage), held)[1]
    return found


def _walk(
    settings: BenchSettings, stage: Stage, plain: Calibration, held: Held
) -> tuple[Calibration, dict[tuple[CalibrationKind, str], Standing]]:
    values = replace(plain, known_load=None)
    wiring, rests_on = settings.wiring(stage), subjects(settings, stage)
    found = {}
    others: list[tuple[CalibrationKind, str]] = [("input", role) for role in wiring.inputs]
    # Voltages first: what was made at other voltages than those in force does not count.
    for kind, of in sorted({*rests_on, *others}, key=lambda pair: (ORDER.index(pair[0]), pair[1])):
        newest = next((one for one in reversed(held.all) if (one.kind, one.of) == (kind, of)), None)
        counts = newest is not None and _fits(newest, made_with(settings, wiring, kind, of, values))
        words = damage_doubt(kind, of, newest, held) if (kind, of) in rests_on else ""
        if newest is not None and counts:
            values = _with(values, newest)
        if (kind, of) in rests_on:
            words = words or (_doubt(kind, of, newest, counts, held) if kind in held.ages_days else "")
            words = words or daily_doubt(kind, newest if counts else None, held)
        found[kind, of] = Standing(newest, counts, words)
    return values, found


def _fits(one: Stored, today: Mapping[str, object]) -> bool:
    # The comparison on a known load of before was not told what it was made with.
    if not one.made_with:
        return True
    # A meter's does not rest on the output, and one of before did not remember it.
    unasked = {OUTPUT_IN_FORCE} - set(one.made_with)
    return dict(one.made_with) == {key: value for key, value in today.items() if key not in unasked}


def _with(values: Calibration, one: Stored) -> Calibration:
    """A calibration with one more of its parts."""
    dated = replace(values, made_at={**values.made_at, _dated(one): one.made_at})
    if one.kind == "input":
        known = {} if one.uncertainty is None else {one.of: one.uncertainty}
        volts = {**values.input_volts, one.of: one.value}
        return replace(dated, input_volts=volts, input_uncertainty={**values.input_uncertainty, **known})
    match one.details:
        case MicrophoneDetails(response=response):
            sound = replace(dated, microphone_v_per_pa=one.value / 1000, microphone_uncertainty=one.uncertainty)
            return replace(sound, microphone_response=response)
        case LoopDetails(harmonics=own):
            harmonics = OwnHarmonics(own.level_v, own.frequency_hz, own.decibel)
            return replace(dated, loopback_db=one.value, own_harmonics=harmonics)
        case SenseDetails() as found:
            return replace(dated, known_load=known_load_of(one, found))
    return replace(dated, output_volts=one.value, output_uncertainty=one.uncertainty)


def _dated(one: Stored) -> str:
    return f"{one.kind} {one.of}" if one.kind == "input" else one.kind


def age_days(one: Stored, now: datetime) -> float:
    """Age of a calibration."""
    return (now - one.moment).total_seconds() / 86400


def command_of(kind: CalibrationKind, of: str) -> str:
    """The command that makes a calibration anew."""
    return COMMANDS[kind].format(of=of)


def name_of(kind: CalibrationKind, of: str) -> str:
    """A calibration in words."""
    return f"{kind} {of}".strip()


def _doubt(kind: CalibrationKind, of: str, newest: Stored | None, fits: bool, held: Held) -> str:
    name, anew = name_of(kind, of), f"run {command_of(kind, of)}"
    if newest is None:
        return f"the calibration {name!r} is missing: {anew}"
    if not fits:
        return (
            f"the calibration {name!r} was made with another wiring or other numbers in bench.toml, or through one "
            f"made anew since: {anew}"
        )
    age, most = age_days(newest, held.now), held.ages_days[kind]
    if age < 0:
        return f"the calibration {name!r} is dated in the future ({newest.made_at}): set the clock, or {anew}"
    return f"the calibration {name!r} is {age:.1f} days old, at most {most:g} are allowed: {anew}" if age > most else ""


def damage_doubt(kind: CalibrationKind, of: str, newest: Stored | None, held: Held) -> str:
    """That one made since cannot be read: nobody knows what it would have changed; empty when there is none."""
    since = [one for one in held.damaged if one.kind == kind and not one.is_empty and not one.is_before(newest)]
    return f"{since[-1].words}: run {command_of(kind, of)}" if since else ""


def _daily_points(held: Held) -> list[Stored]:
    """The newest point of each quantity of the daily check."""
    newest = {one.of: one for one in held.all if one.kind == "daily"}
    return list(newest.values())


def is_out(point: Stored) -> bool:
    """Whether a point of the daily check was out of control."""
    return isinstance(point.details, DailyDetails) and point.details.state == OUT_OF_CONTROL


def daily_doubt(kind: CalibrationKind, newest: Stored | None, held: Held) -> str:
    """Why a daily check speaks against a calibration; empty when none does, or it was made since."""
    for point in _daily_points(held):
        is_older = newest is not None and newest.moment > point.moment
        # What a quantity of a later version speaks for is not known here: then for all.
        if is_out(point) and kind in SPEAKS_FOR.get(point.quantity, (kind,)) and not is_older:
            words = point.details.words if isinstance(point.details, DailyDetails) else ""
            return (
                f"the daily check of {point.made_at} was out of control ({point.of}: {words}): "
                "find the cause, then run kitproof daily or calibrate anew"
            )
    return ""


def daily_doubts(held: Held) -> dict[str, str]:
    """What the daily check alone makes doubtful, on a bench that needs no other calibration."""
    kinds = {kind for kinds in SPEAKS_FOR.values() for kind in kinds}
    doubts = {kind: daily_doubt(kind, None, held) for kind in kinds}
    return {kind: words for kind, words in doubts.items() if words} | _daily_missing(held)


def _daily_missing(held: Held) -> dict[str, str]:
    """The doubt that no daily check was made in time, where one is asked for, or that the last one cannot be read."""
    points = _daily_points(held)
    if damage := damage_doubt("daily", "", max(points, key=lambda one: one.moment, default=None), held):
        return {"daily": damage}
    if "daily" not in held.ages_days:
        return {}
    if not points:
        return {"daily": "the daily check is missing: run kitproof daily"}
    age, most = min(age_days(point, held.now) for point in points), held.ages_days["daily"]
    words = f"the daily check is {age:.1f} days old, at most {most:g} are allowed: run kitproof daily"
    return {"daily": words} if age > most else {}
