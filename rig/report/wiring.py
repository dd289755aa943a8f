"""How the bench is wired, drawn from a few symbols: `python -m rig.report.wiring` draws all figures anew."""

import io
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import Circle, FancyArrowPatch, Polygon, Rectangle

HERE = Path(__file__).parent / "wiring"
MM_PER_INCH = 25.4
STYLE: Any = {
    # Text stays text, so that it can be searched and read aloud; the drawing leaves room for other fonts.
    "svg.fonttype": "none",
    "svg.hashsalt": "kitproof wiring",
    "font.family": ["sans-serif"],
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
}
Point = tuple[float, float]


def new_sheet(width_mm: float, height_mm: float, title: str) -> tuple[Figure, Any]:
    """A figure and its axes, whose unit is the millimetre, with a title on top."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), facecolor="white")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, width_mm), ylim=(0, height_mm))
    axes.set_axis_off()
    write(axes, (6, height_mm - 6), title, size=10, bold=True)
    return figure, axes


def write(axes: Any, at: Point, words: str, align: str = "left", size: float = 7.5, bold: bool = False) -> None:
    """Words, their vertical middle at a point, on a white ground."""
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
    weight = "bold" if bold else "normal"
    axes.text(*at, words, ha=align, va="center", fontsize=size, fontweight=weight, linespacing=1.35, bbox=ground)


def wire(axes: Any, *points: Point, dashed: bool = False) -> None:
    """A wire through points."""
    style = (0, (4, 2.5)) if dashed else "-"
    axes.plot(*zip(*points, strict=True), color="black", linewidth=1.3, linestyle=style, solid_joinstyle="miter")


def joint(axes: Any, at: Point) -> None:
    """Where wires are joined."""
    axes.add_patch(Circle(at, 0.9, color="black", zorder=3))


def terminal(axes: Any, at: Point, words: str = "", inside: str = "left") -> None:
    """An open ring with its name on one side of it."""
    axes.add_patch(Circle(at, 1.1, facecolor="white", edgecolor="black", linewidth=1.1, zorder=3))
    if words:
        step = -2.6 if inside == "left" else 2.6
        write(axes, (at[0] + step, at[1]), words, align="right" if inside == "left" else "left")


def block(axes: Any, corner: Point, size: Point, words: str = "", dashed: bool = False) -> None:
    """A piece of equipment, its name in its upper part."""
    line = (0, (4, 2.5)) if dashed else "-"
    axes.add_patch(Rectangle(corner, *size, facecolor="none", edgecolor="black", linewidth=1.4, linestyle=line))
    if words:
        write(axes, (corner[0] + size[0] / 2, corner[1] + size[1] - 5), words, align="center", bold=True)


def resistor(axes: Any, a: Point, b: Point) -> None:
    """A resistor's body between two points that lie above or beside each other."""
    upright = a[0] == b[0]
    low = (min(a[0], b[0]), min(a[1], b[1]))
    length = abs(b[1] - a[1]) if upright else abs(b[0] - a[0])
    corner, size = ((low[0] - 2, low[1]), (4, length)) if upright else ((low[0], low[1] - 2), (length, 4))
    axes.add_patch(Rectangle(corner, *size, facecolor="white", edgecolor="black", linewidth=1.3, zorder=2))


def ground(axes: Any, at: Point) -> None:
    """The ground sign, hanging from a point."""
    x, y = at
    wire(axes, at, (x, y - 3))
    for n, half in enumerate((3.2, 2.0, 0.8)):
        wire(axes, (x - half, y - 3 - 1.3 * n), (x + half, y - 3 - 1.3 * n))


def loudspeaker(axes: Any, at: Point, down: bool = False) -> None:
    """The sign of a driver, its cone to the right or downwards."""
    x, y = at
    points = [(-3, -2), (0, -2), (4, -5), (4, 5), (0, 2), (-3, 2)]
    turned = [(x + q, y - p) if down else (x + p, y + q) for p, q in points]
    axes.add_patch(Polygon(turned, closed=True, facecolor="none", edgecolor="black", linewidth=1.2))


def cross_out(axes: Any, at: Point, half: float = 5.0) -> None:
    """A heavy cross: this must not be."""
    x, y = at
    for colour, width in (("white", 7.5), ("black", 3.5)):
        for up in (half, -half):
            axes.plot([x - half, x + half], [y - up, y + up], color=colour, linewidth=width, zorder=5)


def card(axes: Any, terminals: Sequence[tuple[float, str]], low: float, high: float) -> None:
    """The sound card at the left edge, with its terminals (height, name) on the right side."""
    block(axes, (6, low), (40, high - low), "sound card")
    for height, name in terminals:
        terminal(axes, (46, height), name)


def box_of_drivers(axes: Any, known_load: bool) -> None:
    """What is measured on the leads: the box under test, or a known resistor in its place."""
    if known_load:
        wire(axes, (122, 84), (134, 84), (134, 56), (122, 56))
        resistor(axes, (134, 77), (134, 63))
        write(axes, (139, 70), "known\nresistor,\nmeasured\nvalue")
    else:
        block(axes, (122, 46), (32, 50), "box under test")
        wire(axes, (122, 84), (138, 84), (138, 73))
        wire(axes, (138, 67), (138, 56), (122, 56))
        loudspeaker(axes, (139, 70))
        write(axes, (126, 80.5), "+")
        write(axes, (126, 59.5), "−")
    terminal(axes, (122, 84))
    terminal(axes, (122, 56))


LEADS_CARD = ((84, "output, hot"), (70, "input 1: drive"), (56, "input 2: sense"), (30, "ground (sleeves)"))


def leads_return(known_load: bool = False) -> Figure:
    """Sense resistor between the load and ground."""
    title = "Known load: a resistor in place of the box" if known_load else "Leads: sense resistor in the return lead"
    figure, axes = new_sheet(162, 112, title)
    card(axes, LEADS_CARD, 22, 98)
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


def _clips_and_amplifier(axes: Any, known_load: bool) -> None:
    write(axes, (118, 88.5), "clip", align="right")
    write(axes, (118, 60.5), "clip", align="right")
    block(axes, (104, 6), (52, 19), dashed=True)
    words = "the box is not connected" if known_load else "its leads to the box taken off"
    write(axes, (130, 15.5), f"amplifier: off, unplugged,\n{words}", align="center")


def playing() -> Figure:
    """Through the kit's own amplifier, with the microphone in front."""
    figure, axes = new_sheet(162, 116, "Playing: through the amplifier, microphone in front of the box")
    names = ((92, "output 1"), (76, "input 2: loopback"), (60, "output 2"), (28, "input 1: microphone"))
    card(axes, names, 18, 104)
    block(axes, (72, 74), (30, 30), "amplifier")
    wire(axes, (47.1, 92), (70.9, 92))
    terminal(axes, (72, 92), "in", "right")
    block(axes, (122, 74), (32, 30), "box under test")
    for height, name in ((92, "+"), (82, "−")):
        wire(axes, (103.1, height), (120.9, height))
        terminal(axes, (102, height), name)
        terminal(axes, (122, height), name, "right")
    write(axes, (112, 97), "speaker leads", align="center", size=6.5)
    write(axes, (112, 68), "to the amplifier and\nnothing else", align="center", size=6.5)
    joint(axes, (56, 92))
    wire(axes, (56, 92), (56, 76), dashed=True)
    wire(axes, (47.1, 60), (56, 60), (56, 76), dashed=True)
    wire(axes, (56, 76), (47.1, 76))
    write(axes, (58, 84), "either a\nY-lead", size=6.5)
    write(axes, (58, 66), "or output 2:\none of the two", size=6.5)
    loudspeaker(axes, (142, 79), down=True)
    axes.add_patch(Circle((142, 41), 3, facecolor="white", edgecolor="black", linewidth=1.3))
    wire(axes, (138.5, 44.4), (145.5, 44.4))
    wire(axes, (142, 38), (142, 28), (47.1, 28))
    write(axes, (134, 40), "microphone", align="right")
    arrow = FancyArrowPatch((151, 74), (151, 44.4), arrowstyle="<|-|>", mutation_scale=7, color="black", linewidth=1)
    axes.add_patch(arrow)
    write(axes, (148, 59), "the kit's distance", align="right")
    write(
        axes,
        (84, 10),
        "Sense resistor and clips: put away. No ground of the card touches an output of the amplifier.",
        align="center",
    )
    return figure


def bridged() -> Figure:
    """What must never be connected to a bridged output, and what may."""
    figure, axes = new_sheet(190, 156, "Bridged outputs: both terminals are live, neither is ground")
    for x, y, words in (
        (4, 76, "NEVER: a ground on a terminal"),
        (97, 76, "NEVER: two minus terminals joined"),
        (4, 4, "SAFE: two equal attenuators, two inputs"),
        (97, 4, "SAFE: a transformer rated for the level"),
    ):
        axes.add_patch(Rectangle((x, y), 89, 68, facecolor="none", edgecolor="#777777", linewidth=0.8))
        write(axes, (x + 3, y + 62), words, size=8.5, bold=True)
    _never_grounded(axes, 4, 76)
    _never_joined(axes, 97, 76)
    _attenuators(axes, 4, 4)
    _transformer(axes, 97, 4)
    return figure


def _output(axes: Any, x: float, y: float, words: str = "amplifier") -> None:
    """A bridged output with its two live terminals at x + 26, y and y + 16."""
    block(axes, (x, y - 6), (26, 34), words)
    terminal(axes, (x + 26, y + 16), "+ live")
    terminal(axes, (x + 26, y), "− live")


def _never_grounded(axes: Any, x: float, y: float) -> None:
    _output(axes, x + 5, y + 24)
    block(axes, (x + 60, y + 18), (25, 34), "sound card")
    terminal(axes, (x + 60, y + 40), "input", "right")
    terminal(axes, (x + 60, y + 24), "ground", "right")
    wire(axes, (x + 32.1, y + 40), (x + 58.9, y + 40))
    wire(axes, (x + 32.1, y + 24), (x + 58.9, y + 24))
    cross_out(axes, (x + 45, y + 24))
    wire(axes, (x + 72, y + 18), (x + 72, y + 11), (x + 18, y + 11), (x + 18, y + 18), dashed=True)
    words = "the grounds already meet at the amplifier's input:\nthe lead shorts half of the bridge"
    write(axes, (x + 44.5, y + 6), words, align="center", size=6.5)


def _never_joined(axes: Any, x: float, y: float) -> None:
    for shift, name in ((5, "channel 1"), (58, "channel 2")):
        block(axes, (x + shift, y + 18), (26, 34), name)
    for height, name in ((40, "+ live"), (24, "− live")):
        terminal(axes, (x + 31, y + height), name)
        terminal(axes, (x + 58, y + height), name, "right")
    wire(axes, (x + 32.1, y + 24), (x + 56.9, y + 24))
    cross_out(axes, (x + 44.5, y + 24))
    words = "each terminal swings on its own:\njoined, one output drives the other"
    write(axes, (x + 44.5, y + 8), words, align="center", size=6.5)


def _attenuators(axes: Any, x: float, y: float) -> None:
    block(axes, (x + 5, y + 12), (20, 44), "amplifier")
    block(axes, (x + 64, y + 12), (22, 44), "sound card")
    for height, name, entry in ((46, "+ live", "input 1"), (35, "− live", "input 2")):
        terminal(axes, (x + 25, y + height), name)
        terminal(axes, (x + 64, y + height), entry, "right")
        wire(axes, (x + 26.1, y + height), (x + 62.9, y + height))
        resistor(axes, (x + 31, y + height), (x + 41, y + height))
    for across, height in ((56, 46), (48, 35)):
        joint(axes, (x + across, y + height))
        wire(axes, (x + across, y + height), (x + across, y + 16))
        resistor(axes, (x + across, y + 30), (x + across, y + 20))
    terminal(axes, (x + 64, y + 16), "ground", "right")
    wire(axes, (x + 48, y + 16), (x + 62.9, y + 16))
    joint(axes, (x + 56, y + 16))
    words = "both refer to the card's ground; the program subtracts them"
    write(axes, (x + 44.5, y + 6), words, align="center", size=6.5)


def _transformer(axes: Any, x: float, y: float) -> None:
    block(axes, (x + 5, y + 12), (20, 44), "amplifier")
    block(axes, (x + 64, y + 12), (22, 44), "sound card")
    for height, name, entry in ((44, "+ live", "input"), (24, "− live", "ground")):
        terminal(axes, (x + 25, y + height), name)
        terminal(axes, (x + 64, y + height), entry, "right")
        wire(axes, (x + 26.1, y + height), (x + 40, y + height))
        wire(axes, (x + 62.9, y + height), (x + 49, y + height))
    for across in (40.0, 49.0):
        wire(axes, (x + across, y + 44), (x + across, y + 42))
        wire(axes, (x + across, y + 26), (x + across, y + 24))
        axes.add_patch(
            Rectangle((x + across - 1.7, y + 26), 3.4, 16, facecolor="black", edgecolor="black", linewidth=1)
        )
    for across in (43.6, 45.4):
        wire(axes, (x + across, y + 24.5), (x + across, y + 43.5))
    write(axes, (x + 44.5, y + 6), "no metal path from one side to the other", align="center", size=6.5)


FIGURES: dict[str, Callable[[], Figure]] = {
    "leads-return": leads_return,
    "leads-source": leads_source,
    "known-load": lambda: leads_return(known_load=True),
    "playing": playing,
    "bridged": bridged,
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
