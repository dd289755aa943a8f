"""The symbols that wiring figures are drawn from; the unit of a sheet is the millimetre."""

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

#: By definition.
MM_PER_INCH = 25.4
Point = tuple[float, float]


def new_sheet(width_mm: float, height_mm: float, title: str) -> tuple[Figure, Axes]:
    """A figure and its axes, whose unit is the millimetre, with a title on top."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), facecolor="white")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, width_mm), ylim=(0, height_mm))
    axes.set_axis_off()
    write(axes, (6, height_mm - 6), title, size=10, bold=True)
    return figure, axes


def write(axes: Axes, at: Point, words: str, align: str = "left", size: float = 7.5, bold: bool = False) -> None:
    """Words, their vertical middle at a point, on a white ground."""
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
    weight = "bold" if bold else "normal"
    axes.text(*at, words, ha=align, va="center", fontsize=size, fontweight=weight, linespacing=1.35, bbox=ground)


def wire(axes: Axes, *points: Point, dashed: bool = False) -> None:
    """A wire through points."""
    style = (0, (4, 2.5)) if dashed else "-"
    axes.plot(*zip(*points, strict=True), color="black", linewidth=1.3, linestyle=style, solid_joinstyle="miter")


def joint(axes: Axes, at: Point) -> None:
    """Where wires are joined."""
    axes.add_patch(Circle(at, 0.9, color="black", zorder=3))


def terminal(axes: Axes, at: Point, words: str = "", inside: str = "left") -> None:
    """An open ring with its name on one side of it."""
    axes.add_patch(Circle(at, 1.1, facecolor="white", edgecolor="black", linewidth=1.1, zorder=3))
    if words:
        step = -2.6 if inside == "left" else 2.6
        write(axes, (at[0] + step, at[1]), words, align="right" if inside == "left" else "left")


def block(axes: Axes, corner: Point, size: Point, words: str = "", dashed: bool = False) -> None:
    """A piece of equipment, its name in its upper part."""
    line = (0, (4, 2.5)) if dashed else "-"
    axes.add_patch(Rectangle(corner, *size, facecolor="none", edgecolor="black", linewidth=1.4, linestyle=line))
    if words:
        write(axes, (corner[0] + size[0] / 2, corner[1] + size[1] - 5), words, align="center", bold=True)


def resistor(axes: Axes, a: Point, b: Point) -> None:
    """A resistor's body between two points that lie above or beside each other."""
    upright = a[0] == b[0]
    low = (min(a[0], b[0]), min(a[1], b[1]))
    length = abs(b[1] - a[1]) if upright else abs(b[0] - a[0])
    corner, size = ((low[0] - 2, low[1]), (4, length)) if upright else ((low[0], low[1] - 2), (length, 4))
    axes.add_patch(Rectangle(corner, *size, facecolor="white", edgecolor="black", linewidth=1.3, zorder=2))


def ground(axes: Axes, at: Point) -> None:
    """The ground sign, hanging from a point."""
    x, y = at
    wire(axes, at, (x, y - 3))
    for n, half in enumerate((3.2, 2.0, 0.8)):
        wire(axes, (x - half, y - 3 - 1.3 * n), (x + half, y - 3 - 1.3 * n))


def loudspeaker(axes: Axes, at: Point, down: bool = False) -> None:
    """The sign of a driver, its cone to the right or downwards."""
    x, y = at
    points = [(-3, -2), (0, -2), (4, -5), (4, 5), (0, 2), (-3, 2)]
    turned = [(x + q, y - p) if down else (x + p, y + q) for p, q in points]
    axes.add_patch(Polygon(turned, closed=True, facecolor="none", edgecolor="black", linewidth=1.2))


def cross_out(axes: Axes, at: Point, half: float = 5.0) -> None:
    """A heavy cross: this must not be."""
    x, y = at
    for colour, width in (("white", 7.5), ("black", 3.5)):
        for up in (half, -half):
            axes.plot([x - half, x + half], [y - up, y + up], color=colour, linewidth=width, zorder=5)


def card(axes: Axes, terminals: Sequence[tuple[float, str]], low: float, high: float, width: float = 40) -> None:
    """The sound card at the left edge, with its terminals (height, name) on the right side."""
    block(axes, (6, low), (width, high - low), "sound card")
    for height, name in terminals:
        terminal(axes, (6 + width, height), name)


def box_of_drivers(axes: Axes, known_load: bool) -> None:
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


def microphone(axes: Axes, at: Point) -> None:
    """The sign of a microphone that listens upwards."""
    x, y = at
    axes.add_patch(Circle(at, 3, facecolor="white", edgecolor="black", linewidth=1.3))
    wire(axes, (x - 3.5, y + 3.4), (x + 3.5, y + 3.4))
