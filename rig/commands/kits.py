"""`kitproof kits`."""

import typer

from rig.commands.common import HERE, Workspace
from rig.design.kit import kit_names, load_kit
from rig.files.errors import (
    PASS,
    USAGE,
    TableError,
)
from rig.run.verify import Job, job
from rig.screen import terminal
from rig.screen.console import open_console, say
from rig.screen.listings import two_columns
from rig.study.narrow_limits import without_room


def kits_command(workspace: Workspace = HERE) -> None:
    """List the kits of this workspace, each checked for mistakes."""
    if not (workspace / "limits").is_dir():
        raise TableError(f"{workspace / 'limits'}: there is no such folder; a workspace keeps its kits there")
    rows, wrong = [], False
    for name in kit_names(workspace):
        try:
            kit = load_kit(workspace, name)
            rows.append((name, f"{kit.title}, revision {kit.revision}"))
            for plan in kit.plans or [""]:
                rows.append((f"  plan {plan}" if plan else "", _plan_words(job(workspace, name, plan))))
            rows += [("  warning", line) for line in without_room(kit)]
        except TableError as error:
            wrong = True
            rows.append((name, str(error)))
            say(error, to_stderr=True)
    open_console().print(two_columns("kit", "", rows))
    raise typer.Exit(USAGE if wrong else PASS)


def _plan_words(work: Job) -> str:
    stages = ", ".join(
        f"{stage.name}: {len(stage.groups)} set-up{'s' * (len(stage.groups) > 1)}" for stage in work.schedule.stages
    )
    seconds = sum(terminal.sound_s(request) for request in work.schedule.requests)
    return f"{stages}; {terminal.duration(seconds)} of sound"
