"""Pairs of boxes in a terminal."""

import math
from collections.abc import Sequence

from rich.table import Table
from rich.text import Text

from rig.screen.console import open_console
from rig.study.box_pairs import Pairs, name_of, sentences


def show(found: Pairs, problems: Sequence[str]) -> None:
    """Print the pairs, best first, what they gain, and what is left."""
    console = open_console()
    drawn = Table()
    for name in ("box", "with"):
        drawn.add_column(name)
    for name in ("differ by", "level", "fs"):
        drawn.add_column(name, justify="right")
    for pair in found.pairs:
        fs = f"{pair.fs_percent:.1f} %" if math.isfinite(pair.fs_percent) else "–"
        names = name_of(pair.one, found), name_of(pair.other, found)
        drawn.add_row(*map(Text, (*names, f"{pair.total_db:.2f} dB", f"{pair.level_db:.2f} dB", fs)))
    console.print(drawn)
    for words in (*sentences(found), *problems):
        console.print(f"- {words}", highlight=False)
    for words in found.left_out:
        console.print(f"- not paired: {words}", highlight=False)
