"""`kitproof reference`."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from rig.commands.common import HERE, Workspace, newest
from rig.design.kit import Kit, load_kit
from rig.files.columns import curve_in_unit
from rig.files.errors import TableError
from rig.screen.console import say
from rig.values.readings import Floats

Key = tuple[str, str, str]


def reference_command(
    kit: str,
    serials: Annotated[list[str] | None, typer.Argument(help="Units that you vouch for.")] = None,
    workspace: Workspace = HERE,
    plan: Annotated[
        str, typer.Option("--plan", help="Runs of this plan instead of the usual one; other curves stay as they are.")
    ] = "",
    files: Annotated[
        list[str] | None,
        typer.Option("--file", help="READING=FILE: a curve measured elsewhere, as 'impedance left=proto.txt'."),
    ] = None,
) -> None:
    """Make the newest runs of units that you vouch for the reference build: the mean of their curves."""
    from rig.store.reference import add_to_reference, write_reference

    loaded = load_kit(workspace, kit)
    if bool(serials) == bool(files):
        raise TableError("found serials and files, or none of them; allowed: serials of units, or --file READING=FILE")
    if files:
        curves = _curves(loaded, files)
        folder = add_to_reference(loaded, curves)
        names = ", ".join(f"{quantity} {subject}" for _, quantity, subject in curves)
        say(f"the reference build of {kit} now has {names} from files, good on any bench: {folder}")
        return
    usual, wanted = loaded.planned("")[0], loaded.planned(plan)[0]
    runs = [newest(workspace, serial, kit, wanted) for serial in serials or ()]
    folder = write_reference(loaded, runs, is_besides=wanted != usual)
    of = f", of what the plan {wanted} measures," if wanted != usual else ""
    say(f"the reference build of {kit}{of} is now the mean of {', '.join(serials or ())}: {folder}")


def _curves(kit: Kit, files: Sequence[str]) -> dict[Key, tuple[Path, Floats, Floats]]:
    """Check, quantity and subject -> file, frequencies and values, of READING=FILE each."""
    known = _known(kit)
    curves = {}
    for text in files:
        reading, _, name = text.partition("=")
        if reading.strip() not in known or not name:
            raise TableError(f"--file: found {text!r}; allowed: READING=FILE with one of: {', '.join(known)}")
        key, unit = known[reading.strip()]
        curves[key] = (Path(name), *curve_in_unit(Path(name), unit))
    return curves


def _known(kit: Kit) -> dict[str, tuple[Key, str]]:
    """Curves that a file can hold: what they are called -> check, quantity and subject; unit."""
    from checks import impedance, response

    kinds = (
        (impedance.NAME, impedance.IMPEDANCE, "ohm"),
        (impedance.NAME, impedance.PHASE, "degrees"),
        (response.NAME, response.FREE_FIELD_LEVEL, "dB"),
        (response.NAME, response.LEVEL, "dB"),
    )
    return {
        f"{quantity} {channel.name}": ((name, quantity, channel.name), unit)
        for check, quantity, unit in kinds
        for name, table in kit.checks.items()
        if table.get("check", name) == check
        for channel in kit.channels
    }
