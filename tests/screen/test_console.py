"""The terminal: text stays text, and whoever looks on costs a run nothing."""

import io
import os
import subprocess
import sys
from pathlib import Path
from unittest import mock

import pytest
from rich.console import Console
from rich.table import Table

from rig.run.verify import _shown
from rig.screen.console import answer_to, open_console, yes_or_no
from rig.values.run import Asked, Event

ARCHIVE = Path(__file__).parents[1] / "archive"
KITPROOF = [sys.executable, "-m", "rig", "results", "--workspace", str(ARCHIVE)]


def test_names_can_neither_steer_the_terminal_nor_carry_markup() -> None:
    file = io.StringIO()
    console = open_console(file=file, width=80)
    table = Table(title="[red]kit[/red]")
    table.add_column("[b]")
    table.add_row("a \x1b[2J\x9b31m [/] :smile:")
    console.print(table)
    told = file.getvalue()
    assert "[red]kit[/red]" in told
    assert "[/] :smile:" in told
    assert "\x1b" not in told
    assert "\x9b" not in told


@pytest.mark.parametrize(
    "error", [BrokenPipeError, UnicodeEncodeError("ascii", "●", 0, 1, ""), SystemExit(1)], ids=repr
)
def test_a_view_that_fails_does_not_end_the_run(error: BaseException) -> None:
    told = []

    def view(event: Event) -> None:
        told.append(event)
        raise error

    events = [Asked(words) for words in "abc"]
    assert list(_shown(iter(events), view)) == events
    assert told == events[:1]


def test_a_program_is_told_that_what_it_reads_is_not_whole(tmp_path: Path) -> None:
    script = '"$@" --json --workspace . >/dev/full'
    command = ["bash", "-c", script, "-", sys.executable, "-m", "rig", "results"]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 3
    assert (
        done.stderr == "standard output could not be written: No space left on device; what stands there is not whole\n"
    )


@pytest.mark.skipif(os.name == "nt", reason="it cannot be looked there whether a line was typed")
def test_an_interrupt_just_before_a_line_is_read_is_seen_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    typing, reading = os.openpty()
    with os.fdopen(reading, encoding="utf-8") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        with monkeypatch.context() as patch:
            # It strikes while nobody has typed anything, and nothing is being read.
            patch.setattr("select.select", mock.Mock(side_effect=[([], [], []), KeyboardInterrupt]))
            patch.setattr(Console, "input", lambda *of: pytest.fail("a line is waited for"))
            with pytest.raises(KeyboardInterrupt):
                answer_to(open_console(), "done? ")
        os.write(typing, b" Y \n")
        assert yes_or_no(open_console(), "done? ")
    os.close(typing)


@pytest.mark.parametrize("output", [">/dev/full", ">&-", ">&- 2>&- <&-", "| true"])
def test_where_the_output_leads_does_not_change_the_exit_status(output: str) -> None:
    environment = {**os.environ, "LC_ALL": "C", "PYTHONIOENCODING": "ascii"}
    script = f'set -o pipefail; "$@" {output}'
    done = subprocess.run(
        ["bash", "-c", script, "-", *KITPROOF],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert (done.returncode, done.stderr) == (0, "")
