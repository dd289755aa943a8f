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
    *("fpdf", "PIL", "soundfile", "pandas", "pyvisa", "sounddevice", "jinja2", "checks"),
    *("rig.bench.soundcard", "rig.simulated", "rig.run.verify"),
}
LISTING = """
import sys
from rig import cli
try:
    cli.main()
except SystemExit as ended:
    status = ended.code
print("loaded", status, *sorted(sys.modules))
"""
#: A person is asked at a bench that is never played on, and says no. What is loaded before anything runs behind it.
ASKED = """
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Thread
from unittest.mock import MagicMock
from rig import cli
from rig.commands import verify, walking
start, threads = Thread.start, []
def begin(thread):
    if thread.name != "disk":
        print("loaded", *sorted(sys.modules))
        threads.append(thread)
    start(thread)
def answer(console, words):
    threads[-1].join()
    print("loaded", *sorted(sys.modules))
    return False
bench = MagicMock()
bench.describe.return_value = {}
Thread.start, walking.yes_or_no = begin, answer
verify.is_card, verify.open_for = (lambda settings: True), (lambda *of: (bench, None))
sys.stdin = MagicMock()
with TemporaryDirectory() as folder:
    (Path(folder) / "limits").symlink_to(Path("limits").resolve())
    sys.argv = ["kitproof", "verify", "booth-two", "BT-0001", "--workspace", folder]
    try:
        cli.main()
    except SystemExit:
        pass
"""


def loaded(*words: str) -> tuple[int, set[str]]:
    command = [sys.executable, "-c", LISTING, *words]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    _, status, *names = done.stdout.splitlines()[-1].split(" ")
    return int(status), set(names)


@pytest.mark.parametrize(
    "words",
    [["--help"], ["results", "--workspace", str(ARCHIVE)], ["show", "SO-0001", "--workspace", str(ARCHIVE)], ["kits"]],
    ids=lambda words: words[0],
)
def test_a_command_loads_no_library_that_it_does_not_need(words: list[str]) -> None:
    status, names = loaded(*words)
    assert status == 0
    assert names & HEAVY == set()


@pytest.mark.parametrize("words", [["results"], ["show", "SO-0001"]], ids=lambda words: words[0])
def test_what_shows_records_loads_no_kit(words: list[str]) -> None:
    assert "rig.design.kit" not in loaded(*words, "--workspace", str(ARCHIVE))[1]


def test_results_come_from_the_index_alone() -> None:
    _, names = loaded("results", "--workspace", str(ARCHIVE))
    assert names & {"numpy", "rig.store.records", "rig.store.run_json"} == set()


def test_what_lists_and_shows_records_is_imported_without_numbers() -> None:
    code = "import sys, rig.commands.results, rig.commands.show, rig.screen.record_page; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert {"numpy", "scipy", "rig.design.kit"} & set(done.stdout.split()) == set()


def test_verify_asks_before_it_loads_what_computes_and_loads_it_behind_the_question() -> None:
    done = subprocess.run([sys.executable, "-c", ASKED], cwd=ROOT, capture_output=True, text=True, check=True)
    *_, before, behind = (set(line.split()[1:]) for line in done.stdout.splitlines() if line.startswith("loaded"))
    assert {name for name in before if name.startswith("scipy.")} & HEAVY == set()
    assert "scipy.optimize" in behind


def test_help_loads_neither_numbers_nor_tables() -> None:
    _, names = loaded("--help")
    assert names & {"numpy", "scipy", "pydantic", "rig.store.records", "rig.design.kit"} == set()


def test_the_line_in_the_help_is_the_command_s_own() -> None:
    for name, (place, words) in COMMANDS.items():
        module, function = place.split(":")
        found = getattr(import_module(f"rig.commands.{module}"), function)
        assert words == (found.info.help if isinstance(found, typer.Typer) else found.__doc__), name


def test_the_page_is_there_before_what_only_a_run_or_a_history_needs() -> None:
    code = "import rig.commands.page, sys; print(*sys.modules)"
    said = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    needless = (HEAVY - {"jinja2"}) | {"sqlalchemy", "rig.findings.search", "rig.run.sequencer", "rig.report.figures"}
    assert needless & set(said.split()) == set()
