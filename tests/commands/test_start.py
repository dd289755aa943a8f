"""What each command has loaded when it ends: a command starts at once where it loads only what it needs."""

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
import typer

from rig.cli import COMMANDS

ROOT = Path(__file__).parents[2]
ARCHIVE = ROOT / "tests" / "archive"
#: Never needed to list or to show what is on the disk.
HEAVY = {
    *("scipy.signal", "scipy.stats", "scipy.optimize", "scipy.linalg", "scipy.special", "scipy.fft"),
    *("matplotlib", "soundfile", "pandas", "pyvisa", "sounddevice", "jinja2", "checks"),
    *("rig.bench.soundcard", "rig.simulated", "rig.run.verify"),
}
#: Its verdicts are told in the words of the checks.
SHOW_NEEDS = {"checks"}
#: It looks for limits with no room in them, which fits the network, and asks each check for its settings.
KITS_NEEDS = {"scipy.optimize", "scipy.linalg", "scipy.special", "scipy.fft", "checks", "rig.run.verify"}
LISTING = """
import sys
from rig import cli
try:
    cli.main()
except SystemExit as ended:
    status = ended.code
print("loaded", status, *sorted(sys.modules))
"""


def loaded(*words: str) -> tuple[int, set[str]]:
    command = [sys.executable, "-c", LISTING, *words]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    _, status, *names = done.stdout.splitlines()[-1].split(" ")
    return int(status), set(names)


@pytest.mark.parametrize(
    ("words", "needs"),
    [
        (["--help"], set()),
        (["results", "--workspace", str(ARCHIVE)], set()),
        (["show", "SO-0001", "--workspace", str(ARCHIVE)], SHOW_NEEDS),
        (["kits"], KITS_NEEDS),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_a_command_loads_no_library_that_it_does_not_need(words: list[str], needs: set[str]) -> None:
    status, names = loaded(*words)
    assert status == 0
    assert names & (HEAVY - needs) == set()


def test_help_loads_neither_numbers_nor_tables() -> None:
    _, names = loaded("--help")
    assert names & {"numpy", "scipy", "pydantic", "rig.store.records", "rig.design.kit"} == set()


@pytest.mark.parametrize("name", COMMANDS)
def test_the_line_in_the_help_is_the_command_s_own(name: str) -> None:
    place, words = COMMANDS[name]
    module, function = place.split(":")
    found = getattr(import_module(f"rig.commands.{module}"), function)
    assert words == (found.info.help if isinstance(found, typer.Typer) else found.__doc__)
