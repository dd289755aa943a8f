"""The symbols that wiring figures are drawn from; the unit of a sheet is the millimetre, upwards from its foot."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from rig.drawing.svg import circle, drawing, path, rectangle, text

#: By definition.
MM_PER_POINT = 25.4 / 72
#: Sizes of letters in points, and the height of a line as a part of that; layout.
TITLE, NORMAL, SMALL, LINE = 10.0, 7.5, 6.5, 1.35
#: How far the letters' middle lies above their base line, as a part of their size; layout.
MIDDLE = 0.36
#: What lies over what: equipment, wires, joints and words, sensors, crosses; layout.
BLOCKS, WIRES, JOINTS, WORDS, SENSORS, CROSSES = range(6)
#: Words keep clear of the wires below them.
ON_WHITE = 'stroke="#fff" stroke-width="1" stroke-linejoin="round" paint-order="stroke"'
DASHED = ' stroke-dasharray="1.8 1.1"'
Point = tuple[float, float]


@dataclass
class Sheet:
    """A sheet that symbols are drawn on, in millimetres."""

    width: float
    height: float
    title: str
    #: Layer and piece.
    pieces: list[tuple[int, str]] = field(default_factory=list)

    def add(self, layer: int, piece: str) -> None:
        """Draw a piece of SVG."""
        self.pieces.append((layer, piece))

    def down(self, y: float) -> float:
        """A height above the sheet's foot as SVG counts it: from the top."""
        return self.height - y

    def svg(self) -> str:
        """The sheet as an `<svg>` element."""
        in_order = sorted(self.pieces, key=lambda piece: piece[0])
        return drawing(self.width, self.height, [piece for _, piece in in_order], self.title)


def outline(width_pt: float, colour: str = "#000", fill: str = "none") -> str:
    """A style of lines by their width in points."""
    return f'fill="{fill}" stroke="{colour}" stroke-width="{width_pt * MM_PER_POINT:.2f}"'


def new_sheet(width_mm: float, height_mm: float, title: str) -> Sheet:
    """A sheet with a title on top."""
    sheet = Sheet(width_mm, height_mm, title)
    write(sheet, (6, height_mm - 6), title, size=TITLE, bold=True)
    return sheet


def write(sheet: Sheet, at: Point, words: str, align: str = "left", size: float = NORMAL, bold: bool = False) -> None:
    """Words, their vertical middle at a point."""
    anchor = {"left": "start", "center": "middle", "right": "end"}[align]
    high, lines = size * MM_PER_POINT, words.splitlines()
    weight = ' font-weight="bold"' if bold else ""
    style = f'font-size="{high:.2f}"{weight} {ON_WHITE}'
    for number, line in enumerate(lines):
        below = (number - (len(lines) - 1) / 2) * LINE + MIDDLE
        sheet.add(WORDS, text(at[0], sheet.down(at[1]) + below * high, line, style, anchor=anchor))


def wire(sheet: Sheet, *points: Point, dashed: bool = False) -> None:
    """A wire through points."""
    sheet.add(WIRES, path(_way(sheet, points), outline(1.3) + (DASHED if dashed else "")))


def _way(sheet: Sheet, points: Sequence[Point]) -> str:
    return "M" + "L".join(f"{x:.2f} {sheet.down(y):.2f}" for x, y in points)


def joint(sheet: Sheet, at: Point) -> None:
    """Where wires are joined."""
    sheet.add(JOINTS, circle(at[0], sheet.down(at[1]), 0.9, 'fill="#000"'))


def terminal(sheet: Sheet, at: Point, words: str = "", inside: str = "left") -> None:
    """An open ring with its name on one side of it."""
    sheet.add(JOINTS, circle(at[0], sheet.down(at[1]), 1.1, outline(1.1, fill="#fff")))
    if words:
        step = -2.6 if inside == "left" else 2.6
        write(sheet, (at[0] + step, at[1]), words, align="right" if inside == "left" else "left")


def sensor(sheet: Sheet, at: Point) -> None:
    """The sign of a sensor of temperature."""
    sheet.add(SENSORS, circle(at[0], sheet.down(at[1]), 1.7, outline(1.1, fill="#777")))


def block(sheet: Sheet, corner: Point, size: Point, words: str = "", dashed: bool = False) -> None:
    """A piece of equipment by its lower left corner and size, its name in its upper part."""
    top = sheet.down(corner[1] + size[1])
    sheet.add(BLOCKS, rectangle(corner[0], top, *size, outline(1.4) + (DASHED if dashed else "")))
    if words:
        write(sheet, (corner[0] + size[0] / 2, corner[1] + size[1] - 5), words, align="center", bold=True)


def border(sheet: Sheet, corner: Point, size: Point) -> None:
    """A thin line around things that belong together, by its lower left corner and size."""
    sheet.add(BLOCKS, rectangle(corner[0], sheet.down(corner[1] + size[1]), *size, outline(0.8, "#777")))


def arrow(sheet: Sheet, low: Point, high: Point) -> None:
    """An upright arrow with a head at both ends: a distance."""
    (x, foot), (_, top) = low, high
    heads = "".join(
        f"{_way(sheet, [(x, y), (x - 0.9, y + turn), (x + 0.9, y + turn)])}Z" for y, turn in ((top, -2), (foot, 2))
    )
    sheet.add(WIRES, path(_way(sheet, [low, high]), outline(1.0)))
    sheet.add(WIRES, path(heads, 'fill="#000"'))


def resistor(sheet: Sheet, a: Point, b: Point) -> None:
    """A resistor's body between two points that lie above or beside each other."""
    (left, right), (foot, top) = sorted((a[0], b[0])), sorted((a[1], b[1]))
    aside, up = (2, 0) if left == right else (0, 2)
    size = (right - left + 2 * aside, top - foot + 2 * up)
    sheet.add(WIRES, rectangle(left - aside, sheet.down(top + up), *size, outline(1.3, fill="#fff")))


def ground(sheet: Sheet, at: Point) -> None:
    """The ground sign, hanging from a point."""
    x, y = at
    wire(sheet, at, (x, y - 3))
    for n, half in enumerate((3.2, 2.0, 0.8)):
        wire(sheet, (x - half, y - 3 - 1.3 * n), (x + half, y - 3 - 1.3 * n))


def loudspeaker(sheet: Sheet, at: Point, down: bool = False) -> None:
    """The sign of a driver, its cone to the right or downwards."""
    x, y = at
    points = [(-3, -2), (0, -2), (4, -5), (4, 5), (0, 2), (-3, 2)]
    turned = [(x + q, y - p) if down else (x + p, y + q) for p, q in points]
    sheet.add(BLOCKS, path(_way(sheet, turned) + "Z", outline(1.2)))


def cross_out(sheet: Sheet, at: Point) -> None:
    """A heavy cross: this must not be."""
    (x, y), half = at, 5.0
    for colour, width in (("#fff", 7.5), ("#000", 3.5)):
        for up in (half, -half):
            way = _way(sheet, [(x - half, y - up), (x + half, y + up)])
            sheet.add(CROSSES, path(way, outline(width, colour)))


def card(sheet: Sheet, terminals: Sequence[tuple[float, str]], low: float, high: float, width: float = 40) -> None:
    """The sound card at the left edge, with its terminals (height, name) on the right side."""
    block(sheet, (6, low), (width, high - low), "sound card")
    for height, name in terminals:
        terminal(sheet, (6 + width, height), name)


def box_of_drivers(sheet: Sheet, known_load: bool) -> None:
    """What is measured on the leads: the box under test, or a known resistor in its place."""
    if known_load:
        wire(sheet, (122, 84), (134, 84), (134, 56), (122, 56))
        resistor(sheet, (134, 77), (134, 63))
        write(sheet, (139, 70), "known\nresistor,\nmeasured\nvalue")
    else:
        block(sheet, (122, 46), (32, 50), "box under test")
        wire(sheet, (122, 84), (138, 84), (138, 73))
        wire(sheet, (138, 67), (138, 56), (122, 56))
        loudspeaker(sheet, (139, 70))
        write(sheet, (126, 80.5), "+")
        write(sheet, (126, 59.5), "−")
    terminal(sheet, (122, 84))
    terminal(sheet, (122, 56))


def microphone(sheet: Sheet, at: Point) -> None:
    """The sign of a microphone that listens upwards."""
    x, y = at
    sheet.add(BLOCKS, circle(x, sheet.down(y), 3, outline(1.3, fill="#fff")))
    wire(sheet, (x - 3.5, y + 3.4), (x + 3.5, y + 3.4))
