"""`kitproof pairs KIT`: which boxes make the best pairs."""

import json
import math
import sys
from dataclasses import asdict, replace
from typing import Annotated

import typer

from rig.commands.common import HERE, AsCsv, AsJson, Workspace
from rig.commands.filters import with_filters
from rig.design.kit import load_kit
from rig.files.errors import TableError
from rig.files.plain import plain
from rig.screen.console import warn
from rig.store.selection import Selection


@with_filters
def pairs_command(
    kit: Annotated[str, typer.Argument(help="The kit whose boxes are paired.")],
    *,
    workspace: Workspace = HERE,
    most: Annotated[
        float | None, typer.Option(min=0.0, help="No pair may differ by more than so many dB; else any may.")
    ] = None,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    selection: Selection,
) -> None:
    """Pair the boxes of units that passed, by their levels over frequency and their resonances."""
    if as_json and as_csv:
        raise TableError("found --json and --csv; allowed: one of them")
    from rig.study.box_pairs import box_pairs, sentences, table_of
    from rig.study.export import csv_text

    problems: list[str] = []
    loaded = load_kit(workspace, kit)
    # Of all plans those count that read the level; the kit's usual one, unless another is asked for.
    selection = replace(selection, kit=kit, plan=loaded.planned(selection.plan)[0])
    found = box_pairs(workspace, loaded, selection, math.inf if most is None else most, problems.append)
    if as_json:
        print(json.dumps(plain({**asdict(found), "words": sentences(found), "problems": problems})))
        return
    if as_csv:
        for words in problems:
            warn(words)
        sys.stdout.write(csv_text(table_of(found)))
        return
    from rig.screen.pairs_table import show

    show(found, problems)
