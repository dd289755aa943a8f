"""The bench check in a terminal: what is wrong and what to do, then what is not known, then what is right."""

import sys
from collections.abc import Callable, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from rig.bench.base import BenchSetupError
from rig.bench_check.told import Told
from rig.screen.terminal import SHAPES, STYLES

#: Told in this order.
OUTCOMES = {False: ("fail", "wrong"), None: ("void", "not known"), True: ("pass", "right")}
INDENT = 4


def show(stage: str, told: Sequence[Told]) -> None:
    """Print what a stage tells."""
    console = Console()
    console.rule(f"bench, stage {stage}", align="left")
    for is_right in OUTCOMES:
        for one in told:
            if one.is_right is is_right:
                _print(one, console)
    wrong = [one for one in told if one.is_right is False]
    if wrong:
        console.print("Put right what is told first, and check again: one fault can hide another.")
    else:
        console.print("Nothing is wrong here.")


def _print(one: Told, console: Console) -> None:
    outcome, word = OUTCOMES[one.is_right]
    line = Text(f"{SHAPES[outcome]} {word}", style=STYLES[outcome])
    line.append(f"  {one.words}", style="")
    console.print(line)
    if one.what_to_do:
        console.print(Padding(Text(one.what_to_do), (0, 0, 0, INDENT)))
    if one.is_right is False and one.certainty == "bench or unit":
        console.print(
            Padding(Text("This may be the unit and not the bench; the step above tells which."), (0, 0, 0, INDENT))
        )


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
    console = Console(stderr=to_stderr)

    def ask(words: str) -> bool:
        console.print(Text(words))
        # A bare Enter is not enough: a barcode scanner types one.
        while True:
            answer = console.input("  is it so? type y to go on, n to stop: ").strip().lower()
            if answer in ("y", "n"):
                return answer == "y"

    return ask
