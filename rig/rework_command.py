"""`kitproof rework SERIAL WORDS`: note what was done to a unit before it is measured again."""

from pathlib import Path
from typing import Annotated

import typer

from rig import records
from rig.kit import load_kit
from rig.records import RecordError
from rig.rework import note


def rework_command(
    serial: str,
    words: Annotated[str, typer.Argument(help='What was done, such as "resoldered C3 left".')],
    workspace: Annotated[Path, typer.Option("--workspace", help="Folder with limits/ and results/.")] = Path(),
    kit: Annotated[str, typer.Option("--kit", help="Of this kit; needed where several have this serial.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who did it.")] = "",
) -> None:
    """Note what was done to a unit; its next run is linked to it and says whether it helped."""
    found = records.all_records(workspace, kit, serial)[0]
    kits = sorted({record.document["kit"]["name"] for record in found})
    if len(kits) != 1:
        known = (
            f"records of {serial!r} are there in {', '.join(kits)}; name one with --kit"
            if kits
            else f"no record of {serial!r}"
        )
        raise RecordError(f"{workspace / 'results'}: {known}")
    path = note(workspace, load_kit(workspace, kits[0]), serial, words, by)
    print(f"noted: {path}\nnow: kitproof verify {kits[0]} {serial}")
