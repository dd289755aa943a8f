"""`kitproof capability KIT`: which limits are tighter than the rig can see."""

import json
from collections.abc import Callable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE, AsJson, Workspace
from rig.design.kit import Kit, load_kit
from rig.files.disk import why, write
from rig.files.errors import FAIL, VOID, RecordError, TableError
from rig.store import records
from rig.store.run_json import Record
from rig.store.trials import trials
from rig.study.capability import Capability, capability, limit_for
from rig.study.capability_words import document


def capability_command(
    kit: str,
    *,
    workspace: Workspace = HERE,
    serial: Annotated[list[str] | None, typer.Option("--serial", help="Only this unit; may be given again.")] = None,
    by: Annotated[list[str] | None, typer.Option("--by", help="Only runs by this person or jig; again.")] = None,
    since: Annotated[str, typer.Option("--since", help="Only runs from this day on, such as 2026-03-01.")] = "",
    plan: Annotated[str, typer.Option("--plan", help="Runs by this plan of the kit; else by its usual one.")] = "",
    as_json: AsJson = False,
) -> None:
    """Tell from repeated runs of several units by several people how much of each limit's width is the rig itself."""
    loaded = load_kit(workspace, kit)
    is_asked = _asked(loaded, serial or [], by or [], _day(since), plan)
    found, unreadable = records.all_records(workspace, kit)
    wanted, problems = trials(found, is_asked, lambda key: limit_for(loaded.limits, key) is not None)
    result = capability(loaded.limits, loaded.folder, wanted)
    page = _written(workspace, loaded, result) if result.is_study else None
    if as_json:
        about = {"kit": loaded.name, "revision": loaded.revision, "unreadable": [*unreadable, *problems]}
        print(json.dumps(about | document(result) | {"page": str(page) if page else None}))
    else:
        from rig.screen.capability_table import show

        show(result, [*unreadable, *problems], page)
    if not result.is_study:
        raise typer.Exit(VOID)
    if any(row.grade == "too tight" for row in result.limits):
        raise typer.Exit(FAIL)


def _day(since: str) -> date | None:
    if not since:
        return None
    try:
        return date.fromisoformat(since)
    except ValueError:
        raise TableError(f"--since: found {since!r}; allowed: a day, such as 2026-03-01") from None


def _asked(
    kit: Kit, serials: Sequence[str], by: Sequence[str], since: date | None, plan: str
) -> Callable[[Record], bool]:
    planned, _ = kit.planned(plan)
    for serial in serials:
        records.refuse_bad_serial(kit, serial)

    def is_asked(record: Record) -> bool:
        if (serials and record.serial not in serials) or (by and record.by not in by):
            return False
        if since and datetime.fromisoformat(record.started_at).date() < since:
            return False
        return record.plan == planned

    return is_asked


def _written(workspace: Path, kit: Kit, result: Capability) -> Path:
    """The page with figures, in a folder beside the units of `results/` that is none."""
    from rig.report.capability_page import page

    now = datetime.now().astimezone()
    path = workspace / "results" / ".capability" / f"{kit.name}-{now:%Y-%m-%dT%H%M%S}.html"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(path, page(kit, result, records.now()))
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {why(error)}") from None
    return path
