"""`kitproof devices`."""

from rig.bench.settings import bench_settings
from rig.commands.common import HERE, BenchFile, Workspace
from rig.screen import terminal
from rig.screen.console import open_console


def devices_command(workspace: Workspace = HERE, bench: BenchFile = None) -> None:
    """List the sound devices that are there, and which of them fit bench.toml."""
    from rig.bench.soundcard import list_devices

    open_console().print(terminal.device_table(list_devices(bench_settings(workspace, bench))))
