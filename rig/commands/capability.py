"""`kitproof capability KIT`: which limits are tighter than the rig can see."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated

import sqlalchemy as sa
import typer

from rig.commands.common import HERE, AsJson, Workspace
from rig.commands.filters import refuse_bad_serials, with_filters
from rig.design.kit import Kit, load_kit
from rig.files.disk import why, write
from rig.files.errors import FAIL, VOID, RecordError, TableError
from rig.screen.console import warn
from rig.store import homes, records
from rig.store.index import ask
from rig.store.run_json import Record
from rig.store.selection import Selection, listed, newest, unread
from rig.store.trials import trials
from rig.study.capability import Capability, capability, limit_for
from rig.study.capability_words import document

#: So many runs are studied at most: each takes 0.1 MB of memory and 20 ms (measured); our choice.
MOST_RUNS = 10_000


@with_filters
def capability_command(
    kit: str,
    *,
    workspace: Workspace = HERE,
    plan: Annotated[str, typer.Option("--plan", help="Runs by this plan of the kit; else by its usual one.")] = "",
    as_json: AsJson = False,
    selection: Selection,
) -> None:
    """Tell from repeated runs of several units by several people how much of each limit's width is the rig itself."""
    loaded = load_kit(workspace, kit)
    refuse_bad_serials(loaded, selection)
    asked, unreadable = _asked(workspace, replace(selection, plan=loaded.planned(plan)[0]))
    if len(asked) > MOST_RUNS:
        raise TableError(
            f"found {len(asked)} runs; allowed: {MOST_RUNS} in one study. Choose those in which units were measured "
            "again, by --serial, --batch or --since and --until"
        )
    # All of a unit's runs: those before a rework tell that it is another unit since.
    odd: list[str] = []
    homes = [workspace / "results" / loaded.name / serial for serial in sorted({serial for serial, _ in asked})]
    wanted, left_out = trials(
        _records(homes, odd),
        lambda record: (record.serial, record.run) in asked,
        lambda key: limit_for(loaded.limits, key) is not None,
    )
    problems = list(dict.fromkeys((*unreadable, *odd, *left_out)))
    result = capability(loaded.limits, loaded.folder, wanted)
    about: dict[str, object] = {"kit": loaded.name, "revision": loaded.revision, "unreadable": problems}
    about |= document(result)
    page = _written(workspace, loaded, result, about) if result.is_study else None
    if as_json:
        print(json.dumps(about | {"page": str(page) if page else None}))
    else:
        from rig.screen.capability_table import show

        show(result, problems, page)
    if not result.is_study:
        raise typer.Exit(VOID)
    if any(row.grade == "too tight" for row in result.limits):
        raise typer.Exit(FAIL)


def _records(homes: Sequence[Path], odd: list[str]) -> Iterator[Record]:
    """The records of units, one unit after the other, for those of a large store do not fit in memory; into `odd` goes
    what cannot be read.
    """
    for home in homes:
        found, problems = records.readable(home)
        odd += problems
        yield from found


def _asked(workspace: Path, selection: Selection) -> tuple[set[tuple[str, str]], list[str]]:
    """Serial and name of the runs of a study, and what could not be read, in words."""

    def question(connection: sa.Connection) -> tuple[set[tuple[str, str]], list[str]]:
        rows = listed(connection, newest(selection, 0))
        return {(row["serial"], row["run"]) for row in rows}, unread(connection, selection.kit)

    return ask(workspace, question, warn)


def _written(workspace: Path, kit: Kit, result: Capability, about: dict[str, object]) -> Path:
    """The page with figures, in a folder beside the units of `results/` that is none; and its numbers, for batches."""
    from rig.report.capability_page import page

    now = datetime.now().astimezone()
    path = workspace / "results" / ".capability" / f"{kit.name}-{now:%Y-%m-%dT%H%M%S}.html"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(path, page(kit, result, homes.now()))
        write(path.with_suffix(".json"), json.dumps(about, indent=1))
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {why(error)}") from None
    return path
