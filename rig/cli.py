"""The commands of kitproof."""

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from rig.bench.base import Bench
from rig.bench.settings import BenchSettings
from rig.commands import calibrate as calibrate_command
from rig.commands.bench_check import bench_check_command
from rig.commands.capability import capability_command
from rig.commands.explain import explain_command
from rig.commands.instruments import instruments_command
from rig.commands.learn import learn_command
from rig.commands.rework import rework_command
from rig.design.kit import Kit, kit_names, load_kit
from rig.files.errors import (
    BENCH,
    FAIL,
    PASS,
    USAGE,
    VOID,
    BenchSetupError,
    KitproofError,
    PaperError,
    RecordError,
    TableError,
)
from rig.report.paper import make_certificate, paper_of
from rig.run import journal, opening, sequencer
from rig.run.verify import Job, job, judge_again, resume, verify, with_connection
from rig.screen import terminal
from rig.screen.console import open_console, say, steady_streams, yes_or_no
from rig.screen.margins import verdict_margins
from rig.store import records
from rig.study.narrow_limits import without_room
from rig.values.run import Run

STATUS = {"pass": PASS, "fail": FAIL, "void": VOID}

app = typer.Typer(no_args_is_help=True, add_completion=False, help=__doc__, rich_markup_mode=None)

Workspace = Annotated[Path, typer.Option("--workspace", help="Folder with limits/, results/ and bench.toml.")]
BenchFile = Annotated[Path | None, typer.Option("--bench", help="Another bench than the workspace's bench.toml.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
Faults = Annotated[list[str] | None, typer.Option("--fault", help="Build a fault into the simulated unit or bench.")]
Plan = Annotated[str, typer.Option("--plan", help="One of the kit's plans; else its usual one.")]
Yes = Annotated[bool, typer.Option("--yes", help="Answer every prompt: for an unattended run.")]
By = Annotated[str, typer.Option("--by", help="Who measures: a person or a jig, for kitproof capability.")]
OfKit = Annotated[str, typer.Option("--kit", help="Of this kit; else of any.")]
HERE = Path()


@app.command("verify")
def verify_command(
    kit: str,
    serial: str,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    plan: Plan = "",
    as_json: AsJson = False,
    yes: Yes = False,
    fault: Faults = None,
    by: By = "",
) -> None:
    """Measure one unit of a kit, judge it, write its record and certificate."""
    console = open_console(as_json)
    work = job(workspace, kit, plan)
    records.refuse_bad_serial(work.kit, serial)
    for line in without_room(work.kit):
        console.print(f"warning: {line}", style="yellow", markup=False, highlight=False)
    opened, settings = _open(workspace, bench, work.kit, serial, fault or [])
    work, confirm = with_connection(work, settings), _confirm(console, yes or not _is_card(settings))
    run, record = _run(workspace, work, serial, opened, confirm, console, by)
    for words in (*record.document["set_aside"], *record.document["clock"]):
        say(words, to_stderr=True)
    if as_json:
        document = records.read_record(record.folder).document
        _told(lambda: print(json.dumps({"folder": str(record.folder), **document})))
    else:
        _told(lambda: _show(console, run))
    _certified(console, record)
    raise typer.Exit(_status(run))


def _run(
    workspace: Path, work: Job, serial: str, bench: Bench, confirm: sequencer.Confirm, console: Console, by: str = ""
) -> tuple[Run, records.Record]:
    screen = terminal.RunScreen(work.schedule.requests, console)
    try:
        return verify(workspace, work, serial, bench, confirm, screen.show, by)
    finally:
        _told(screen.stop)


def _told(tell: Callable[[], object]) -> None:
    """Show what is on the record already; where that goes wrong the record and the exit status stay what they are."""
    try:
        tell()
    except Exception as error:
        say(f"it could not be shown here: {type(error).__name__}: {error}", to_stderr=True)


def _certified(console: Console, record: records.Record) -> None:
    """Make the certificate of a record and say where it is, or why there is none."""
    try:
        path = make_certificate(record)
    except PaperError as error:
        serial = record.document["serial"]
        say(f"{error}\nThe record is whole: {record.folder}", to_stderr=True)
        say(f"kitproof certificate {serial} makes its certificate when that is mended", to_stderr=True)
    else:
        _told(lambda: console.print(f"certificate: {path}", soft_wrap=True))


def _status(run: Run) -> int:
    return BENCH if run.bench_failed else STATUS[run.outcome]


def _open(
    workspace: Path, file: Path | None, kit: Kit, serial: str, faults: list[str]
) -> tuple[Bench, BenchSettings | None]:
    settings = opening.bench_settings(workspace, file)
    return opening.open_bench(workspace, settings, kit, serial, faults), settings


def _is_card(settings: BenchSettings | None) -> bool:
    return settings is not None and settings.kind == "soundcard"


def _confirm(console: Console, unattended: bool) -> sequencer.Confirm:
    if not unattended and not sys.stdin.isatty():
        raise BenchSetupError("nobody can answer at this terminal; --yes answers every prompt")

    def ask(words: str) -> bool:
        return yes_or_no(console, "  done? type y to go on, n to stop: ")

    return (lambda words: True) if unattended else ask


@app.command("resume")
def resume_command(
    serial: Annotated[
        str | None, typer.Argument(help="Of the interrupted run; not needed where there is only one.")
    ] = None,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    close: Annotated[bool, typer.Option("--close", help="Do not go on: close the run as void.")] = False,
    yes: Yes = False,
) -> None:
    """Go on with a run whose soak was interrupted by a crash or a power cut, or close it."""
    console = open_console()
    runs, told = journal.load_all(workspace)
    for words in told:
        say(words, to_stderr=True)
    found = [run for run in runs if serial in (None, run.serial)]
    if len(found) != 1:
        listed = ", ".join(f"{run.serial} ({run.kit}, {run.about['started_at']})" for run in runs) or "none"
        raise RecordError(
            f"{len(found)} interrupted runs{'' if serial is None else f' of {serial!r}'}; there are: {listed}"
        )
    before = found[0]
    work = job(workspace, before.kit, before.about["plan"])
    opened, settings = (None, None) if close else _open(workspace, bench, work.kit, before.serial, [])
    work = with_connection(work, settings)
    confirm = _confirm(console, close or yes or not _is_card(settings))
    screen = terminal.RunScreen(work.schedule.requests, console)
    try:
        run, record = resume(work, before, opened, confirm, screen.show)
    finally:
        _told(screen.stop)
    _told(lambda: _show(console, run))
    _certified(console, record)
    raise typer.Exit(_status(run))


def _show(console: Console, run: Run) -> None:
    console.print(verdict_margins(run.results, console.width))
    if run.findings:
        console.print(terminal.findings_words(run.findings))
    console.print(terminal.closing(run))


@app.command()
def demo(workspace: Workspace = HERE) -> None:
    """Verify three simulated units of booth-two: a good one, one with its tweeter reversed, one with a wrong coil."""
    console = open_console()
    work = job(workspace, "booth-two")
    units = {
        "BT-0001": ("a good unit", []),
        "BT-0002": ("left tweeter reversed", ["reversed:left:tweeter"]),
        "BT-0003": ("right coil L1 of the wrong decade", ["tenth:right:L1"]),
    }
    done = []
    for serial, (words, faults) in units.items():
        console.rule(f"{serial}: {words}", align="left")
        bench = opening.open_bench(workspace, None, work.kit, serial, faults)
        done.append((serial, words, *_run(workspace, work, serial, bench, lambda words: True, console)))
    console.print(terminal.demo_table(done))
    for serial, _, run, record in done:
        if run.findings:
            console.print(f"{serial}:", terminal.findings_words(run.findings))
        _certified(console, record)
    as_wanted = [run.outcome for _, _, run, _ in done] == ["pass", "fail", "fail"]
    raise typer.Exit(PASS if as_wanted else FAIL)


@app.command()
def results(
    workspace: Workspace = HERE,
    kit: OfKit = "",
    serial: Annotated[str | None, typer.Option(help="Only this serial.")] = None,
    outcome: Annotated[str, typer.Option(help="Only pass, fail or void.")] = "",
    as_json: AsJson = False,
) -> None:
    """List the records of this workspace."""
    if outcome not in ("", "pass", "fail", "void"):
        raise TableError(f"--outcome: found {outcome!r}; allowed: pass, fail, void")
    if kit:
        load_kit(workspace, kit)
    readable, unreadable = records.all_records(workspace, kit, serial)
    found = [record.document for record in readable if outcome in ("", record.document["outcome"])]
    for words in unreadable:
        say(words, to_stderr=True)
    if as_json:
        keys = ("run", "run_number", "serial", "outcome", "finished_at")
        print(json.dumps([{"kit": d["kit"]["name"], **{key: d[key] for key in keys}} for d in found]))
        return
    console = open_console()
    console.print(terminal.record_table(found))
    for folder in records.unfinished(workspace):
        if journal.is_running(folder):
            console.print(f"under way: {folder}")
        elif (folder / journal.CHECKPOINT).is_file():
            console.print(f"interrupted in its soak; kitproof resume goes on or closes it: {folder}")
        else:
            console.print(f"ended while being written, counts for nothing: {folder}")


@app.command()
def show(
    serial: str, workspace: Workspace = HERE, kit: Annotated[str, typer.Option()] = "", as_json: AsJson = False
) -> None:
    """Print the newest record of a unit, and whether its files are still what they were."""
    record = _newest(workspace, serial, kit)
    told = records.damages(record)
    if as_json:
        print(json.dumps({"folder": str(record.folder), "damages": told, **record.document}))
    else:
        console = open_console()
        console.print(terminal.record_page(record, told, str(paper_of(record)), console.width))
    raise typer.Exit(VOID if told else PASS)


@app.command()
def rejudge(serial: str, workspace: Workspace = HERE, kit: OfKit = "") -> None:
    """Judge the captures of a unit's newest record by today's limits; nothing is captured, nothing is changed."""
    record = _newest(workspace, serial, kit)
    work = job(workspace, record.document["kit"]["name"], record.document.get("plan", ""))
    judged = judge_again(work, record)
    console = open_console()
    console.print(verdict_margins(judged.results, console.width))
    if judged.findings:
        console.print(terminal.findings_words(judged.findings))
    for key in ("stopped", "bench_advice"):
        if record.document.get(key):
            console.print(record.document[key])
    console.print(f"then: {record.document['outcome']}; by today's limits: {judged.outcome}")
    raise typer.Exit(STATUS[judged.outcome])


@app.command("certificate")
def certificate_command(
    serial: str,
    workspace: Workspace = HERE,
    kit: OfKit = "",
    run: Annotated[int, typer.Option("--run", help="The number of the run; else the newest.")] = 0,
) -> None:
    """Make the certificate of a unit's newest record again, from what is recorded alone."""
    record = _newest(workspace, serial, kit, number=run)
    try:
        say(make_certificate(record))
    except PaperError as error:
        raise RecordError(f"{record.folder}: {error}") from None


def _newest(workspace: Path, serial: str, kit: str, plan: str | None = None, number: int = 0) -> records.Record:
    found = records.unit_records(workspace, serial, kit)
    found = [record for record in found if number in (0, record.document["run_number"])]
    found = [record for record in found if plan in (None, record.document.get("plan", ""))]
    if not found:
        words = f" by the plan {plan!r}" if plan else f" with the number {number}" if number else ""
        raise RecordError(f"no record of {serial!r}{words} in {workspace / 'results'}")
    return found[-1]


@app.command()
def reference(kit: str, serials: list[str], workspace: Workspace = HERE) -> None:
    """Make the newest runs of units that you vouch for the reference build: the mean of their curves."""
    from rig.store.reference import write_reference

    loaded = load_kit(workspace, kit)
    runs = [_newest(workspace, serial, kit, loaded.planned("")[0]) for serial in serials]
    folder = write_reference(loaded, runs)
    say(f"the reference build of {kit} is now the mean of {', '.join(serials)}: {folder}")


@app.command()
def devices(workspace: Workspace = HERE, bench: BenchFile = None) -> None:
    """List the sound devices that are there, and which of them fit bench.toml."""
    from rig.bench.soundcard import list_devices

    open_console().print(terminal.device_table(list_devices(opening.bench_settings(workspace, bench))))


@app.command()
def faults(kit: str, workspace: Workspace = HERE) -> None:
    """List the faults that the simulated bench can build into a unit of a kit or into itself."""
    from rig.simulated.faults import fault_names

    open_console().print(terminal.two_columns("--fault", "what it does", fault_names(load_kit(workspace, kit))))


@app.command()
def kits(workspace: Workspace = HERE) -> None:
    """List the kits of this workspace, each checked for mistakes."""
    if not (workspace / "limits").is_dir():
        raise TableError(f"{workspace / 'limits'}: there is no such folder; a workspace keeps its kits there")
    rows, wrong = [], False
    for name in kit_names(workspace):
        try:
            kit = load_kit(workspace, name)
            rows.append((name, f"{kit.title}, revision {kit.revision}"))
            for plan in kit.plans or [""]:
                rows.append((f"  plan {plan}" if plan else "", _plan_words(job(workspace, name, plan))))
            rows += [("  warning", line) for line in without_room(kit)]
        except TableError as error:
            wrong = True
            rows.append((name, str(error)))
            say(error, to_stderr=True)
    open_console().print(terminal.two_columns("kit", "", rows))
    raise typer.Exit(USAGE if wrong else PASS)


def _plan_words(work: Job) -> str:
    stages = ", ".join(f"{stage.name}: {len(stage.groups)} set-ups" for stage in work.schedule.stages)
    seconds = sum(terminal.sound_s(request) for request in work.schedule.requests)
    return f"{stages}; {terminal.duration(seconds)} of sound"


@app.command()
def wiring(folder: Annotated[Path, typer.Argument(help="Where to write the figures.")]) -> None:
    """Draw the wiring of the bench as figures."""
    from rig.report.wiring import draw_all

    folder.mkdir(parents=True, exist_ok=True)
    for path in draw_all(folder):
        say(path)


app.command("instruments")(instruments_command)
app.command("learn")(learn_command)
app.command("rework")(rework_command)
app.command("explain")(explain_command)
app.command("check-bench")(bench_check_command)
calibrate_command.register(app)
app.command("capability")(capability_command)


def _refuse_undecoded(arguments: Sequence[str]) -> None:
    """Refuse arguments with bytes that are no text: they would stand in a record."""
    for argument in arguments:
        try:
            argument.encode()
        except UnicodeEncodeError:
            raise TableError(f"found {argument!r} on the command line; allowed: text in UTF-8") from None


def main() -> None:
    """Run a command and leave with its exit status: 0 pass, 1 fail, 2 void, 3 usage, 4 the bench could not do it."""
    steady_streams()
    try:
        _refuse_undecoded(sys.argv[1:])
        status = app(standalone_mode=False)
    except KitproofError as error:
        say(error, to_stderr=True)
        status = error.exit_status
    except (KeyboardInterrupt, typer.Abort):
        say("stopped", to_stderr=True)
        status = VOID
    except Exception as error:
        # Wrong usage: typer's own exceptions, which carry their message ready made.
        if not hasattr(error, "format_message"):
            raise
        say(f"{error.format_message()}\nkitproof --help lists what there is", to_stderr=True)
        status = USAGE
    sys.exit(status or PASS)
