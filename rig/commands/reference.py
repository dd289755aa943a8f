"""`kitproof reference`."""

from rig.commands.common import HERE, Workspace, newest
from rig.design.kit import load_kit
from rig.screen.console import say


def reference_command(kit: str, serials: list[str], workspace: Workspace = HERE) -> None:
    """Make the newest runs of units that you vouch for the reference build: the mean of their curves."""
    from rig.store.reference import write_reference

    loaded = load_kit(workspace, kit)
    runs = [newest(workspace, serial, kit, loaded.planned("")[0]) for serial in serials]
    folder = write_reference(loaded, runs)
    say(f"the reference build of {kit} is now the mean of {', '.join(serials)}: {folder}")
