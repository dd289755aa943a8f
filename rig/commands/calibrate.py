"""`kitproof calibrate ...`, `kitproof calibrations`, `kitproof daily`: making, listing and watching calibrations."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, cast

import typer

from rig.bench.settings import BenchSettings, bench_settings
from rig.calibration.calibrated import OUT_OF_CONTROL
from rig.calibration.desk import Desk, Guide, Meter, asked_over_visa, typed
from rig.calibration.guided import (
    MOUNTINGS,
    OPENINGS,
    TONE_HZ,
    WiredStage,
    calibrate_input,
    calibrate_load,
    calibrate_loopback,
    calibrate_microphone,
    calibrate_output,
    calibrate_sense,
)
from rig.calibration.known_load import MARKED_PERCENT, resistor
from rig.calibration.storage import Stored, save
from rig.calibration.volts import CALIBRATOR_DB, CALIBRATOR_WITHIN_DB, METER_PERCENT
from rig.commands.common import HERE, AsJson, BenchFaults, BenchFile, Workspace, Yes
from rig.design.kit import load_kit
from rig.files.errors import FAIL, BenchSetupError, TableError
from rig.run.bench_jobs import LEADS_V, calibrations_of, daily_check, known_ohm, made_at_desk, put_down
from rig.screen.console import answer_to, open_console, say, warn, yes_or_no

OfStage = Annotated[str, typer.Option("--stage", help="Wiring of bench.toml: leads, playing or soak.")]
MeterRole = Annotated[
    str, typer.Option("--meter", help="Role of an instrument of bench.toml, in volts, that is asked.")
]
MeterPercent = Annotated[float, typer.Option("--meter-percent", help="Accuracy of the meter on AC volts, in percent.")]
Hz = Annotated[float, typer.Option("--hz", help="Frequency of the tone.")]
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
    openings: Annotated[int, typer.Option(min=1, max=20, help="How often the stream is opened anew.")] = OPENINGS,
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
    mountings: Annotated[int, typer.Option(min=1, max=10, help="How often it is put on.")] = MOUNTINGS,
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
    volts: Annotated[float, typer.Option(help="RMS volts at the source.")] = LEADS_V,
    yes: Yes = False,
) -> None:
    """Sense resistor, clips and cables: open, short, and one or two known resistors."""
    if len(load) > 2:
        raise TableError(f"--load: found {len(load)} resistors; allowed: one or two")
    loads = [resistor(known_ohm(ohm), _percent(percent)) for ohm in load]
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
    one = resistor(known_ohm(ohm), _percent(percent))
    _make(workspace, bench, yes, lambda desk: calibrate_load(desk, one, percent, LEADS_V))


def _make(workspace: Path, file: Path | None, yes: bool, make: Callable[[Desk], Stored]) -> None:
    settings = bench_settings(workspace, file)
    if settings is None or settings.kind == "simulated":
        say(SIMULATED)
        return
    from rig.screen.calibrations import show_made

    one = made_at_desk(workspace, settings, at_the_terminal(yes), make)
    show_made(one, save(workspace, one))


def at_the_terminal(yes: bool = False) -> Guide:
    """The person at this terminal; `yes` answers whether things are done."""

    def confirm(words: str) -> bool:
        say(words)
        return yes or yes_or_no(open_console(), "  done? type y to go on, n to stop: ")

    return Guide(_typed, say, confirm)


def _typed(words: str) -> str:
    try:
        return answer_to(open_console(), words)
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


def calibrations(
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    kit: Annotated[str, typer.Option("--kit", help="With what this kit asks for.")] = "",
    all_of_them: Annotated[bool, typer.Option("--all", help="The earlier ones too.")] = False,
    as_json: AsJson = False,
) -> None:
    """List the bench's calibrations: age, value, uncertainty, what expires when."""
    settings = bench_settings(workspace, bench) or BenchSettings(kind="simulated")
    shown, held = calibrations_of(workspace, settings, load_kit(workspace, kit) if kit else None, all_of_them)
    for file in held.damaged:
        warn(f"{file.words}, left out")
    if as_json:
        rows = [{**_plain(one), "remark": remark} for one, remark in shown]
        print(json.dumps({"calibrations": rows, "ages_days": dict(held.ages_days)}))
        return
    from rig.screen.calibrations import show_all

    show_all(shown, held)


def _plain(one: Stored) -> dict[str, object]:
    keys = ("kind", "of", "made_at", "quantity", "value", "unit", "uncertainty")
    return {**{key: getattr(one, key) for key in keys}, "file": str(one.path)}


def daily(
    kit: Annotated[str, typer.Argument(help="Measure the reference build of this kit; else the known resistor.")] = "",
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    ohm: Annotated[
        float | None, typer.Option("--ohm", help="The known resistor; else that of calibrate sense.")
    ] = None,
    yes: Yes = False,
    fault: BenchFaults = None,
) -> None:
    """Measure a known resistor or the reference build, and hold it against the days before."""
    settings = bench_settings(workspace, bench) or BenchSettings(kind="simulated")
    guide = at_the_terminal(yes or settings.kind == "simulated")
    judged = daily_check(workspace, settings, guide, load_kit(workspace, kit) if kit else None, ohm, fault or [])
    put_down(workspace, settings, judged)
    from rig.screen.calibrations import show_daily

    for one in judged:
        show_daily(one)
    if any(one.state == OUT_OF_CONTROL for one in judged):
        say("Until the cause is found and this check is in control again, what it speaks for is held as untrustworthy.")
        raise typer.Exit(FAIL)
