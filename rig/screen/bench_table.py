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
from rig.values.verdicts import Outcome

#: Columns; layout.
INDENT = 4


#: Shape of what is wrong, not known, right.
OUTCOMES: dict[bool | None, Outcome] = {False: "fail", None: "void", True: "pass"}
OR_UNIT = "This may be the unit and not the bench; the step above tells which."


def show(stage: str, findings: Sequence[BenchFinding]) -> None:
    """Print what a stage tells: every line where all is well, else what is right in one."""
    console = open_console()
    console.rule(f"bench, stage {stage}", align="left")
    right = [one for one in findings if one.is_right]
    is_wrong = any(one.is_right is False for one in findings)
    for one in (*ordered(findings), *([] if is_wrong else right)):
        _print(one, console)
    if is_wrong and right:
        console.print(_line("pass", "right", "; ".join(one.words for one in right)))
    if not is_wrong:
        console.print("Nothing is wrong here.")


def ordered(findings: Sequence[BenchFinding]) -> list[BenchFinding]:
    """What is wrong, then what is not known."""
    return [one for is_right in (False, None) for one in findings if one.is_right is is_right]


def sureness(one: BenchFinding) -> str:
    """How right or wrong a thing is, in a word or two."""
    if one.is_right is False:
        return "wrong, probably" if one.certainty == "likely" else "wrong"
    return "right" if one.is_right else "not known"


def steps(one: BenchFinding) -> list[str]:
    """What to do about a thing."""
    return [*filter(None, [one.what_to_do]), *([OR_UNIT] if one.certainty == "bench or unit" else [])]


def end_words(findings: Mapping[str, Sequence[BenchFinding]], stopped: str) -> str:
    """What a check of the bench comes to; empty where it was stopped before anything was found wrong."""
    wrong = sum(one.is_right is False for found in findings.values() for one in found)
    if not wrong:
        return "" if stopped else "The bench is fit to measure, as far as this check can tell."
    count = "One thing is" if wrong == 1 else f"{wrong} things are"
    return f"{count} wrong. Put this right first, and check again, for one fault can hide another:"


def show_end(findings: Mapping[str, Sequence[BenchFinding]], stopped: str) -> None:
    """Print how many things are wrong in all, which of them to put right first, and why the check ended early."""
    wrong = [(stage, one) for stage, found in findings.items() for one in found if one.is_right is False]
    console = open_console()
    console.rule(align="left")
    if stopped:
        console.print(Text(stopped))
    if words := end_words(findings, stopped):
        console.print(words)
    if wrong:
        stage, first = wrong[0]
        console.print(_line("fail", f"stage {stage}", first.words))
        if first.what_to_do:
            _below(first.what_to_do, console)


def _print(one: BenchFinding, console: Console) -> None:
    console.print(_line(OUTCOMES[one.is_right], sureness(one), one.words))
    for words in steps(one):
        _below(words, console)


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
