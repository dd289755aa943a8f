"""`kitproof check-bench`: listen, play quietly, and tell what is right and wrong with the bench."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from rig.bench.settings import bench_settings
from rig.calibration.desk import Guide
from rig.commands.common import HERE, AsJson, BenchFaults, BenchFile, OnlyKit, Workspace, Yes
from rig.design.kit import kit_names, load_kit
from rig.files.errors import FAIL, PASS, VOID, TableError
from rig.run import opening
from rig.run.bench_jobs import KNOWN_OHM, STAGES, Show, check_bench, has_wiring
from rig.screen.console import say


def check_bench_command(
    kit: OnlyKit = "",
    *,
    stage: Annotated[str, typer.Option("--stage", help="Only leads or only playing.")] = "",
    load: Annotated[
        float | None, typer.Option("--load", help="Ohms of a known resistor at the clips, in place of the box.")
    ] = None,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    as_json: AsJson = False,
    yes: Yes = False,
    fault: BenchFaults = None,
) -> None:
    """Listen, play quietly, and tell what is right and wrong with the wiring and the levels of the bench."""
    from rig.screen import bench_table as screen

    refuse_mistakes(stage, load)
    loaded = load_kit(workspace, kit or only_kit(workspace))
    settings = bench_settings(workspace, bench)
    opened = opening.open_bench(workspace, settings, loaded, loaded.serial_example, fault or [])
    is_card = settings is not None and settings.kind == "soundcard"
    confirm = screen.asking(as_json, unattended=yes or not is_card)
    show: Show = (lambda stage, findings: None) if as_json else screen.show
    stages = [name for name in STAGES if stage in ("", name) and has_wiring(settings, name)]
    guide = Guide(lambda words: "", say, confirm)
    findings, stopped = check_bench(workspace, loaded, settings, opened, stages, load_ohm=load, guide=guide, show=show)
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
    low, high = KNOWN_OHM
    if load_ohm is not None and not low <= load_ohm <= high:
        raise TableError(f"--load: found {load_ohm:g}; allowed: ohms of the known resistor, {low:g} to {high:g}")


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
