"""`kitproof show`."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.bench.store_settings import StoreOfBench, store_of
from rig.commands.common import HERE, AsJson, Workspace, newest
from rig.files.errors import PASS, VOID, RecordError
from rig.files.plain import plain
from rig.report.paper import papers_of
from rig.screen.console import open_console, warn
from rig.screen.record_page import history_table, record_page
from rig.store import records
from rig.store.archived import words_of

if TYPE_CHECKING:
    from rig.store.run_json import Record
    from rig.store.unit_history import History


def show_command(
    serial: str, workspace: Workspace = HERE, kit: Annotated[str, typer.Option()] = "", as_json: AsJson = False
) -> None:
    """Print the newest record of a unit, and whether its files are still what they were."""
    shared, others = store_of(workspace), None
    try:
        record = newest(workspace, serial, kit)
    except RecordError:
        others = _elsewhere(shared, kit, serial, None)
        if shared is None or others is None or not others.runs:
            raise
        _show_elsewhere(others, shared, as_json)
        raise typer.Exit(PASS) from None
    others = _elsewhere(shared, record.kit.name, serial, record.folder.parent)
    problems = records.damages(record)
    if as_json:
        print(json.dumps(_document(record, problems, others)))
    else:
        console = open_console()
        console.print(record_page(record, problems, console.width))
        console.print("\n".join(papers_of(record)), soft_wrap=True)
        if taken_out := words_of(record):
            console.print(taken_out)
        if others and (others.runs or others.reworks):
            console.print(history_table(others))
    raise typer.Exit(VOID if problems else PASS)


def _document(record: "Record", problems: list[str], others: "History | None") -> dict[str, object]:
    return {
        "folder": str(record.folder),
        "damages": problems,
        "taken_out": words_of(record),
        "other_benches": plain(others),
        **records.document_of(record),
    }


def _elsewhere(shared: StoreOfBench | None, kit: str, serial: str, home: Path | None) -> "History | None":
    """What other benches stored of a unit whose folder is here, if it has one; None, and said why: not known."""
    if shared is None:
        return None
    from rig.store.shared_store import StoreError
    from rig.store.unit_history import elsewhere, history

    try:
        others = history(shared.store, kit, serial)
        return elsewhere(others, home) if home else others
    except StoreError as error:
        warn(f"what other benches measured of {serial} is not known here: {error}")
        return None


def _show_elsewhere(others: "History", shared: StoreOfBench, as_json: bool) -> None:
    """Of a unit that was never measured here."""
    newest = others.runs[-1]
    if as_json:
        print(json.dumps({"folder": None, "other_benches": plain(others)}))
        return
    console = open_console()
    console.print(history_table(others))
    place = f"; its record: {shared.store.files.rstrip('/')}/{newest.path}" if shared.store.files else ""
    console.print(f"it was never measured here{place}", soft_wrap=True)
