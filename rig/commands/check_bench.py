"""`kitproof check-bench`: listen, play quietly, and tell what is right and wrong with the bench."""

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from rig.bench.base import Bench
from rig.bench.connection import connection_words, refuse_grounded
from rig.bench.settings import BenchSettings
from rig.bench_check.assessment import assess, requests, speaks_against_playing
from rig.bench_check.bench_finding import BenchFinding
from rig.commands.common import HERE, AsJson, BenchFile, Workspace, Yes
from rig.design.kit import Kit, kit_names, load_kit
from rig.files.errors import FAIL, PASS, VOID, BenchSetupError, TableError
from rig.run import opening
from rig.values.requests import Stage

STAGES: tuple[Stage, ...] = ("leads", "playing")
#: Of the simulated bench; our choice.
USUAL_RATE_HZ = 48000.0

Confirm = Callable[[str], bool]
Show = Callable[[Stage, Sequence[BenchFinding]], None]


def check_bench_command(
    kit: Annotated[str, typer.Argument(help="Not needed where the workspace has only one.")] = "",
    *,
    stage: Annotated[str, typer.Option("--stage", help="Only leads or only playing.")] = "",
    load: Annotated[
        float | None, typer.Option("--load", help="Ohms of a known resistor at the clips, in place of the box.")
    ] = None,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    as_json: AsJson = False,
    yes: Yes = False,
    fault: Annotated[list[str] | None, typer.Option("--fault", help="Build a fault into the simulated bench.")] = None,
) -> None:
    """Listen, play quietly, and tell what is right and wrong with the wiring and the levels of the bench."""
    from rig.screen import bench_table as screen

    refuse_mistakes(stage, load)
    loaded = load_kit(workspace, kit or only_kit(workspace))
    settings = opening.bench_settings(workspace, bench)
    opened = opening.open_bench(workspace, settings, loaded, loaded.serial_example, fault or [])
    is_card = settings is not None and settings.kind == "soundcard"
    confirm = screen.asking(as_json, unattended=yes or not is_card)
    show: Show = (lambda stage, findings: None) if as_json else screen.show
    stages = [name for name in STAGES if stage in ("", name) and has_wiring(settings, name)]
    findings, stopped = check(loaded, settings, opened, stages, load_ohm=load, confirm=confirm, show=show)
    if as_json:
        document = {"kit": loaded.name, "bench": opened.describe().get("name", "simulated"), "stopped": stopped}
        entries = [{"stage": name, **asdict(one)} for name, found in findings.items() for one in found]
        print(json.dumps({**document, "told": entries}))
    else:
        screen.show_end(findings, stopped)
    wrong = any(one.is_right is False for found in findings.values() for one in found)
    raise typer.Exit(FAIL if wrong else VOID if stopped else PASS)


def refuse_mistakes(stage: str, load_ohm: float | None) -> None:
    """Refuse options that mean nothing.

    Raises
    ------
    TableError
        Naming the option, what was found and what is allowed.
    """
    if stage not in ("", *STAGES):
        raise TableError(f"--stage: found {stage!r}; allowed: {', '.join(STAGES)}")
    if load_ohm is not None and not 0.1 <= load_ohm <= 1000:
        raise TableError(f"--load: found {load_ohm:g}; allowed: ohms of the known resistor, 0.1 to 1000")


def only_kit(workspace: Path) -> str:
    """Name of the workspace's kit.

    Raises
    ------
    TableError
        If there is none, or more than one.
    """
    names = kit_names(workspace)
    if len(names) != 1:
        raise TableError(f"which kit? {workspace / 'limits'} holds {', '.join(names) or 'none'}")
    return names[0]


def has_wiring(settings: BenchSettings | None, stage: Stage) -> bool:
    """Whether the bench is wired for a stage; the simulated one is for all."""
    if settings is None or settings.kind == "simulated":
        return True
    return (settings.leads if stage == "leads" else settings.playing) is not None


def check(
    kit: Kit,
    settings: BenchSettings | None,
    bench: Bench,
    stages: Sequence[Stage],
    *,
    load_ohm: float | None,
    confirm: Confirm,
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
    with bench.session():
        for stage, asked in wanted.items():
            if against := speaks_against_playing(findings.get("leads", [])):
                return findings, f"not played through the amplifier: {against}"
            if not confirm(words_before(kit, settings, stage, load_ohm)):
                return findings, "stopped by the person at the bench"
            with bench.stage(stage) as player:
                captures = list(player.play(asked))
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
