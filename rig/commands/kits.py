"""`kitproof kits`."""

from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE, Workspace
from rig.design.kit import Kit, kit_names, load_kit
from rig.files.errors import PASS, USAGE, TableError
from rig.screen.console import open_console, warn
from rig.screen.listings import two_columns

Rows = list[tuple[str, str]]


def kits_command(
    kit: Annotated[
        str, typer.Argument(help="Only this kit: the settings of its checks, how long it sounds, limits too narrow.")
    ] = "",
    workspace: Workspace = HERE,
) -> None:
    """List the kits of this workspace, their files checked for mistakes; of one, named, everything."""
    if not (workspace / "limits").is_dir():
        raise TableError(f"{workspace / 'limits'}: there is no such folder; a workspace keeps its kits there")
    rows: Rows = []
    wrong = False
    for name in [kit] if kit else kit_names(workspace):
        try:
            loaded = load_kit(workspace, name)
            rows += [_head(loaded), *(_whole(workspace, loaded) if kit else [])]
        except TableError as error:
            wrong = True
            rows.append((name, str(error)))
            warn(error)
    open_console().print(two_columns("kit", "", rows))
    raise typer.Exit(USAGE if wrong else PASS)


def _head(kit: Kit) -> tuple[str, str]:
    plans = f"; plans: {', '.join(kit.plans)}" if kit.plans else ""
    return kit.name, f"{kit.title}, revision {kit.revision}{plans}"


def _whole(workspace: Path, kit: Kit) -> Rows:
    """With its checks, which are loaded only here: a listing starts at once."""
    from rig.run.verify import job
    from rig.screen.terminal import duration, sound_s
    from rig.study.kit_warnings import kit_warnings

    rows: Rows = []
    for plan in kit.plans or [""]:
        work = job(workspace, kit.name, plan)
        stages = ", ".join(
            f"{stage.name}: {len(stage.groups)} set-up{'s' * (len(stage.groups) > 1)}" for stage in work.schedule.stages
        )
        seconds = sum(sound_s(request) for request in work.schedule.requests)
        rows.append((f"  plan {plan}" if plan else "", f"{stages}; {duration(seconds)} of sound"))
    return rows + [("  warning", line) for line in kit_warnings(kit)]
