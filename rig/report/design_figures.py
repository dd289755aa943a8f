"""A kit's design on paper: impedance, levels, filters and their limits, what each part takes, and what does not fit."""

import textwrap
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from rig.circuit.channel import channel_parts
from rig.circuit.crossover import Crossing
from rig.circuit.notation import hertz, quantity
from rig.circuit.stress import Load
from rig.design.kit import Kit
from rig.drawing.axes import Axis, frequency_axis, linear_axis
from rig.drawing.panels import LEFT, WIDTH, Band, Line, Panel, Rule, curve_axes, figure
from rig.drawing.pdf import write_pdf
from rig.drawing.svg import FAINT, GREY, SERIES, drawing, path, text, write_svg
from rig.study.design_view import DesignView, boxes
from rig.values.verdicts import Mask

#: What panels of levels and of filters span, in dB; layout.
LEVEL_SPAN_DB, FILTER_SPAN_DB = 50.0, 50.0
#: Of a row of a table, its letters, and the letters of a line of words; layout.
ROW, SIZE, LINE_LENGTH = 14.0, 9.5, 128
#: Where the columns of the table of strain begin or end, from the left; layout.
COLUMNS = (0.0, 90.0, 250.0, 320.0, 390.0, 470.0, 540.0, 610.0, 676.0)
HEADS = ("", "", "sweep V", "A", "W", "soak V", "A", "W", "stands")


def write_design(
    kit: Kit,
    views: Sequence[DesignView],
    masks: Mapping[str, Mapping[str, Mask]],
    words: Sequence[str],
    stem: Path,
    *,
    made_at: datetime,
) -> tuple[Path, Path]:
    """Write the figures of a design as SVG and PDF, and return their paths.

    Parameters
    ----------
    kit, views
        The design.
    masks
        Name of a view's first box -> quantity -> mask over it.
    words
        What does not fit; none: nothing does not.
    stem
        Path without its suffix, in a folder that is there.
    made_at
        For the PDF.
    """
    title = f"{kit.title} ({kit.name}, revision {kit.revision}): the design"
    elements = []
    for view in views:
        elements.append(figure(_panels(kit, view, masks.get(view.names[0], {})), title=f"{title}\n{boxes(view)}"))
        elements.append(_strain_table(kit, view))
    elements.append(_words("In words", words or ["Nothing in it speaks against itself."]))
    svg = write_svg(stem.with_suffix(".svg"), _stacked(elements, title))
    return svg, write_pdf(stem.with_suffix(".pdf"), elements, title, made_at)


def _panels(kit: Kit, view: DesignView, masks: Mapping[str, Mask]) -> list[Panel]:
    panels = [_impedance(kit, view, masks.get("impedance")), _level(kit, view, masks.get("free-field level"))]
    if len(view.sounds) > 1:
        panels.append(_aside(view))
    if view.spec.filter or view.spec.tone or any(driver.network for driver in view.spec.drivers):
        panels.append(_filters(view))
    return panels


def _impedance(kit: Kit, view: DesignView, mask: Mask | None) -> Panel:
    magnitude = np.abs(view.ohm)
    lowest = int(np.argmin(magnitude))
    load = kit.amplifier.load_ohm
    across, up = curve_axes(view.frequency_hz, [magnitude, np.array([load])], "ohm")
    title = f"Impedance: lowest {magnitude[lowest]:.2f} ohm at {hertz(view.frequency_hz[lowest])}"
    rule = Rule(load, f"the lowest load of the board, {load:g} ohm")
    return Panel(title, across, up, (Line(view.frequency_hz, magnitude, "design"),), _limits(mask), (rule,))


def _level(kit: Kit, view: DesignView, mask: Mask | None) -> Panel:
    sound = view.sounds[0]
    lines = [Line(view.frequency_hz, sound.level_db, "all")]
    if len(view.drivers) > 1:
        lines += [
            Line(view.frequency_hz, share, f"{driver.name} alone", style)
            for driver, share, style in zip(view.drivers, sound.share_db, _styles(view), strict=False)
        ]
    across, up = _level_axes(sound.level_db.max(), LEVEL_SPAN_DB, "dB SPL")
    title = f"Level {sound.position.name} at {sound.position.distance_m:g} m, {kit.levels.playing_v:g} V at the leads"
    rules = tuple(_crossing(one) for one in view.crossings if np.isfinite(one.frequency_hz))
    return Panel(title, across, up, tuple(lines), _limits(mask), rules)


def _styles(view: DesignView) -> Sequence[str]:
    """One for each driver, the same in all panels; the first is that of all together."""
    return SERIES[1:] if len(view.drivers) > 1 else SERIES


def _crossing(one: Crossing) -> Rule:
    return Rule(one.frequency_hz, f"{hertz(one.frequency_hz)}, {abs(one.degrees):.0f}° apart", FAINT, is_upright=True)


def _aside(view: DesignView) -> Panel:
    axis, *aside = view.sounds
    lines = [
        Line(view.frequency_hz, one.level_db - axis.level_db, one.position.name, style)
        for one, style in zip(aside, SERIES, strict=False)
    ]
    across = frequency_axis(view.frequency_hz[0], view.frequency_hz[-1])
    lowest = min(float(line.value.min()) for line in lines)
    return Panel(
        f"Level aside, against {axis.position.name}", across, linear_axis("dB", max(lowest, -30) - 1, 3), tuple(lines)
    )


def _filters(view: DesignView) -> Panel:
    levels = 20 * np.log10(np.maximum(np.abs(view.electrical), 1e-9))
    lines = [
        Line(view.frequency_hz, level, driver.name, style)
        for driver, level, style in zip(view.drivers, levels, _styles(view), strict=False)
    ]
    across, up = _level_axes(levels.max(), FILTER_SPAN_DB, "dB")
    return Panel("Filters: volts at each driver against those at the leads", across, up, tuple(lines))


def _level_axes(highest: float, span_db: float, unit: str) -> tuple[Axis, Axis]:
    top = 5 * np.ceil((highest + 3) / 5)
    return frequency_axis(20.0, 20000.0), linear_axis(unit, float(top - span_db), float(top))


def _limits(mask: Mask | None) -> tuple[Band, ...]:
    return () if mask is None else (Band(mask.frequency_hz, mask.lower, mask.upper, "limits", GREY),)


def _strain_table(kit: Kit, view: DesignView) -> str:
    """What each part and driver takes, and what it stands."""
    values = {part.name: quantity(part.kind, float(part.value)) for part in channel_parts(view.spec.model())}
    volts = f"{kit.levels.playing_v:g} V"
    head = f"What each takes of {boxes(view)}: at most in the sweep of {volts}"
    has_soak = any(strain.soak for strain in view.strains)
    head += ", and in the long run of the soak" if has_soak else ""
    drawn, y = [text(LEFT, ROW, head, f'font-size="{SIZE + 1:g}" font-weight="bold"')], 2.2 * ROW
    drawn += _row(HEADS if has_soak else (*HEADS[:5], "", "", "", HEADS[-1]), y)
    for strain in view.strains:
        y += ROW
        loads = [_figure(each) for load in (strain.sweep, strain.soak) if load for each in _three(load)]
        loads += ["–" if has_soak else ""] * (6 - len(loads))
        drawn += _row((strain.name, values.get(strain.name, "driver"), *loads, strain.rating_words), y)
        drawn.append(path(f"M{LEFT} {y + 3.5:.1f}h{WIDTH - LEFT - 8}", 'stroke="#d4d4d4" stroke-width="0.6"'))
    return drawing(WIDTH, y + ROW, drawn, head)


def _row(cells: Sequence[str], y: float) -> list[str]:
    style = f'font-size="{SIZE:g}"'
    named = [text(LEFT + x, y, cell, style) for x, cell in zip(COLUMNS[:2], cells[:2], strict=True)]
    return named + [
        text(LEFT + x - 8, y, cell, style, anchor="end") for x, cell in zip(COLUMNS[2:], cells[2:], strict=True)
    ]


def _figure(value: float) -> str:
    return f"{value:.3g}" if value >= 0.0005 else "0"


def _three(load: Load) -> tuple[float, float, float]:
    return load.volts, load.amperes, load.watts


def _words(title: str, sentences: Sequence[str]) -> str:
    drawn, y = [text(LEFT, ROW, title, f'font-size="{SIZE + 1:g}" font-weight="bold"')], ROW
    for sentence in sentences:
        for n, line in enumerate(textwrap.wrap(sentence, LINE_LENGTH)):
            y += ROW
            drawn.append(text(LEFT + (10 if n else 0), y, line, f'font-size="{SIZE:g}"'))
    return drawing(WIDTH, y + ROW, drawn, title)


def _stacked(elements: Sequence[str], title: str) -> str:
    """Drawings of one width below each other, as one."""
    top, parts = 0.0, []
    for element in elements:
        _, _, width, height = element.partition('viewBox="')[2].partition('"')[0].split()
        place = f'x="0" y="{top:.1f}" width="{width}" height="{height}" '
        parts.append(element.replace("<svg ", f"<svg {place}", 1))
        top += float(height) + ROW
    return drawing(WIDTH, top, parts, title)
