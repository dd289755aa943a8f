"""`kitproof rework SERIAL WORDS`: note what was done to a unit before it is measured again."""

from typing import Annotated

import typer

from rig.bench.settings import bench_name, bench_settings
from rig.commands.common import HERE, OfOneKit, Workspace, sent
from rig.design.kit import load_kit
from rig.files.errors import RecordError
from rig.screen.console import say
from rig.store import records
from rig.store.rework_notes import note


def rework_command(
    serial: str,
    words: Annotated[str, typer.Argument(help='What was done, such as "resoldered C3 left".')],
    workspace: Workspace = HERE,
    kit: OfOneKit = "",
    by: Annotated[str, typer.Option("--by", help="Who did it.")] = "",
) -> None:
    """Note what was done to a unit; its next run is linked to it and says whether it helped."""
    home, after, settings = records.home_of(workspace, serial, kit), "", bench_settings(workspace)
    if home:
        kit = home.parent.name
    elif settings and settings.store:
        from rig.store.unit_history import history

        of_others = history(settings.store, kit, serial).runs
        kit, after = (of_others[-1].path.split("/")[0], of_others[-1].run) if of_others else (kit, after)
    if not home and not after:
        raise RecordError(f"{workspace / 'results'}: no record of {serial!r}")
    path = note(workspace, load_kit(workspace, kit), serial, words, by, bench_name(settings), after=after)
    say(f"noted: {path}\nnow: kitproof verify {kit} {serial}")
    sent(workspace, settings)
