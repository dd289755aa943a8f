"""Calibrations in a terminal: what was found, what there is and when it expires, the chart of the daily check."""

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from rich.table import Table
from rich.text import Text

from rig.calibration.calibrated import IN_CONTROL, OUT_OF_CONTROL, Held, age_days, name_of
from rig.calibration.daily import Judged
from rig.calibration.storage import LoopDetails, MicrophoneDetails, Stored
from rig.screen.console import open_console
from rig.screen.listings import two_columns

#: Width of the daily chart, and so many of its newest points; layout.
WIDTH, NEWEST = 41, 20
SHAPES = {IN_CONTROL: "●", OUT_OF_CONTROL: "■"}


def show_made(one: Stored, path: Path) -> None:
    """Print what a calibration found, its budget of uncertainty, and where it stands."""
    console = open_console()
    console.print(two_columns("calibration", "found, and its relative standard uncertainty", made_rows(one)))
    console.print(f"written: {path}", soft_wrap=True)


def made_rows(one: Stored) -> list[tuple[str, str]]:
    """What a calibration found and its budget of uncertainty, as names and values."""
    rows = [(name_of(one.kind, one.of), value_words(one))]
    rows += [(f"  {cause.cause}", f"{cause.percent:.2g} %") for cause in one.budget]
    if one.uncertainty is not None:
        rows.append(("  combined, k = 1", f"{100 * one.uncertainty:.2g} %"))
    return rows + remarks(one)


def value_words(one: Stored) -> str:
    """Quantity, value and unit."""
    return f"{one.quantity} {one.value:.4g} {one.unit}"


def remarks(one: Stored) -> list[tuple[str, str]]:
    """What a person wants to see of the rest."""
    details = one.details
    rows = []
    if isinstance(details, LoopDetails):
        latency = details.latency_samples
        rows.append(("latency", f"{latency[0]:.1f} samples; {max(latency) - min(latency):.2f} apart in {len(latency)}"))
        noise_db = details.noise_db_full_scale
        text = f"{-noise_db:.1f} dB below a sine of full scale" if math.isfinite(noise_db) else "none at all"
        rows.append(("noise", text))
        rows.append(("harmonics at 1 kHz", f"{100 * details.distortion_at_1_khz:.2g} %"))
        gains = details.response.gain_db
        rows.append(("response", f"{min(gains):+.2f} to {max(gains):+.2f} dB"))
    if isinstance(details, MicrophoneDetails) and (response := details.response):
        decibel, hz = max(zip(response.decibel, response.frequency_hz, strict=True), key=lambda pair: abs(pair[0]))
        rows.append(("response file", f"{response.source}: reads {decibel:+.1f} dB too much at {hz:g} Hz at the most"))
    return rows


def show_all(shown: Sequence[tuple[Stored, str]], held: Held) -> None:
    """Print calibrations with age, value, uncertainty, when they expire, and a remark on each."""
    table = Table()
    for name in ("calibration", "value, u (k = 1)", "made, age", "expires"):
        table.add_column(name, overflow="fold")
    for one, remark in shown:
        *cells, expires = listed_cells(one, held)
        table.add_row(*(Text(cell) for cell in (*cells, f"{expires}\n{remark}".strip())))
    console = open_console()
    console.print(table if shown else "no calibrations yet; kitproof calibrate --help lists them")


def listed_cells(one: Stored, held: Held) -> tuple[str, str, str, str]:
    """A calibration in a listing: its name, its value, when it was made, when it expires."""
    days = held.ages_days.get(one.kind)
    expires = "not asked for" if days is None else _day(one.moment + timedelta(days=days))
    u = "" if one.uncertainty is None else f", {100 * one.uncertainty:.2g} %"
    return name_of(one.kind, one.of), value_words(one) + u, f"{_day(one.moment)}, {_age(one, held.now)}", expires


def _day(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M")


def _age(one: Stored, now: datetime) -> str:
    days = age_days(one, now)
    return f"{days:.0f} d" if days >= 1 else f"{days * 24:.0f} h"


def show_daily(judged: Judged) -> None:
    """Print a point among those before it, between its limits."""
    console = open_console()
    point, chart = judged.point, judged.chart
    values = [*judged.before, point.value][-NEWEST:]
    console.print(f"{point.of}: {_figures(point.value, point.unit)} {point.unit}")
    if chart is not None:
        reach = max(chart.upper - chart.centre, *(abs(value - chart.centre) for value in values))
        for value in values:
            is_out = not chart.lower <= value <= chart.upper
            console.print(
                _strip(value, chart.centre, chart.upper - chart.centre, reach, is_out, point.unit), highlight=False
            )
        console.print(f"limits {chart.lower:.5g} to {chart.upper:.5g} {point.unit}, centre {chart.centre:.5g}")
    text = f": {judged.words}" if judged.words else ""
    console.print(f"{SHAPES.get(judged.state, '○')} {judged.state}{text}", soft_wrap=True)


def _strip(value: float, centre: float, half: float, reach: float, is_out: bool, unit: str) -> str:
    """One line of the chart: limits and centre as bars, the value as a dot, or a square when it is out."""

    def at(position: float) -> int:
        return round((WIDTH - 1) / 2 * (1 + (position - centre) / reach)) if reach else WIDTH // 2

    cells = [" "] * WIDTH
    for position in (centre - half, centre, centre + half):
        cells[at(position)] = "│"
    cells[at(value)] = "■" if is_out else "●"
    return f"  {''.join(cells)}  {_figures(value, unit)}"


def _figures(value: float, unit: str) -> str:
    """A value in as many figures as a bench can tell: a hundredth of a decibel, else five."""
    return f"{value:.2f}" if unit == "dB" else f"{value:.5g}"
