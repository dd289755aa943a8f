"""`kitproof demo`."""

import typer

from rig.commands.common import HERE, Workspace
from rig.commands.walking import certified, walked
from rig.design.demo_kits import demo_workspace
from rig.files.errors import FAIL, PASS
from rig.run import opening
from rig.run.verify import job
from rig.screen import terminal
from rig.screen.console import open_console
from rig.screen.record_page import findings_words

KIT = "booth-two"


def demo_command(workspace: Workspace = HERE) -> None:
    """Verify three simulated units of booth-two: a good one, one with its tweeter reversed, one with a wrong coil."""
    console = open_console()
    workspace, is_new = demo_workspace(workspace, KIT)
    if is_new:
        console.print(f"The demo keeps its kits and records in {workspace.resolve()}", soft_wrap=True)
    work = job(workspace, KIT)
    units = {
        "BT-0001": ("a good unit", []),
        "BT-0002": ("left tweeter reversed", ["reversed:left:tweeter"]),
        "BT-0003": ("right coil L1 of the wrong decade", ["tenth:right:L1"]),
    }
    done = []
    for serial, (words, faults) in units.items():
        console.rule(f"{serial}: {words}", align="left")
        bench = opening.open_bench(workspace, None, work.kit, serial, faults)
        done.append((serial, words, *walked(workspace, work, serial, bench, lambda words: True, console)))
    console.print(terminal.demo_table(done))
    for serial, _, run, record in done:
        if run.findings:
            console.print(f"{serial}:", findings_words(run.findings))
        certified(console, record)
    as_wanted = [run.outcome for _, _, run, _ in done] == ["pass", "fail", "fail"]
    raise typer.Exit(PASS if as_wanted else FAIL)
