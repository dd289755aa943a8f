"""`kitproof archive`: captures of runs that passed, taken out of their records to save room."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from rig.bench.settings import bench_name, bench_settings
from rig.commands.common import HERE, Workspace, Yes, newest, sent
from rig.commands.filters import refuse_unknown_kit, with_filters
from rig.design.kit import ArchiveSpec, load_kit
from rig.files.errors import VOID, RecordError, Stopped, TableError
from rig.screen.console import open_console, say, warn, yes_or_no
from rig.store.index import ask
from rig.store.packing import bring_back, is_kept, is_packed_away, pack_away
from rig.store.records import read_in_place, unit_records
from rig.store.run_json import Record
from rig.store.selection import Selection, listed
from rig.store.selection import newest as newest_runs

#: The folder of a record that holds its captures, and nothing once they were taken out.
CAPTURES = "captures"

Back = Annotated[str, typer.Option("--bring-back", help="Put the packed captures of this unit's runs back.")]


@with_filters
def archive_command(
    *,
    workspace: Workspace = HERE,
    older_than: Annotated[
        int | None, typer.Option("--older-than", min=1, max=36500, help="Runs older than so many days.")
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", help="Where packs are: a folder, best on another disk.")] = None,
    back: Back = "",
    yes: Yes = False,
    selection: Selection,
) -> None:
    """Pack captures of runs that passed away, or drop them, as the kit's [archive] has it; records never change."""
    if back:
        _bring_back(_packed(workspace, back, selection.kit), to)
        return
    if older_than is None:
        raise TableError("--older-than: missing; allowed: a number of days, such as 365")
    refuse_unknown_kit(workspace, selection.kit)
    before = (datetime.now(UTC) - timedelta(days=older_than)).isoformat(timespec="seconds")
    rules: dict[str, ArchiveSpec] = {}
    found = [(folder, _rule(workspace, folder, rules)) for folder in _passed(workspace, selection, before)]
    dropped = sum(not is_kept(rule, folder.parent.name) for folder, rule in found)
    if len(found) > dropped and to is None:
        raise TableError("--to: missing; allowed: the folder that captures are packed into, best on another disk")
    words = f"{len(found)} runs: the captures of {len(found) - dropped} are packed into {to}, of {dropped} dropped"
    say(words if found else "no run that passed is so old and has its captures")
    if dropped and not yes and not yes_or_no(open_console(), "what is dropped can never be judged again; y or n: "):
        raise Stopped("nothing was done")
    saved, problems, settings = 0, 0, bench_settings(workspace)
    for folder, rule in found:
        try:
            saved += _packed_away(folder, rule, to or HERE, bench_name(settings))
        except RecordError as error:
            problems += 1
            warn(error)
    if found:
        say(f"{saved / 1e6:.1f} MB less under {workspace / 'results'}")
        sent(workspace, settings)
    if problems:
        raise typer.Exit(VOID)


def _packed_away(folder: Path, rule: ArchiveSpec, packs: Path, bench: str) -> int:
    """Take the captures out of a run; bytes less. What passed is told by its record alone, not by the index."""
    record = read_in_place(folder)
    return pack_away(record, rule, packs, bench) if record.outcome == "pass" else 0


def _bring_back(records: list[Record], to: Path | None) -> None:
    """Put captures of a unit's runs back where they were; a pack that is no good keeps no other from coming back."""
    brought, problems = 0, []
    for record in records:
        try:
            brought += bring_back(record, to)
        except RecordError as error:
            problems.append(str(error))
    if problems and not brought:
        raise RecordError("\n".join(problems))
    say(f"{brought} captures are where they were")
    for words in problems:
        warn(words)
    if problems:
        raise typer.Exit(VOID)


def _packed(workspace: Path, serial: str, kit: str) -> list[Record]:
    """Runs of a unit whose captures stand in packs; where none do the newest, which tells why none can come back."""
    away = [record for record in unit_records(workspace, serial, kit) if is_packed_away(record)]
    return away or [newest(workspace, serial, kit)]


def _rule(workspace: Path, folder: Path, known: dict[str, ArchiveSpec]) -> ArchiveSpec:
    """What the kit of a run has about captures; each kit is read once."""
    kit = folder.parent.parent.name
    if kit not in known:
        known[kit] = load_kit(workspace, kit).archive
    return known[kit]


def _passed(workspace: Path, selection: Selection, before: str) -> Iterator[Path]:
    """Folders of a selection's runs that passed before a time and have captures of their own, oldest first: not their
    records, since those of a large store do not fit in memory.
    """
    rows = ask(workspace, lambda connection: listed(connection, newest_runs(replace(selection, outcome="pass"), 0)))
    for row in reversed(rows):
        ended = datetime.fromisoformat(row["finished_at"]).astimezone(UTC).isoformat(timespec="seconds")
        folder = workspace / "results" / row["kit"] / row["serial"] / row["run"]
        if ended < before and (folder / CAPTURES).is_dir() and any((folder / CAPTURES).iterdir()):
            yield folder
