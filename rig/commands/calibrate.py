"""`kitproof calibrate ...`, `kitproof calibrations`, `kitproof daily`: making, listing and watching calibrations."""

import json
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, cast

import typer

from rig.bench.connection import connection_words
from rig.bench.settings import BenchSettings, simulated_name
from rig.bench.soundcard import SoundCardBench
from rig.calibration.calibrated import OUT_OF_CONTROL, Held, asked_ages, standings
from rig.calibration.daily import Point, judge, resistor_point, unit_point, unit_requests
from rig.calibration.desk import Desk, Guide, Meter, asked_over_visa, sound_capture, typed
from rig.calibration.guided import (
    TONE_HZ,
    WiredStage,
    calibrate_input,
    calibrate_load,
    calibrate_loopback,
    calibrate_microphone,
    calibrate_output,
    calibrate_sense,
    leads_sweep,
)
from rig.calibration.known_load import MARKED_PERCENT, resistor
from rig.calibration.storage import DailyDetails, Stored, read_store, save, stored
from rig.calibration.volts import CALIBRATOR_DB, CALIBRATOR_WITHIN_DB, METER_PERCENT
from rig.commands.common import HERE, AsJson, BenchFile, Workspace, Yes
from rig.design.kit import Kit, load_kit
from rig.files.errors import FAIL, BenchSetupError, TableError
from rig.run import opening
from rig.screen.console import open_console, say, yes_or_no

OfStage = Annotated[str, typer.Option("--stage", help="Wiring of bench.toml: leads, playing or soak.")]
MeterRole = Annotated[
    str, typer.Option("--meter", help="Role of an instrument of bench.toml, in volts, that is asked.")
]
MeterPercent = Annotated[float, typer.Option("--meter-percent", help="Accuracy of the meter on AC volts, in percent.")]
Hz = Annotated[float, typer.Option("--hz", help="Frequency of the tone.")]
#: Length of the daily sweep; our choice.
DAILY_S = 2.0
SIMULATED = "the simulated bench calibrates itself; nothing to do"

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    help="Make a calibration of the bench: guided, dated, and never changed.",
)


@app.command()
def loopback(
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    stage: OfStage = "playing",
    volts: Annotated[float | None, typer.Option(help="RMS volts at the output; else half of full scale.")] = None,
    openings: Annotated[int, typer.Option(min=1, max=20, help="How often the stream is opened anew.")] = 5,
    yes: Yes = False,
) -> None:
    """Sound card from output to input: response, latency, noise, distortion."""
    _make(workspace, bench, yes, lambda desk: calibrate_loopback(desk, _stage(stage), volts, openings))


@app.command()
def output(
    *,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    stage: OfStage = "playing",
    meter: MeterRole = "",
    meter_percent: MeterPercent = METER_PERCENT,
    hz: Hz = TONE_HZ,
    yes: Yes = False,
) -> None:
    """Volts at the sound card's output, by a meter that you read or that is asked."""

    def make(desk: Desk) -> Stored:
        return calibrate_output(desk, _stage(stage), _meter(desk, meter), _hz(hz), _percent(meter_percent))

    _make(workspace, bench, yes, make)


@app.command("input")
def input_command(
    role: Annotated[str, typer.Argument(help="drive, sense, microphone or loopback")],
    *,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    metered: Annotated[bool, typer.Option("--metered", help="You read a meter at the input meanwhile.")] = False,
    meter: MeterRole = "",
    meter_percent: MeterPercent = METER_PERCENT,
    hz: Hz = TONE_HZ,
    yes: Yes = False,
) -> None:
    """Volts at an input, from the calibrated output or a meter at the input."""

    def make(desk: Desk) -> Stored:
        read = _meter(desk, meter) if meter or metered else None
        return calibrate_input(desk, role, read, _hz(hz), _percent(meter_percent))

    _make(workspace, bench, yes, make)


@app.command()
def microphone(
    *,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    level_db: Annotated[
        float, typer.Option("--level", help="What the calibrator is set to, dB SPL: 94 or 114.")
    ] = 94.0,
    within_db: Annotated[float, typer.Option("--within", help="Its tolerance in dB.")] = CALIBRATOR_WITHIN_DB,
    mountings: Annotated[int, typer.Option(min=1, max=10, help="How often it is put on.")] = 2,
    file: Annotated[
        Path | None, typer.Option("--file", help="What the microphone reads too much: Hz, dB, degrees.")
    ] = None,
    yes: Yes = False,
) -> None:
    """Millivolts per pascal by a sound calibrator of 1 kHz, and the microphone's own response."""
    if level_db not in CALIBRATOR_DB:
        raise TableError(f"--level: found {level_db:g}; allowed: {' or '.join(f'{db:g}' for db in CALIBRATOR_DB)}")
    if not 0 <= within_db <= 3:
        raise TableError(f"--within: found {within_db:g}; allowed: the calibrator's tolerance, 0 to 3 dB")
    _make(workspace, bench, yes, lambda desk: calibrate_microphone(desk, level_db, within_db, mountings, file))


@app.command()
def sense(
    load: Annotated[list[float], typer.Option("--load", help="Ohms of a known resistor; once or twice.")],
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    percent: Annotated[float, typer.Option("--percent", help="Tolerance of the resistors.")] = MARKED_PERCENT,
    volts: Annotated[float, typer.Option(help="RMS volts at the source.")] = 0.1,
    yes: Yes = False,
) -> None:
    """Sense resistor, clips and cables: open, short, and one or two known resistors."""
    if len(load) > 2:
        raise TableError(f"--load: found {len(load)} resistors; allowed: one or two")
    loads = [resistor(_ohm(ohm), _percent(percent)) for ohm in load]
    _make(workspace, bench, yes, lambda desk: calibrate_sense(desk, loads, volts))


def load_command(
    ohm: float,
    kit: Annotated[str, typer.Argument(help="Not needed any more.")] = "",
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    percent: Annotated[float, typer.Option("--percent", help="Tolerance of the resistor.")] = MARKED_PERCENT,
    yes: Yes = False,
) -> None:
    """Compare the two electrical inputs on one known resistor: the short way of `calibrate sense`."""
    if kit:
        load_kit(workspace, kit)
    one = resistor(_ohm(ohm), _percent(percent))
    _make(workspace, bench, yes, lambda desk: calibrate_load(desk, one, percent, 0.1))


def _make(workspace: Path, file: Path | None, yes: bool, make: Callable[[Desk], Stored]) -> None:
    settings = opening.bench_settings(workspace, file)
    if settings is None or settings.kind == "simulated":
        say(SIMULATED)
        return
    from rig.screen.calibrations import show_made

    ready = opening.with_calibrations(workspace, settings)
    desk = Desk(ready, SoundCardBench(ready, NO_KIT), at_the_terminal(yes))
    one = make(desk)
    show_made(one, save(workspace, one))


#: A calibration is of the bench: whatever channels a kit may have.
NO_KIT = cast(Kit, SimpleNamespace(channels=()))


def at_the_terminal(yes: bool = False) -> Guide:
    """The person at this terminal; `yes` answers whether things are done."""

    def confirm(words: str) -> bool:
        say(words)
        return yes or yes_or_no(open_console(), "  done? type y to go on, n to stop: ")

    return Guide(_typed, say, confirm)


def _typed(words: str) -> str:
    try:
        return input(words).strip()
    except (EOFError, OSError):
        raise BenchSetupError("nobody answers at this terminal") from None


def _meter(desk: Desk, role: str) -> Meter:
    return asked_over_visa(desk.settings, role) if role else typed


def _stage(name: str) -> WiredStage:
    if name not in ("leads", "playing", "soak"):
        raise TableError(f"--stage: found {name!r}; allowed: leads, playing, soak")
    return cast(WiredStage, name)


def _hz(hz: float) -> float:
    if not 20 <= hz <= 5000:
        raise TableError(f"--hz: found {hz:g}; allowed: 20 to 5000 Hz, within the meter's range")
    return hz


def _percent(percent: float) -> float:
    if not 0 < percent <= 20:
        raise TableError(f"found {percent:g} %; allowed: above 0, up to 20 %")
    return percent


def _ohm(ohm: float) -> float:
    if not 0.1 <= ohm <= 1000:
        raise TableError(f"found {ohm:g} ohm; allowed: the known resistor's value, 0.1 to 1000")
    return ohm


def calibrations(
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    kit: Annotated[str, typer.Option("--kit", help="With what this kit asks for.")] = "",
    all_of_them: Annotated[bool, typer.Option("--all", help="The earlier ones too.")] = False,
    as_json: AsJson = False,
) -> None:
    """List the bench's calibrations: age, value, uncertainty, what expires when."""
    settings = opening.bench_settings(workspace, bench) or BenchSettings(kind="simulated")
    found, damaged = read_store(workspace, _bench_name(settings))
    for file in damaged:
        say(f"{file.words}, left out", to_stderr=True)
    ages = asked_ages(settings, load_kit(workspace, kit).calibrations if kit else ())
    held = Held(tuple(found), ages, datetime.now().astimezone(), tuple(damaged))
    shown = found if all_of_them else list({(one.kind, one.of): one for one in found}.values())
    shown = sorted(shown, key=lambda one: (one.kind, one.of, one.moment))
    remarks = _remarks(settings, shown, held)
    if as_json:
        rows = [{**_plain(one), "remark": remarks[place]} for place, one in enumerate(shown)]
        print(json.dumps({"calibrations": rows, "ages_days": ages}))
        return
    from rig.screen.calibrations import show_all

    show_all(shown, remarks, held)


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


def _plain(one: Stored) -> dict[str, object]:
    keys = ("kind", "of", "made_at", "quantity", "value", "unit", "uncertainty")
    return {**{key: getattr(one, key) for key in keys}, "file": str(one.path)}


def _bench_name(settings: BenchSettings) -> str:
    """The name that calibrations of a bench are kept under."""
    if settings.kind == "simulated":
        return simulated_name(settings.simulated.seed if settings.simulated else 0)
    return settings.name


def daily(
    kit: Annotated[str, typer.Argument(help="Measure the reference build of this kit; else the known resistor.")] = "",
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    ohm: Annotated[
        float | None, typer.Option("--ohm", help="The known resistor; else that of calibrate sense.")
    ] = None,
    yes: Yes = False,
    fault: Annotated[list[str] | None, typer.Option("--fault", help="Build a fault into the simulated bench.")] = None,
) -> None:
    """Measure a known resistor or the reference build, and hold it against the days before."""
    settings = opening.bench_settings(workspace, bench) or BenchSettings(kind="simulated")
    name, guide = _bench_name(settings), at_the_terminal(yes or settings.kind == "simulated")
    before = stored(workspace, name)
    if kit:
        points = _of_unit(workspace, settings, load_kit(workspace, kit), fault or [], guide)
    else:
        points = [_of_resistor(workspace, settings, ohm, before, guide)]
    from rig.screen.calibrations import show_daily

    made_at = datetime.now().astimezone().isoformat(timespec="seconds")
    judged = [judge(point, before) for point in points]
    for one in judged:
        save(workspace, one.stored(name, made_at))
        show_daily(one)
    if any(one.state == OUT_OF_CONTROL for one in judged):
        say("Until the cause is found and this check is in control again, what it speaks for is held as untrustworthy.")
        raise typer.Exit(FAIL)


def _of_resistor(
    workspace: Path, settings: BenchSettings, ohm: float | None, before: Sequence[Stored], guide: Guide
) -> Point:
    if settings.kind == "simulated":
        raise BenchSetupError("the simulated bench has no resistor to clip; name a kit: kitproof daily KIT")
    known = [one.value for one in before if one.kind == "sense"]
    if ohm is None and not known:
        raise BenchSetupError("no known resistor: give --ohm, or run kitproof calibrate sense --load OHM first")
    wanted = known[-1] if ohm is None else _ohm(ohm)
    ready = opening.with_calibrations(workspace, settings)
    desk = Desk(ready, SoundCardBench(ready, NO_KIT), guide)
    guide.ready(f"Clip the known resistor of {wanted:g} ohm between the clips; the amplifier stays unplugged.")
    return resistor_point(sound_capture(desk.bench, guide, leads_sweep(desk, 0.1, DAILY_S)), wanted)


def _of_unit(workspace: Path, settings: BenchSettings, kit: Kit, faults: Sequence[str], guide: Guide) -> list[Point]:
    opened = opening.open_bench(workspace, settings, kit, kit.serial_example, faults)
    requests, points = unit_requests(kit), []
    opened.refuse(requests)
    if settings.kind == "soundcard":
        guide.ready(connection_words(kit, settings, "playing"))
    for request in requests:
        words = kit.stages["playing"].each.format(
            channel=request.at, position=request.position, distance=f"{kit.position(request.position).distance_m:g} m"
        )
        guide.ready(f"The reference build of {kit.name}, amplifier on. {words}")
        points.append(unit_point(sound_capture(opened, guide, request), kit))
    return points
