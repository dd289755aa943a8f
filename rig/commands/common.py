"""What the commands have in common: options, exit statuses, and finding a record."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.files.disk import ANSWERS_WITHIN_S, do_answer
from rig.files.errors import FAIL, PASS, VOID, RecordError

if TYPE_CHECKING:
    from rig.bench.settings import BenchSettings
    from rig.store.run_json import Record

#: The exit status of a verdict.
STATUS = {"pass": PASS, "fail": FAIL, "void": VOID}
HERE = Path()
#: What a command looks at in its workspace: each may be on a drive of its own.
IN_WORKSPACE = ("limits", "results", "bench.toml")


def _answering(workspace: Path) -> Path:
    """A workspace that can be looked at.

    Raises
    ------
    RecordError
        If it is on a network drive that does not answer: nothing has sounded, and nothing waits for ever.
    """
    if not do_answer([workspace, *(workspace / name for name in IN_WORKSPACE)]):
        raise RecordError(
            f"{workspace.absolute()}: no answer within {ANSWERS_WITHIN_S:g} s. Is it on a network drive "
            "whose server is off or cut off? Nothing was played or written. Bring the drive back, then start again"
        )
    return workspace


Workspace = Annotated[
    Path,
    typer.Option("--workspace", help="Folder with limits/, results/ and bench.toml.", callback=_answering),
]
BenchFile = Annotated[Path | None, typer.Option("--bench", help="Another bench than the workspace's bench.toml.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="Print a table as CSV and nothing else.")]
Faults = Annotated[list[str] | None, typer.Option("--fault", help="Build a fault into the simulated unit or bench.")]
BenchFaults = Annotated[list[str] | None, typer.Option("--fault", help="Build a fault into the simulated bench.")]
Plan = Annotated[str, typer.Option("--plan", help="One of the kit's plans; else its usual one.")]
Yes = Annotated[bool, typer.Option("--yes", help="Answer every prompt: for an unattended run.")]
By = Annotated[str, typer.Option("--by", help="Who measures: a person or a jig, for kitproof capability.")]
OfKit = Annotated[str, typer.Option("--kit", help="Of this kit; else of any.")]
OfOneKit = Annotated[str, typer.Option("--kit", help="Of this kit; needed where several have this serial.")]
OnlyKit = Annotated[str, typer.Argument(help="Not needed where the workspace has only one.")]


def sent(workspace: Path, settings: "BenchSettings | None", file: Path | None = None) -> None:
    """Begin to deliver what was closed at this bench, where benches share a store; nothing waits for it."""
    if settings and settings.store:
        from rig.screen.console import warn
        from rig.store.sending import send_off

        if words := send_off(workspace, file):
            warn(words)


def newest(workspace: Path, serial: str, kit: str, plan: str | None = None, number: int = 0) -> "Record":
    """The newest record of a unit.

    Raises
    ------
    RecordError
        If there is none, or one that may be it cannot be read.
    """
    from rig.store import records

    found = records.newest_first(workspace, serial, kit, number)
    record = next((record for record in found if plan in (None, record.plan)), None)
    if record is None:
        words = f" by the plan {plan!r}" if plan else f" with the number {number}" if number else ""
        raise RecordError(f"no record of {serial!r}{words} in {workspace / 'results'}")
    return record
