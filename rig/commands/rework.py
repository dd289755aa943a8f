"""`kitproof rework SERIAL WORDS`: note what was done to a unit before it is measured again."""

from typing import Annotated

import typer

from rig.bench.settings import bench_name, bench_settings
from rig.commands.common import HERE, Workspace, sent
from rig.design.kit import load_kit
from rig.files.errors import RecordError
from rig.screen.console import say
from rig.store import records
from rig.store.rework_notes import note


def rework_command(
    serial: str,
    words: Annotated[str, typer.Argument(help='What was done, such as "resoldered C3 left".')],
    workspace: Workspace = HERE,
    kit: Annotated[str, typer.Option("--kit", help="Of this kit; needed where several have this serial.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who did it.")] = "",
) -> None:
    """Note what was done to a unit; its next run is linked to it and says whether it helped."""
    found = records.unit_records(workspace, serial, kit)
    if not found:
        raise RecordError(f"{workspace / 'results'}: no record of {serial!r}")
    kit = found[0].kit.name
    settings = bench_settings(workspace)
    path = note(workspace, load_kit(workspace, kit), serial, words, by, bench_name(settings))
    say(f"noted: {path}\nnow: kitproof verify {kit} {serial}")
    sent(workspace, settings)
