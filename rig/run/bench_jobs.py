"""What is done at the bench beside runs: its check, its daily check, and how its calibrations stand.

One thing for the command line and the page: they only ask and show.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import cast

from rig.bench.base import Bench
from rig.bench.connection import connection_words, refuse_grounded
from rig.bench.settings import BenchSettings
from rig.bench.soundcard import SoundCardBench
from rig.bench_check.assessment import assess, requests, speaks_against_playing
from rig.bench_check.bench_finding import BenchFinding
from rig.calibration.calibrated import Held, asked_ages, standings
from rig.calibration.daily import Judged, Point, judge, resistor_point, unit_point, unit_requests
from rig.calibration.desk import Desk, Guide, sound_capture
from rig.calibration.guided import leads_sweep
from rig.calibration.storage import DailyDetails, Stored, read_store, save, stored
from rig.design.kit import Kit
from rig.files.errors import BenchSetupError, TableError
from rig.run import opening
from rig.run.under_way import at_bench
from rig.values.requests import Stage

STAGES: tuple[Stage, ...] = ("leads", "playing")
#: Of the simulated bench; our choice.
USUAL_RATE_HZ = 48000.0
#: Length of the daily sweep; our choice.
DAILY_S = 2.0
#: Volts at the source for whatever hangs at the clips; our choice.
LEADS_V = 0.1
#: From which to which a known resistor may be, ohm; our choice.
KNOWN_OHM = (0.1, 1000.0)
#: A calibration is of the bench: whatever channels a kit may have.
NO_KIT = cast(Kit, SimpleNamespace(channels=()))

Show = Callable[[Stage, Sequence[BenchFinding]], None]


def desk_of(workspace: Path, settings: BenchSettings, guide: Guide) -> Desk:
    """A bench with its calibrations in force, and the person at it."""
    ready = opening.with_calibrations(workspace, settings)
    return Desk(ready, SoundCardBench(ready, NO_KIT), guide)


def made_at_desk(
    workspace: Path, settings: BenchSettings, guide: Guide, make: Callable[[Desk], Stored], what: str = "calibration"
) -> Stored:
    """A calibration, made at the bench and not yet put down."""
    with at_bench(workspace, what):
        return make(desk_of(workspace, settings, guide))


def known_ohm(ohm: float) -> float:
    """The value of a known resistor.

    Raises
    ------
    TableError
        If it is none that a bench is calibrated with.
    """
    low, high = KNOWN_OHM
    if not low <= ohm <= high:
        raise TableError(f"found {ohm:g} ohm; allowed: the known resistor's value, {low:g} to {high:g}")
    return ohm


def has_wiring(settings: BenchSettings | None, stage: Stage) -> bool:
    """Whether the bench is wired for a stage; the simulated one is for all."""
    if settings is None or settings.kind == "simulated":
        return True
    return (settings.leads if stage == "leads" else settings.playing) is not None


def check_bench(
    workspace: Path,
    kit: Kit,
    settings: BenchSettings | None,
    bench: Bench,
    stages: Sequence[Stage],
    *,
    load_ohm: float | None,
    guide: Guide,
    show: Show,
) -> tuple[dict[str, list[BenchFinding]], str]:
    """What each stage tells, and why the check ended before its time (empty: it did not).

    Nothing is played into the amplifier after the leads have shown a short, or a source that is far too loud.

    Raises
    ------
    BenchSetupError
        If bench.toml has no wiring that could be checked, or one that endangers the amplifier.
    BenchError
        If the bench fails.
    """
    if settings is not None:
        refuse_grounded(settings, kit)
    if not stages:
        raise BenchSetupError("there is nothing to check: bench.toml has no table for this stage")
    rate_hz = settings.device.sample_rate_hz if settings and settings.device else USUAL_RATE_HZ
    wanted = {stage: requests(kit, stage, rate_hz) for stage in stages}
    bench.refuse([request for asked in wanted.values() for request in asked])
    findings: dict[str, list[BenchFinding]] = {}
    with at_bench(workspace, "check of the bench"), bench.session():
        for stage, asked in wanted.items():
            if against := speaks_against_playing(findings.get("leads", [])):
                return findings, f"not played through the amplifier: {against}"
            if not guide.confirm(words_before(kit, settings, stage, load_ohm)):
                return findings, "stopped by the person at the bench"
            captures = []
            with bench.stage(stage) as player:
                guide.plays(asked[0])
                for n, capture in enumerate(player.play(asked), 1):
                    captures.append(capture)
                    if n < len(asked):
                        guide.plays(asked[n])
            findings[stage] = assess(kit, captures, load_ohm if stage == "leads" else None)
            show(stage, findings[stage])
    return findings, ""


def words_before(kit: Kit, settings: BenchSettings | None, stage: Stage, load_ohm: float | None) -> str:
    """What the person at the bench has to do and to agree to before a stage."""
    first, place = kit.channels[0].name, kit.positions[0]
    words = kit.stages[stage].words.strip() if stage in kit.stages else ""
    if stage == "leads":
        at = f"the leads of the {first} box" if load_ohm is None else f"the known resistor of {load_ohm:g} ohm"
        each = f"Clip on to {at}."
    else:
        each = (
            f"Microphone {place.name} of the {first} box, {place.distance_m:g} m away. It stays there while all boxes "
            f"play, quietly: {kit.levels.playing_quiet_v:g} V at the leads."
        )
    return "\n".join(filter(None, [words, each, connection_words(kit, settings, stage)]))


def daily_check(
    workspace: Path,
    settings: BenchSettings,
    guide: Guide,
    kit: Kit | None,
    ohm: float | None = None,
    faults: Sequence[str] = (),
) -> list[Judged]:
    """A known resistor, or the reference build of a kit, measured and held against the days before; not yet put down.

    Raises
    ------
    BenchSetupError
        If no resistor is known.
    BenchError
        If nothing can be read.
    Stopped
        As `Guide.ready`.
    """
    before = stored(workspace, opening.calibrations_name(settings))
    with at_bench(workspace, "daily check"):
        if kit:
            points = _of_unit(workspace, settings, kit, faults, guide)
        else:
            points = [_of_resistor(workspace, settings, ohm, before, guide)]
    return [judge(point, before) for point in points]


def put_down(workspace: Path, settings: BenchSettings, judged: Sequence[Judged]) -> None:
    """Keep what a daily check found, for the days to come."""
    made_at = datetime.now().astimezone().isoformat(timespec="seconds")
    for one in judged:
        save(workspace, one.stored(opening.calibrations_name(settings), made_at))


def _of_resistor(
    workspace: Path, settings: BenchSettings, ohm: float | None, before: Sequence[Stored], guide: Guide
) -> Point:
    if settings.kind == "simulated":
        raise BenchSetupError("the simulated bench has no resistor to clip; name a kit: kitproof daily KIT")
    known = [one.value for one in before if one.kind == "sense"]
    if ohm is None and not known:
        raise BenchSetupError("no known resistor: give --ohm, or run kitproof calibrate sense --load OHM first")
    wanted = known[-1] if ohm is None else known_ohm(ohm)
    desk = desk_of(workspace, settings, guide)
    guide.ready(f"Clip the known resistor of {wanted:g} ohm between the clips; the amplifier stays unplugged.")
    return resistor_point(sound_capture(desk.bench, guide, leads_sweep(desk, LEADS_V, DAILY_S)), wanted)


def _of_unit(workspace: Path, settings: BenchSettings, kit: Kit, faults: Sequence[str], guide: Guide) -> list[Point]:
    opened = opening.open_bench(workspace, settings, kit, kit.serial_example, faults)
    asked, points = unit_requests(kit), []
    opened.refuse(asked)
    if settings.kind == "soundcard":
        guide.ready(connection_words(kit, settings, "playing"))
    for request in asked:
        words = kit.stages["playing"].each.format(
            channel=request.at, position=request.position, distance=f"{kit.position(request.position).distance_m:g} m"
        )
        guide.ready(f"The reference build of {kit.name}, amplifier on. {words}")
        points.append(unit_point(sound_capture(opened, guide, request), kit))
    return points


def calibrations_of(
    workspace: Path, settings: BenchSettings, kit: Kit | None, with_older: bool = False
) -> tuple[list[tuple[Stored, str]], Held]:
    """The bench's calibrations, each with how it stands, in words; and all that is held, with what is asked of it.

    `kit` is one whose own wishes count too.
    """
    found, damaged = read_store(workspace, opening.calibrations_name(settings))
    ages = asked_ages(settings, kit.calibrations if kit else ())
    held = Held(tuple(found), ages, datetime.now().astimezone(), tuple(damaged))
    shown = found if with_older else list({(one.kind, one.of): one for one in found}.values())
    shown = sorted(shown, key=lambda one: (one.kind, one.of, one.moment))
    return list(zip(shown, _remarks(settings, shown, held), strict=True)), held


def _remarks(settings: BenchSettings, shown: Sequence[Stored], held: Held) -> list[str]:
    """What each calibration's standing is, in words; the older ones are superseded."""
    known = standings(settings, held)

    def remark(one: Stored) -> str:
        standing = known.get((one.kind, one.of))
        if one.kind == "daily":
            return one.details.state if isinstance(one.details, DailyDetails) else ""
        if standing is None:
            return "bench.toml has no such wiring"
        if standing.newest is not one:
            return "superseded"
        other = "made with another wiring or other numbers in bench.toml, or through one made anew since"
        return standing.doubt or ("" if standing.counts else other)

    return [remark(one) for one in shown]
