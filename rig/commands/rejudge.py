"""`kitproof rejudge`: stored runs judged by limits of today, or by limits that are tried."""

import json
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, fields, replace
from functools import partial
from os import cpu_count
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.commands.common import HERE, STATUS, AsJson, Workspace, newest
from rig.commands.filters import refuse_bad_serials, with_filters
from rig.files.cells import write_csv
from rig.files.errors import VOID, TableError
from rig.screen.console import open_console, say, warn
from rig.store.selection import Selection

if TYPE_CHECKING:
    from rig.design.kit import Kit
    from rig.study.rejudged import Asked, StoredRun, UnitRejudged

#: So many runs at most are judged before what they come to is handed back, and so many shares each worker gets at
#: least: a share costs 20 ms, and the last ones should end together; our choice.
AT_ONCE, SHARES = 16, 8

Every = Annotated[bool, typer.Option("--all", help="Every unit of the kit that is named: its newest run each.")]
Limits = Annotated[
    Path | None, typer.Option("--limits", help="With --all: try the limits of this file in place of the kit's.")
]
Workers = Annotated[
    int | None, typer.Option(min=1, max=1000, help="With --all: so many processes; else one a processor.")
]
Dask = Annotated[str, typer.Option(help="With --all: by the workers of the Dask scheduler at this address.")]
Again = Annotated[
    bool, typer.Option("--from-captures", help="With --all: read everything again, also what no change touches.")
]
AsCsv = Annotated[bool, typer.Option("--csv", help="Print a table of what changes as CSV and nothing else.")]


@with_filters
def rejudge_command(
    unit_or_kit: Annotated[str, typer.Argument(metavar="SERIAL|KIT", help="A unit; with --all a kit.")],
    *,
    workspace: Workspace = HERE,
    every: Every = False,
    limits: Limits = None,
    workers: Workers = None,
    dask: Dask = "",
    from_captures: Again = False,
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    selection: Selection,
) -> None:
    """Judge the newest record of a unit, or of every unit of a kit, by today's limits; nothing stored is changed."""
    if not every:
        if any((limits, workers, dask, from_captures, as_json, as_csv, selection != Selection(kit=selection.kit))):
            raise TableError("found an option of --all without it; allowed: SERIAL alone, or KIT --all")
        _one_unit(workspace, unit_or_kit, selection.kit)
        return
    for words, both in (("--json and --csv", as_json and as_csv), ("--dask and --workers", dask and workers)):
        if both:
            raise TableError(f"found {words}; allowed: one of them")
    if selection.kit not in ("", unit_or_kit):
        raise TableError(f"--kit: found {selection.kit!r}; allowed: none, as the kit is named already")
    from rig.study.rejudged import Asked

    kit = _kit(workspace, unit_or_kit, limits)
    refuse_bad_serials(kit, selection)
    asked = Asked(workspace.absolute(), kit, from_captures)
    units = _judged(asked, _newest_runs(workspace, replace(selection, kit=kit.name)), workers or cpu_count() or 1, dask)
    if as_json:
        print(json.dumps(_document(asked, limits, units)))
    elif as_csv:
        _write_changes(units)
    else:
        _show(asked, limits, units)
    if any(unit.problem for unit in units):
        raise typer.Exit(VOID)


def _one_unit(workspace: Path, serial: str, kit: str) -> None:
    from rig.run.rejudging import judge_again
    from rig.run.verify import job
    from rig.screen.margins import verdict_margins
    from rig.screen.record_page import findings_words

    record = newest(workspace, serial, kit)
    work = job(workspace, record.kit.name, record.plan)
    judged = judge_again(work, record)
    console = open_console()
    console.print(verdict_margins(judged.results, console.width))
    if judged.findings:
        console.print(findings_words(judged.findings))
    for words in filter(None, (record.stopped, record.bench_advice)):
        console.print(words)
    console.print(f"then: {record.outcome}; by today's limits: {judged.outcome}")
    raise typer.Exit(STATUS[judged.outcome])


def _kit(workspace: Path, name: str, limits: Path | None) -> "Kit":
    """The kit as it is now, with other limits where a file has them; what is wrong with it is told before any work."""
    from rig.design.kit import load_kit
    from rig.design.kit_changes import with_limits
    from rig.run.verify import job_of

    kit = load_kit(workspace, name)
    if limits:
        kit = with_limits(kit, limits)
    for plan in kit.plans or ("",):
        job_of(workspace, kit, plan)
    return kit


def _newest_runs(workspace: Path, selection: Selection) -> "list[StoredRun]":
    """The newest run of each unit in a selection, by serial; where it cannot be read, or has lost its record, no older
    one stands in for it.
    """
    from rig.store.homes import changed_ns, run_names, run_number
    from rig.store.index import ask
    from rig.store.selection import has_serial, listed, unread_runs
    from rig.store.selection import newest as newest_runs
    from rig.study.rejudged import StoredRun

    found, odd = ask(
        workspace,
        lambda connection: (listed(connection, newest_runs(selection, 0)), unread_runs(connection, selection)),
        warn,
    )
    all_runs = [StoredRun(row["serial"], row["run"], row["outcome"]) for row in found]
    for home in (workspace / "results" / selection.kit).glob("[!.]*"):
        # One that cannot be looked into is among them already.
        with suppress(OSError):
            last = run_names(home)[-1:] if has_serial(selection, home.name) else []
            odd += [(home.name, name, "") for name in last if not changed_ns(home / name / "run.json")]
    all_runs += [StoredRun(serial, run, "") for serial, run, _ in odd]
    in_order = sorted(all_runs, key=lambda one: (one.serial, run_number(one.run), one.run))
    return list({one.serial: one for one in in_order}.values())


def _judged(asked: "Asked", runs: "Sequence[StoredRun]", workers: int, dask: str) -> "list[UnitRejudged]":
    """What each run comes to, in their order, whoever shares the work."""
    from rig.files.parallel import in_processes
    from rig.study.cluster import on_cluster
    from rig.study.rejudged import rejudged

    size = max(1, min(AT_ONCE, len(runs) // (SHARES * workers)))
    shares = [runs[start : start + size] for start in range(0, len(runs), size)]
    judge = partial(rejudged, asked)
    found: list[UnitRejudged] = []
    with open_console(to_stderr=True).status(f"judging {len(runs)} runs") as status:
        for units in on_cluster(judge, shares, dask) if dask else in_processes(judge, shares, workers):
            found += units
            status.update(f"judged {len(found)} of {len(runs)} runs")
    return found


def _show(asked: "Asked", limits: Path | None, units: "Sequence[UnitRejudged]") -> None:
    from rig.screen.rejudged_table import problems, show

    if not units:
        say(f"no run of {asked.kit.name} is so")
        return
    by = f"the limits of {limits}" if limits else "today's limits"
    show(open_console(), f"{asked.kit.name}, revision {asked.kit.revision}: {len(units)} units by {by}", units)
    for words in problems(units):
        warn(words)


def _document(asked: "Asked", limits: Path | None, units: "Sequence[UnitRejudged]") -> object:
    """What --json prints: all units, whoever computed it to the last bit alike."""
    from rig.files.plain import plain
    from rig.study.rejudged import outcomes

    of_units = [{key: value for key, value in asdict(unit).items() if key != "seconds"} for unit in units]
    about = {"kit": asked.kit.name, "revision": asked.kit.revision, "limits": str(limits) if limits else None}
    counts = {name: {"then": then, "now": now} for name, (then, now) in outcomes(units).items()}
    return plain(about | {"outcomes": counts, "units": of_units})


def _write_changes(units: "Sequence[UnitRejudged]") -> None:
    """A row for each verdict that is another one now, and for each unit that could not be judged."""
    from rig.study.rejudged import Change

    names = [one.name for one in fields(Change)]
    rows: list[tuple[object, ...]] = []
    for unit in units:
        about = (unit.serial, unit.run, unit.then, unit.now)
        rows += [(*about, *(_cell(getattr(change, name)) for name in names), "") for change in unit.changes]
        rows += [(*about, *[None] * len(names), unit.problem)] if unit.problem else []
    columns = ("serial", "run", "unit_then", "unit_now", *names, "problem")
    write_csv(sys.stdout, columns, rows)


def _cell(value: object) -> object:
    return None if value != value else value
