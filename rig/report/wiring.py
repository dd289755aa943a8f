"""How the bench is wired, drawn from a few symbols: `python -m rig.report.wiring` draws all figures anew."""

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, Rectangle

from rig.report.symbols import (
    block,
    box_of_drivers,
    card,
    cross_out,
    ground,
    joint,
    loudspeaker,
    microphone,
    new_sheet,
    resistor,
    terminal,
    wire,
    write,
)
from rig.report.wiring_soak import soak

HERE = Path(__file__).parent / "wiring"
STYLE: Any = {
    # Text stays text, so that it can be searched and read aloud; the drawing leaves room for other fonts.
    "svg.fonttype": "none",
    "svg.hashsalt": "kitproof wiring",
    # A dollar sign in a name is one.
    "text.parse_math": False,
    "font.family": ["sans-serif"],
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
}

#: Numbers and roles of outputs and inputs here and in `playing` are those of the README's bench.toml.
LEADS_CARD = ((84, "output 1: source"), (70, "input 1: drive"), (56, "input 2: sense"), (30, "ground (sleeves)"))


def leads_return(known_load: bool = False) -> Figure:
    """Sense resistor between the load and ground."""
    title = "Known load: a resistor in place of the box" if known_load else "Leads: sense resistor in the return lead"
    figure, axes = new_sheet(162, 112, title)
    card(axes, LEADS_CARD, 22, 98)
    if known_load:
        words = "Sense resistor in the source lead: wired as in that figure, the known resistor where the box stood."
        write(axes, (6, 101.7), words, size=6.5)
    box_of_drivers(axes, known_load)
    wire(axes, (47.1, 84), (120.9, 84))
    wire(axes, (60, 84), (60, 70), (47.1, 70))
    wire(axes, (47.1, 56), (120.9, 56))
    wire(axes, (86, 56), (86, 30), (47.1, 30))
    resistor(axes, (86, 49), (86, 37))
    ground(axes, (66, 30))
    for at in ((60, 84), (86, 56), (66, 30)):
        joint(axes, at)
    write(axes, (90, 43), "sense resistor")
    write(axes, (64, 77), "input 1: voltage at the output")
    write(axes, (50, 51), "input 2: voltage across\nthe sense resistor", size=6.5)
    _clips_and_amplifier(axes, known_load)
    return figure


def leads_source() -> Figure:
    """Sense resistor between the output and the load."""
    figure, axes = new_sheet(162, 112, "Leads: sense resistor in the source lead")
    card(axes, LEADS_CARD, 22, 98)
    box_of_drivers(axes, known_load=False)
    wire(axes, (47.1, 84), (120.9, 84))
    resistor(axes, (70, 84), (84, 84))
    wire(axes, (60, 84), (60, 70), (47.1, 70))
    wire(axes, (100, 84), (100, 56), (47.1, 56))
    wire(axes, (120.9, 56), (111, 56), (111, 30), (47.1, 30))
    ground(axes, (66, 30))
    for at in ((60, 84), (100, 84), (66, 30)):
        joint(axes, at)
    write(axes, (77, 90), "sense resistor", align="center")
    write(axes, (64, 70), "input 1: before\nthe resistor", size=6.5)
    write(axes, (54, 49.5), "input 2: after the resistor,\nat the load", size=6.5)
    _clips_and_amplifier(axes, known_load=False)
    return figure


def _clips_and_amplifier(axes: Axes, known_load: bool) -> None:
    write(axes, (118, 88.5), "clip", align="right")
    write(axes, (118, 60.5), "clip", align="right")
    block(axes, (104, 6), (52, 19), dashed=True)
    words = "the box is not connected" if known_load else "its leads to the box taken off"
    write(axes, (130, 15.5), f"amplifier: off, unplugged,\n{words}", align="center")


PLAYING_CARD = (
    (104, "output 1: left"),
    (90, "output 2: right"),
    (72, "output 3: loopback_output"),
    (58, "input 4: loopback"),
    (28, "input 3: microphone"),
)


def playing() -> Figure:
    """Through the kit's own amplifier, with the microphone in front of each box in turn."""
    figure, axes = new_sheet(190, 132, "Playing: through the amplifier, microphone in front of each box in turn")
    card(axes, PLAYING_CARD, 18, 118, width=52)
    block(axes, (84, 76), (32, 42), "amplifier")
    block(axes, (136, 94), (46, 24), "left box")
    block(axes, (136, 66), (46, 26), "right box")
    for height, name in ((104, "in left"), (90, "in right")):
        wire(axes, (59.1, height), (82.9, height))
        terminal(axes, (84, height), name, "right")
    for height, name in ((104, "+"), (98, "−"), (88, "+"), (82, "−")):
        wire(axes, (117.1, height), (134.9, height))
        terminal(axes, (116, height), name)
        terminal(axes, (136, height), name, "right")
    write(axes, (126, 109), "speaker leads", align="center", size=6.5)
    write(axes, (120, 69.5), "to the amplifier and\nnothing else", align="center", size=6.5)
    wire(axes, (59.1, 72), (66, 72), (66, 58), (59.1, 58), dashed=True)
    write(axes, (69, 61), "loopback: a lead from\noutput to input; no loopback\non a card with two outputs", size=6.5)
    loudspeaker(axes, (159, 99), down=True)
    loudspeaker(axes, (159, 71), down=True)
    microphone(axes, (159, 41))
    wire(axes, (159, 38), (159, 28), (59.1, 28))
    write(axes, (151, 40), "microphone", align="right")
    arrow = FancyArrowPatch((174, 66), (174, 44.4), arrowstyle="<|-|>", mutation_scale=7, color="black", linewidth=1)
    axes.add_patch(arrow)
    write(axes, (171, 55), "the kit's distance", align="right")
    words = (
        "Sense resistor and clips (inputs 1 and 2): put away.\nNothing of the card touches an output of the amplifier."
    )
    write(axes, (95, 9), words, align="center")
    return figure


def bridged() -> Figure:
    """What must never be connected to a bridged output, and what the rig does instead."""
    figure, axes = new_sheet(190, 156, "Bridged outputs: both terminals are live, neither is ground")
    for x, y, width, words in (
        (4, 76, 89, "NEVER: the sound card on the outputs"),
        (97, 76, 89, "NEVER: two minus terminals joined"),
        (4, 4, 182, "INSTEAD: what the rig does"),
    ):
        axes.add_patch(Rectangle((x, y), width, 68, facecolor="none", edgecolor="#777777", linewidth=0.8))
        write(axes, (x + 3, y + 62), words, size=8.5, bold=True)
    _never_grounded(axes, 4, 76)
    _never_joined(axes, 97, 76)
    _leads_off(axes, 4, 4)
    _bymicrophone(axes, 95, 4)
    return figure


def _output(axes: Axes, x: float, y: float, words: str = "amplifier") -> None:
    """A bridged output with its two live terminals at x + 26, y and y + 16."""
    block(axes, (x, y - 6), (26, 34), words)
    terminal(axes, (x + 26, y + 16), "+ live")
    terminal(axes, (x + 26, y), "− live")


def _never_grounded(axes: Axes, x: float, y: float) -> None:
    _output(axes, x + 5, y + 24)
    block(axes, (x + 60, y + 18), (25, 34), "sound card")
    terminal(axes, (x + 60, y + 40), "input", "right")
    terminal(axes, (x + 60, y + 24), "ground", "right")
    wire(axes, (x + 32.1, y + 40), (x + 58.9, y + 40))
    wire(axes, (x + 32.1, y + 24), (x + 58.9, y + 24))
    for height in (40, 24):
        cross_out(axes, (x + 45, y + height))
    wire(axes, (x + 72, y + 18), (x + 72, y + 11), (x + 18, y + 11), (x + 18, y + 18), dashed=True)
    words = "the grounds already meet at the amplifier's input:\nthe lead shorts half of the bridge"
    write(axes, (x + 44.5, y + 6), words, align="center", size=6.5)


def _never_joined(axes: Axes, x: float, y: float) -> None:
    for shift, name in ((5, "channel 1"), (58, "channel 2")):
        block(axes, (x + shift, y + 18), (26, 34), name)
    for height, name in ((40, "+ live"), (24, "− live")):
        terminal(axes, (x + 31, y + height), name)
        terminal(axes, (x + 58, y + height), name, "right")
    wire(axes, (x + 32.1, y + 24), (x + 56.9, y + 24))
    cross_out(axes, (x + 44.5, y + 24))
    words = "each terminal swings on its own:\njoined, one output drives the other"
    write(axes, (x + 44.5, y + 8), words, align="center", size=6.5)


def _leads_off(axes: Axes, x: float, y: float) -> None:
    """Impedance: the box on the clips, the amplifier apart."""
    block(axes, (x + 5, y + 18), (21, 34), "amplifier", dashed=True)
    write(axes, (x + 15.5, y + 33), "off,\nunplugged", align="center", size=6.5)
    block(axes, (x + 36, y + 18), (18, 34), "box")
    block(axes, (x + 66, y + 18), (22, 34), "sound card")
    write(axes, (x + 78.5, y + 32), "and sense\nresistor", align="center", size=6.5)
    for height, name in ((40, "+"), (24, "−")):
        terminal(axes, (x + 54, y + height), name)
        terminal(axes, (x + 66, y + height))
        wire(axes, (x + 55.1, y + height), (x + 64.9, y + height))
    words = "impedance: leads off the amplifier"
    write(axes, (x + 44.5, y + 8), words, align="center")


def _bymicrophone(axes: Axes, x: float, y: float) -> None:
    """Sound: nothing but the box on the amplifier, the card hears by microphone."""
    block(axes, (x + 3, y + 18), (21, 34), "amplifier")
    block(axes, (x + 36, y + 33), (24, 20), "box")
    for height, name in ((42, "+"), (36, "−")):
        terminal(axes, (x + 24, y + height), name)
        terminal(axes, (x + 36, y + height), name, "right")
        wire(axes, (x + 25.1, y + height), (x + 34.9, y + height))
    loudspeaker(axes, (x + 51, y + 38), down=True)
    microphone(axes, (x + 51, y + 23))
    block(axes, (x + 66, y + 18), (22, 34), "sound card")
    wire(axes, (x + 54, y + 23), (x + 64.9, y + 23))
    terminal(axes, (x + 66, y + 23), "input", "right")
    words = "sound: by the microphone, out of the air"
    write(axes, (x + 44.5, y + 8), words, align="center")


FIGURES: dict[str, Callable[[], Figure]] = {
    "leads-return": leads_return,
    "leads-source": leads_source,
    "known-load": lambda: leads_return(known_load=True),
    "playing": playing,
    "bridged": bridged,
    "soak": soak,
}


def svg(figure: Figure) -> str:
    """A figure as SVG, the same every time: no date, no name of the drawing program."""
    stream = io.StringIO()
    with mpl.rc_context(STYLE):
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(stream, metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    return re.sub(r"<metadata>.*?</metadata>\s*", "", stream.getvalue(), flags=re.DOTALL)


def draw_all(folder: Path) -> list[Path]:
    """Draw every figure into a folder, which is made if it is not there; returns the files."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, draw in FIGURES.items():
        path = folder / f"{name}.svg"
        with mpl.rc_context(STYLE):
            path.write_text(svg(draw()), encoding="utf-8")
        paths.append(path)
    return paths


if __name__ == "__main__":
    draw_all(HERE)
