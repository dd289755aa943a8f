"""Drawings as PDF: vector, with the font embedded, words that can be searched."""

import logging
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from rig.drawing.svg import HATCHED
from rig.files.disk import write

if TYPE_CHECKING:
    from fpdf import FPDF

    #: What pages are drawn on.
    Document = FPDF

SVG = "{http://www.w3.org/2000/svg}"
FONT = "Open Sans"
#: Margin, width and height of a page of A4, and the room between drawings; millimetres; by definition.
MARGIN_MM, PAGE_MM, PAGE_HEIGHT_MM, BETWEEN_MM = 15.0, 210.0, 297.0, 4.0
#: What hatching becomes, which the library cannot fill areas with.
HATCHED_GREY = "#dddddd"


@cache
def _signs() -> frozenset[int]:
    """What the font has."""
    from fontTools.ttLib import TTFont

    with TTFont(font_path(), lazy=True) as font:
        return frozenset(font.getBestCmap())


def unprintable(words: str) -> str:
    """The signs among some words that cannot be put on paper, each once: the font has them not."""
    if words.isascii():
        return ""
    words = unicodedata.normalize("NFC", words)
    # Letters that are joined or run from right to left would stand there wrongly, too.
    return "".join(dict.fromkeys(sign for sign in words if sign.isprintable() and not _is_printable(sign)))


def printable(words: str) -> str:
    """Words as they are put on paper: a ? for each sign that cannot be."""
    words = unicodedata.normalize("NFC", words)
    missing = unprintable(words)
    return words.translate(dict.fromkeys(map(ord, missing), "?")) if missing else words


def _is_printable(sign: str) -> bool:
    return ord(sign) in _signs() and unicodedata.bidirectional(sign) not in ("R", "AL", "AN")


@contextmanager
def new_document(title: str, made_at: datetime) -> Iterator["Document"]:
    """A document of A4 pages in millimetres, in the font that drawings use; its files are closed behind it."""
    from fpdf import FPDF

    # What its font has not it would tell on the screen, though `printable` has left nothing of it.
    logging.getLogger("fpdf").setLevel(logging.ERROR)
    document = FPDF(unit="mm", format="A4")
    document.set_margin(MARGIN_MM)
    document.set_auto_page_break(auto=False)
    document.set_title(title)
    document.set_creation_date(made_at)
    for style in ("", "B"):
        document.add_font(FONT, style, font_path(style))
    document.set_font(FONT, size=10)
    fonts: Any = document.fonts
    try:
        yield document
    finally:
        for font in fonts.values():
            font.close()


def font_path(style: str = "") -> Path:
    """The file of the font that drawings use; style "B" is the bold one."""
    import ttf_opensans

    return Path((ttf_opensans.OPENSANS_BOLD if style == "B" else ttf_opensans.OPENSANS_REGULAR).path)


def place(document: "Document", element: str, x_mm: float, y_mm: float, width_mm: float) -> float:
    """Draw an `<svg>` element of this package on the document's page; returns its height in millimetres."""
    from fpdf.svg import SVGObject

    root = ElementTree.fromstring(element.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    height_mm = width_mm * height / width
    _suit(root)
    root.set("width", f"{width_mm * document.k}")
    root.set("height", f"{height_mm * document.k}")
    SVGObject(ElementTree.tostring(root, encoding="unicode")).draw_to_page(document, x_mm, y_mm)
    return height_mm


def write_pdf(path: Path, elements: Sequence[str], title: str, made_at: datetime) -> Path:
    """Write drawings below each other into a file of A4 pages, whose folder is there, and return its path."""
    with new_document(title, made_at) as document:
        width_mm, y_mm = PAGE_MM - 2 * MARGIN_MM, PAGE_HEIGHT_MM
        for element in elements:
            _, _, width, height = map(float, element.partition('viewBox="')[2].partition('"')[0].split())
            if y_mm + width_mm * height / width > PAGE_HEIGHT_MM - MARGIN_MM:
                document.add_page()
                y_mm = MARGIN_MM
            y_mm += place(document, element, MARGIN_MM, y_mm, width_mm) + BETWEEN_MM
        write(path, bytes(document.output()))
    return path


def _suit(root: Any) -> None:
    """Change what the library cannot read: cut-outs become clipped groups, hatching a grey."""
    root.set("font-family", FONT)
    definitions = ElementTree.Element(f"{SVG}defs")
    for number, part in enumerate(list(root.iter(f"{SVG}svg"))[1:]):
        x, y, width, height = (part.attrib.pop(key) for key in ("x", "y", "width", "height"))
        clip = ElementTree.SubElement(definitions, f"{SVG}clipPath", {"id": f"clip{number}"})
        ElementTree.SubElement(clip, f"{SVG}rect", {"x": "0", "y": "0", "width": width, "height": height})
        part.tag = f"{SVG}g"
        part.set("transform", f"translate({x} {y})")
        for inner in part:
            if inner.tag != f"{SVG}text" and "transform" not in inner.attrib:
                inner.set("clip-path", f"url(#clip{number})")
    for part in root.iter():
        part.text = part.text and printable(part.text)
        if "paint-order" in part.attrib:
            # The rim would be drawn over the words.
            part.set("stroke", "none")
        if part.get("fill") == HATCHED.partition('"')[2].rstrip('"'):
            part.set("fill", HATCHED_GREY)
    root.insert(0, definitions)
