"""`kitproof verify`."""

import json
from importlib import import_module
from threading import Thread
from typing import Annotated

import typer
from rich.console import Console

from rig.commands.common import HERE, AsJson, BenchFile, By, Faults, Plan, Workspace, Yes
from rig.commands.walking import certified, confirming, is_card, open_for, show_run, shown, status_of, walked
from rig.design.kit import Kit
from rig.run.sequencer import Confirm
from rig.run.verify import job, with_connection
from rig.screen.console import open_console, say
from rig.store import records
from rig.study.kit_warnings import kit_warnings


def verify_command(
    kit: str,
    serial: str,
    *,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    plan: Plan = "",
    as_json: AsJson = False,
    yes: Yes = False,
    fault: Faults = None,
    by: By = "",
    batch: Annotated[str, typer.Option("--batch", help="The lot of units that it belongs to.")] = "",
) -> None:
    """Measure one unit of a kit, judge it, write its record and certificate."""
    console = open_console(as_json)
    work = job(workspace, kit, plan)
    records.refuse_bad_serial(work.kit, serial)
    opened, settings = open_for(workspace, bench, work.kit, serial, fault or [])
    work, confirm = with_connection(work, settings), confirming(console, yes or not is_card(settings))
    confirm = _warning(work.kit, confirm, console)
    maker = settings.maker if settings else None
    run, record = walked(workspace, work, serial, opened, confirm, console, by=by, batch=batch, maker=maker)
    for words in (*record.set_aside, *record.clock):
        say(words, to_stderr=True)
    if as_json:
        shown(lambda: print(json.dumps({"folder": str(record.folder), **records.document_of(record)})))
    else:
        shown(lambda: show_run(console, run))
    certified(console, record)
    raise typer.Exit(status_of(run))


def _warning(kit: Kit, confirm: Confirm, console: Console) -> Confirm:
    """Asks as `confirm`; behind the first question what computes is loaded, and limits too narrow are looked for."""
    lines: list[str] = []

    def prepare() -> None:
        for computes in ("scipy.signal", "scipy.optimize"):
            import_module(computes)
        lines.extend(kit_warnings(kit))

    behind = Thread(target=prepare, daemon=True)

    def ask(words: str) -> bool:
        if behind.ident is not None:
            return confirm(words)
        behind.start()
        goes_on = confirm(words)
        behind.join()
        for line in lines:
            console.print(f"warning: {line}", style="yellow", markup=False, highlight=False)
        return goes_on

    return ask
