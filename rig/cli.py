"""The commands of kitproof."""

import json
import signal
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from rig.files.disk import where_and_why
from rig.files.errors import PASS, USAGE, VOID, KitproofError, TableError
from rig.screen.console import is_written, say, steady_streams, unwritten, warn

#: Name of a command -> where it stands under `rig.commands`, and its line in the help. Only the one that is called is
#: loaded, so that each starts at once.
COMMANDS = {
    "verify": ("verify:verify_command", "Measure one unit of a kit, judge it, write its record and certificate."),
    "page": (
        "page:page_command",
        "Serve the page at the bench: scan a unit, be led through its run, see its verdict. Ctrl-C ends it.",
    ),
    "stop": (
        "stop:stop_command",
        "End the sound and whatever is under way in this workspace, as Ctrl-C at its terminal or Esc on its page does.",
    ),
    "resume": (
        "resume:resume_command",
        "Go on with a run that was interrupted by a crash or a power cut, or close it.",
    ),
    "demo": (
        "demo:demo_command",
        "Verify three simulated units of booth-two: a good one, one with its tweeter reversed, one with a wrong coil.",
    ),
    "deliver": (
        "deliver:deliver_command",
        "Deliver what this bench measured to the store that benches share, and say how far behind it is.",
    ),
    "store": (
        "store:store_command",
        "Tell what the store that benches share holds and whether it is whole; with --make, make its tables.",
    ),
    "results": (
        "results:results_command",
        "List the records of this workspace, and those of the store that it shares with other benches.",
    ),
    "index": (
        "index:index_command",
        "Bring the index up to the folders, looking at every one, and tell what it holds; nothing rests on it.",
    ),
    "export": (
        "export:export_command",
        "Write tidy tables of runs, readings and curves as CSV or Parquet, with what each column is and in which unit.",
    ),
    "archive": (
        "archive:archive_command",
        "Pack captures of runs that passed away, or drop them, as the kit's [archive] has it; records never change.",
    ),
    "show": ("show:show_command", "Print the newest record of a unit, and whether its files are still what they were."),
    "rejudge": (
        "rejudge:rejudge_command",
        "Judge the newest record of a unit, or of every unit of a kit, by today's limits; nothing stored is changed.",
    ),
    "certificate": (
        "certificate:certificate_command",
        "Make the certificate of a unit's newest record again, from what is recorded alone.",
    ),
    "check-paper": (
        "check_paper:check_paper_command",
        "Tell whether a paper in hand belongs to a record that is stored here, unchanged.",
    ),
    "label": (
        "label:label_command",
        "Write the label of a unit, with its serial as a code, newest verdict and date, as PDF and PNG.",
    ),
    "codes": (
        "codes:codes_command",
        "Write the sheet of codes that are scanned at the bench's page: go on, stop, rework, skip.",
    ),
    "reference": (
        "reference:reference_command",
        "Make the newest runs of units that you vouch for the reference build: the mean of their curves.",
    ),
    "devices": ("devices:devices_command", "List the sound devices that are there, and which of them fit bench.toml."),
    "faults": (
        "faults:faults_command",
        "List the faults that the simulated bench can build into a unit of a kit or into itself.",
    ),
    "new": (
        "new:new_command",
        "Make a kit of your own: asks what you build, writes its kit.toml with limits that follow from the design.",
    ),
    "kits": (
        "kits:kits_command",
        "List the kits of this workspace, their files checked for mistakes; of one, named, everything.",
    ),
    "design": (
        "design:design_command",
        "Draw what a kit's file models: impedance, levels, filters, strain; and say what does not fit in it.",
    ),
    "trust": (
        "trust:trust_command",
        "Agree that a workspace's own checks, which are programs, run on this computer; asked again when they change.",
    ),
    "wiring": ("wiring:wiring_command", "Draw the wiring of the bench as figures."),
    "instruments": (
        "instruments:instruments_command",
        "Ask the instruments of bench.toml, and show what each says and what would be logged of it.",
    ),
    "learn": (
        "learn:learn_command",
        "Learn the design and masks from builds and tolerances, show what they rest on, and write them beside the kit.",
    ),
    "rework": (
        "rework:rework_command",
        "Note what was done to a unit; its next run is linked to it and says whether it helped.",
    ),
    "explain": (
        "explain:explain_command",
        "Show the findings of a unit's newest failed run, and draw its curves with what each finding expects.",
    ),
    "bench": (
        "bench:bench_command",
        "Find out how a sound card is wired, by asking, listening and playing quietly; write bench.toml; calibrate.",
    ),
    "check-bench": (
        "check_bench:check_bench_command",
        "Listen, play quietly, and tell what is right and wrong with the wiring and the levels of the bench.",
    ),
    "calibrate": ("calibrate:app", "Make a calibration of the bench: guided, dated, and never changed."),
    "calibrate-load": (
        "calibrate:load_command",
        "Compare the two electrical inputs on one known resistor: the short way of `calibrate sense`.",
    ),
    "calibrations": (
        "calibrate:calibrations",
        "List the bench's calibrations: age, value, uncertainty, what expires when.",
    ),
    "daily": (
        "calibrate:daily",
        "Measure a known resistor or the reference build, and hold it against the days before.",
    ),
    "batch": (
        "batch:batch_command",
        "Tell how a batch went: what passes at the first try, what fails, room in the limits, what changed on the way.",
    ),
    "pairs": (
        "pairs:pairs_command",
        "Pair the boxes of units that passed, by their levels over frequency and their resonances.",
    ),
    "capability": (
        "capability:capability_command",
        "Tell from repeated runs of several units by several people how much of each limit's width is the rig itself.",
    ),
}


#: What typer makes of Ctrl-C; by definition.
INTERRUPTED = 130


class _Commands(TyperGroup):
    """The commands, each loaded when it is called."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Load a command; None if there is none of this name."""
        if cmd_name not in COMMANDS:
            return None
        place, name = COMMANDS[cmd_name][0].split(":")
        found = getattr(import_module(f"rig.commands.{place}"), name)
        if not isinstance(found, typer.Typer):
            one = typer.Typer(add_completion=False, rich_markup_mode=None)
            one.command(cmd_name)(found)
            found = one
        return typer.main.get_command(found)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List the commands without loading one."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, words) in COMMANDS.items()])


app = typer.Typer(cls=_Commands, no_args_is_help=True, add_completion=False, help=__doc__, rich_markup_mode=None)


def _show_version(is_asked: bool) -> None:
    if is_asked:
        from importlib.metadata import version

        say(f"kitproof {version('kitproof')}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and leave.", callback=_show_version, is_eager=True)
    ] = False,
) -> None:
    # Makes these commands of a group, though none is registered.
    pass


def _refuse_undecoded(arguments: Sequence[str]) -> None:
    """Refuse arguments with bytes that are no text: they would stand in a record."""
    for argument in arguments:
        try:
            argument.encode()
        except UnicodeEncodeError:
            raise TableError(f"found {argument!r} on the command line; allowed: text in UTF-8") from None


def main() -> None:
    """Run a command and leave with its exit status: 0 pass, 1 fail, 2 void, 3 usage, 4 the bench could not do it."""
    try:
        steady_streams()
        # A script that starts a command in the background has Ctrl-C ignored, and with it every stop of what sounds.
        if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        _refuse_undecoded(sys.argv[1:])
        status = app(standalone_mode=False)
        if status == INTERRUPTED:
            raise KeyboardInterrupt
    except KitproofError as error:
        warn(error)
        status = error.exit_status
    except (KeyboardInterrupt, typer.Abort):
        warn("stopped")
        status = VOID
    except OSError as error:
        # What no command foresaw of its files: a disk that fails or may not be written, a share that has gone.
        warn(where_and_why(error))
        status = USAGE
    except Exception as error:
        # Wrong usage: typer's own exceptions, which carry their message ready made.
        if not hasattr(error, "format_message"):
            raise
        warn(f"{error.format_message()}\nkitproof --help lists what there is")
        status = USAGE
    if status == VOID and "--json" in sys.argv[1:] and not is_written():
        # Stopped before there was anything to tell; who reads the document of a void run finds the same keys.
        print(json.dumps({"outcome": "void", "stopped": "stopped before anything was done"}))
    if {"--json", "--csv"} & {*sys.argv[1:]} and (words := unwritten()):
        warn(f"standard output could not be written: {words}; what stands there is not whole")
        status = status or USAGE
    sys.exit(status or PASS)
