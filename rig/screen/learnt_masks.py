"""What was learnt, in the terminal: each mask, what it rests on, and what it changes in the kit."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from rich.table import Table

from rig.design.learnt_design import LearntDesign
from rig.screen.console import open_console
from rig.study.learning import Learnt


def show(
    learnt: Sequence[Learnt], written: Sequence[Path], figure: Path, together: float, without: Sequence[str]
) -> None:
    """Print the masks, the share of good units that they are expected to fail."""
    console = open_console()
    table = Table(title="Learnt masks", title_justify="left")
    table.add_column("mask", no_wrap=True)
    for name in ("half width", "at its widest", "good units outside"):
        table.add_column(name, justify="right")
    for one, path in zip(learnt, written, strict=True):
        table.add_row(path.name, *_widths(one), _share(one.rejects))
    console.print(table)
    for one, path in zip(learnt, written, strict=True):
        console.print(f"{path.name} rests on {one.words}.")
    if math.isfinite(together):
        console.print(f"All of them together are expected to fail {100 * together:.2g} % of good units.")
    else:
        console.print("How many good units they fail is not known: builds alone do not say how good ones spread.")
    for curve in without:
        console.print(f"No mask for {curve}: where it can be trusted is no part of the band that the channel plays.")
    console.print(f"figure: {figure}", soft_wrap=True)
    console.print("Read them and edit them: they are plain tables.")


def show_difference(lines: Sequence[str]) -> None:
    """Print what would change in kit.toml."""
    console = open_console()
    console.print("\nIn kit.toml (- goes, + comes):")
    for line in lines:
        console.print(line, style={"+": "green", "-": "red"}.get(line[:1]), soft_wrap=True, highlight=False)


def show_design(design: LearntDesign) -> None:
    """Print what the builds told of drivers and box, beside what kit.toml says."""
    console = open_console()
    for channel in design.channels:
        table = Table(title=f"Learnt design of {', '.join(channel.names)}", title_justify="left")
        table.add_column("of", no_wrap=True)
        for name in ("kit.toml", "learnt", "uncertainty", "off"):
            table.add_column(name, justify="right")
        for value in channel.values:
            if value.owner in ("driver", "box"):
                name = f"{value.of or 'box'} {value.what}"
                known, off = f"{value.u_percent:.0f} %", f"{value.off_percent:+.0f} %"
                table.add_row(name, four_digits(value.kit), four_digits(value.value), known, off)
        console.print(table)


def four_digits(value: float) -> str:
    """With four digits that count, never as a power of ten."""
    return f"{value:.4g}" if abs(value) < 10_000 else f"{value:.0f}"


def _widths(one: Learnt) -> tuple[str, str]:
    """Median and most of half the width."""
    half = (one.upper - one.lower) / 2
    if one.unit == "ohm":
        percent = 100 * half / one.centre
        return f"{np.median(percent):.0f} %", f"{np.max(percent):.0f} %"
    return f"{np.median(half):.1f} dB", f"{np.max(half):.1f} dB"


def _share(rejects: float) -> str:
    return f"{100 * rejects:.2g} %" if math.isfinite(rejects) else "not known"
