"""`kitproof trust`."""

import sys

from rig.commands.common import HERE, Workspace, Yes
from rig.files.errors import BenchSetupError, Stopped
from rig.files.trusted import is_trusted, trust
from rig.screen.console import open_console, say, yes_or_no
from rig.verdict.check import own_sources


def trust_command(workspace: Workspace = HERE, yes: Yes = False) -> None:
    """Agree that a workspace's own checks, which are programs, run on this computer; asked again when they change."""
    sources = own_sources(workspace)
    contents = {path.name: source for path, source in sources.items()}
    if not sources:
        say(f"{workspace / 'checks'}: no checks of its own; nothing to agree to")
        return
    if is_trusted(contents):
        say(f"{workspace / 'checks'}: agreed to already, and unchanged since")
        return
    for path, source in sources.items():
        say(f"{path}: {len(source.splitlines())} lines")
    say("These are programs: they can do whatever you can. Agree only if you have read them or know who wrote them.")
    if not yes and not sys.stdin.isatty():
        raise BenchSetupError("nobody can answer at this terminal; --yes agrees")
    if not yes and not yes_or_no(open_console(), "may they run? type y or n: "):
        raise Stopped("none of them runs")
    trust(contents)
    say("agreed")
