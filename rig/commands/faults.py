"""`kitproof faults`."""

from rig.commands.common import HERE, Workspace
from rig.design.kit import load_kit
from rig.screen.console import open_console
from rig.screen.listings import two_columns


def faults_command(kit: str, workspace: Workspace = HERE) -> None:
    """List the faults that the simulated bench can build into a unit of a kit or into itself."""
    from rig.design.fault_names import fault_names

    open_console().print(two_columns("--fault", "what it does", fault_names(load_kit(workspace, kit))))
