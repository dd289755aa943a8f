"""Pieces of SVG as text: paths, words, shapes, and the drawing around them.

Written out directly, because a page may hold thirty panels, which a general plotting library takes longer to lay out
than the rig takes to judge the unit. What is drawn can be read in black and white; words stay words.
"""

import re
from collections.abc import Iterable
from html import escape as escape_signs
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.files.disk import write

Floats = NDArray[np.float64]

#: Curves with more points than this are thinned for drawing; layout.
MOST_POINTS = 500
#: Width of letters as a part of their height, on the average; layout.
LETTER_WIDTH = 0.56

#: Signs that XML cannot hold, escaped or not (W3C, "Extensible Markup Language (XML) 1.0", section 2.2).
NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

#: Styles of lines, the most weighty first; of areas; and of words on a busy ground.
MEASURED = 'fill="none" stroke="#0b3d7a" stroke-width="2.1" stroke-linejoin="round"'
UNTRUSTED = 'fill="none" stroke="#333" stroke-width="1.1" stroke-dasharray="1.5 2.5"'
DESIGN = 'fill="none" stroke="#444" stroke-width="1.2" stroke-dasharray="7 3.5"'
LIMIT = 'fill="none" stroke="#000" stroke-width="1.1"'
FAINT = 'fill="none" stroke="#8a8a8a" stroke-width="1"'
#: Several curves beside each other, told apart by their dashes as well as by their colours.
SERIES = (
    'fill="none" stroke="#0b3d7a" stroke-width="1.9" stroke-linejoin="round"',
    'fill="none" stroke="#b3261e" stroke-width="1.7" stroke-dasharray="9 3"',
    'fill="none" stroke="#1b6e3c" stroke-width="1.5" stroke-dasharray="4.5 2.5"',
    'fill="none" stroke="#6a3d9a" stroke-width="1.5" stroke-dasharray="1.5 2"',
    'fill="none" stroke="#8a5a00" stroke-width="1.5" stroke-dasharray="9 3 2 3"',
    'fill="none" stroke="#000" stroke-width="1"',
)
GREY = 'fill="#dcdcdc"'
HATCHED = 'fill="url(#outside)"'
#: A white rim keeps words readable on hatching and grid.
RIM = 'stroke="#fff" stroke-width="4" stroke-linejoin="round" paint-order="stroke"'

PATTERN = (
    '<defs><pattern id="outside" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path d="M0 0 V6" stroke="#888" stroke-width="1.1"/></pattern></defs>'
)
#: Stands once in a page that shows drawings: what hatched areas are filled with.
HATCHING = f'<svg width="0" height="0" style="position:absolute" aria-hidden="true">{PATTERN}</svg>'

#: Shapes that tell lines apart, drawn around (0, 0).
SHAPES = (
    "M-3.6 0a3.6 3.6 0 1 0 7.2 0a3.6 3.6 0 1 0 -7.2 0Z",
    "M0 -4L4 3.5L-4 3.5Z",
    "M-3.4 -3.4H3.4V3.4H-3.4Z",
    "M0 -4.6L4.6 0L0 4.6L-4.6 0Z",
    "M-4 -3.5H4L0 4Z",
)


def escape(words: str) -> str:
    """Text as it may stand in an element or attribute; signs that XML cannot hold are left out."""
    return escape_signs(NO_XML.sub("", words))


def drawing(width: float, height: float, parts: Iterable[str], label: str) -> str:
    """An `<svg>` element of pieces, for a page that holds `HATCHING`; `label` is what a screen reader reads."""
    head = f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(label)}" font-size="10">'
    return "\n".join([head, *parts, "</svg>"])


def standalone(element: str, width_mm: float = 190.0) -> str:
    """A drawing as a file of its own: on white, with its size, fonts and hatching."""
    head, _, rest = element.partition(">")
    _, _, width, height = map(float, head.partition('viewBox="')[2].partition('"')[0].split())
    space = 'xmlns="http://www.w3.org/2000/svg" font-family="DejaVu Sans, Verdana, Arial, sans-serif"'
    size = f'width="{width_mm:g}mm" height="{width_mm * height / width:.1f}mm"'
    ground = f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>'
    return f"{head.replace('<svg', f'<svg {space} {size}', 1)}>\n{PATTERN}\n{ground}{rest}\n"


def write_svg(path: Path, element: str, width_mm: float = 190.0) -> Path:
    """Write a drawing as a file, whose folder is there, and return its path."""
    write(path, standalone(element, width_mm))
    return path


def path(way: str, style: str, name: str = "") -> str:
    """A path; `name` is its class."""
    return f'<path{_named(name)} d="{way}" {style}/>'


def shape(kind: int, x: float, y: float, style: str = 'fill="#fff" stroke="#000"', name: str = "") -> str:
    """One of the shapes that tell lines apart, around a point."""
    way = SHAPES[kind % len(SHAPES)]
    return f'<path{_named(name)} d="{way}" transform="translate({x:.1f} {y:.1f})" {style}/>'


def rectangle(x: float, y: float, width: float, height: float, style: str, name: str = "") -> str:
    """A rectangle by its upper left corner and size."""
    return f'<rect{_named(name)} x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" {style}/>'


def circle(x: float, y: float, radius: float, style: str, name: str = "") -> str:
    """A circle around a point."""
    return f'<circle{_named(name)} cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" {style}/>'


def text(x: float, y: float, words: str, style: str = "", *, anchor: str = "start", upwards: bool = False) -> str:
    """Words from a point on their base line; `anchor` start, middle or end; read upwards if so."""
    place = f'x="{x:.1f}" y="{y:.1f}"'
    if upwards:
        place = f'transform="translate({x:.1f} {y:.1f}) rotate(-90)"'
    placed = f'{place} text-anchor="{anchor}"' if anchor != "start" else place
    return f"<text {placed}{' ' if style else ''}{style}>{escape(words)}</text>"


def clipped(x: float, y: float, width: float, height: float, parts: Iterable[str]) -> list[str]:
    """Pieces in coordinates of a rectangle's own, cut off at its edge."""
    box = f'x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"'
    return [f'<svg {box} overflow="hidden">', *parts, "</svg>"]


def _named(name: str) -> str:
    return f' class="{name}"' if name else ""


def words_width(words: str, size: float) -> float:
    """About how wide words are, which depends on the reader's font."""
    return len(words) * size * LETTER_WIDTH


def path_of(xs: Floats, ys: Floats) -> str:
    """A path through points."""
    points = [f"{x:.1f} {y:.1f}" for x, y in zip(xs, ys, strict=True)]
    # A point on its own is drawn as a dot by a line of no length with round ends.
    return "M" + "L".join(points if len(points) > 1 else points * 2)


def stretches(value: Floats) -> list[slice]:
    """Runs of finite values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.isfinite(value).astype(int), [0]])))
    return [slice(int(start), int(stop)) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def thinned(across: Floats, value: Floats) -> tuple[Floats, Floats]:
    """At most about `MOST_POINTS` points that keep every peak and dip, as shape (n,) each.

    Of each stretch of the curve the lowest and the highest point stay, and the first and last point of all.
    """
    if across.size <= MOST_POINTS:
        return across, value
    kept = {0, across.size - 1}
    for stretch in np.array_split(np.arange(across.size), MOST_POINTS // 2):
        part = value[stretch]
        if np.isnan(part).all():
            kept.add(int(stretch[0]))
            continue
        kept |= {int(stretch[np.nanargmin(part)]), int(stretch[np.nanargmax(part)])}
    order = np.array(sorted(kept))
    return across[order], value[order]
