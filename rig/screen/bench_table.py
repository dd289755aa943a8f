"""The bench check in a terminal: what is wrong and what to do, then what is not known, then what is right."""

import sys
from collections.abc import Callable, Mapping, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from rig.bench_check.bench_finding import BenchFinding
from rig.files.errors import BenchSetupError
from rig.screen.console import open_console, yes_or_no
from rig.screen.shapes import SHAPES, STYLES

#: Columns; layout.
INDENT = 4


def show(stage: str, findings: Sequence[BenchFinding]) -> None:
    """Print what a stage tells: every line where all is well, else what is right in one."""
    console = open_console()
    console.rule(f"bench, stage {stage}", align="left")
    wrong, not_known, right = ([one for one in findings if one.is_right is outcome] for outcome in (False, None, True))
    for one in wrong:
        sureness = "wrong, probably" if one.certainty == "likely" else "wrong"
        _print("fail", sureness, one, console)
        if one.certainty == "bench or unit":
            _below("This may be the unit and not the bench; the step above tells which.", console)
    for one in not_known:
        _print("void", "not known", one, console)
    if wrong and right:
        console.print(_line("pass", "right", "; ".join(one.words for one in right)))
    else:
        for one in right:
            _print("pass", "right", one, console)
    if not wrong:
        console.print("Nothing is wrong here.")


def show_end(findings: Mapping[str, Sequence[BenchFinding]], stopped: str) -> None:
    """Print how many things are wrong in all, which of them to put right first, and why the check ended early."""
    wrong = [(stage, one) for stage, found in findings.items() for one in found if one.is_right is False]
    console = open_console()
    console.rule(align="left")
    if stopped:
        console.print(Text(stopped))
    if not wrong and not stopped:
        console.print("The bench is fit to measure, as far as this check can tell.")
    if not wrong:
        return
    stage, first = wrong[0]
    count = "One thing is" if len(wrong) == 1 else f"{len(wrong)} things are"
    console.print(f"{count} wrong. Put this right first, and check again, for one fault can hide another:")
    console.print(_line("fail", f"stage {stage}", first.words))
    if first.what_to_do:
        _below(first.what_to_do, console)


def _print(outcome: str, word: str, one: BenchFinding, console: Console) -> None:
    console.print(_line(outcome, word, one.words))
    if one.what_to_do:
        _below(one.what_to_do, console)


def _line(outcome: str, word: str, words: str) -> Text:
    line = Text(f"{SHAPES[outcome]} {word}", style=STYLES[outcome])
    line.append(f"  {words}", style="")
    return line


def _below(words: str, console: Console) -> None:
    console.print(Padding(Text(words), (0, 0, 0, INDENT), expand=False))


def asking(to_stderr: bool, unattended: bool) -> Callable[[str], bool]:
    """How the person at the bench is asked; unattended, every question counts as agreed to.

    Raises
    ------
    BenchSetupError
        If nobody can answer.
    """
    if unattended:
        return lambda words: True
    if not sys.stdin.isatty():
        raise BenchSetupError("nobody can answer at this terminal; --yes answers every prompt")
    console = open_console(to_stderr)

    def ask(words: str) -> bool:
        console.print(Text(words))
        return yes_or_no(console, "  is it so? type y to go on, n to stop: ")

    return ask
