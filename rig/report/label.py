"""Labels for units, and the sheet of the bench's codes: bars that a scanner reads, and words that a person does."""

from collections.abc import Mapping
from datetime import datetime
from io import BytesIO
from pathlib import Path

from rig.drawing.pdf import FONT, MARGIN_MM, PAGE_MM, font_path, new_document
from rig.files.disk import write
from rig.report.codes import QUIET_BARS, bars, draw_bars
from rig.report.customer_page import MARKS, date_words
from rig.report.languages import translating
from rig.store.run_json import Maker, Record

#: Of a printer of labels, in dots an inch (common practice, no source).
PRINTER_DPI = 300
MM_PER_INCH = 25.4
#: A module of bars narrower than this is not read by usual scanners (common practice, no source).
NARROWEST_BAR_MM = 0.19
#: Smallest label that words and bars fit, in millimetres; layout.
SMALLEST_MM = (25.0, 10.0)
#: Of a label's height: its margin, and the bars; layout.
MARGIN_SHARE, BARS_SHARE = 0.06, 0.5


def narrowest_mm(text: str) -> float:
    """How wide a label has to be for a code, so that its bars are wide enough to be read."""
    return (len(bars(text)) + 2 * QUIET_BARS) * NARROWEST_BAR_MM


def write_label(folder: Path, record: Record, size_mm: tuple[float, float]) -> tuple[Path, Path]:
    """Write the label of a unit as PDF and PNG, with serial, its code, verdict and date.

    Raises
    ------
    ValueError
        If it is too small for words or bars; the message says how large it has to be.
    """
    width_mm, height_mm = size_mm
    need_mm = max(narrowest_mm(record.serial), SMALLEST_MM[0])
    if width_mm < need_mm or height_mm < SMALLEST_MM[1]:
        raise ValueError(f"at least {need_mm:.0f} by {SMALLEST_MM[1]:.0f} mm for {record.serial!r}")
    at, say = datetime.fromisoformat(record.finished_at), translating((record.maker or Maker()).language)
    words = f"{say(MARKS[record.outcome])}, {date_words(at, say)}"
    pdf, png = folder / f"label-{record.serial}.pdf", folder / f"label-{record.serial}.png"
    _pdf(pdf, record.serial, words, size_mm, at)
    _png(png, record.serial, words, size_mm)
    return pdf, png


def _pdf(path: Path, serial: str, words: str, size_mm: tuple[float, float], at: datetime) -> None:
    width_mm, height_mm = size_mm
    with new_document(serial, at) as document:
        document.set_margin(0)
        document.add_page(format=size_mm, orientation="P" if height_mm >= width_mm else "L")
        edge_mm, text_mm = MARGIN_SHARE * height_mm, height_mm * (1 - BARS_SHARE - 3 * MARGIN_SHARE) / 2
        draw_bars(document, serial, 0, edge_mm, (width_mm, BARS_SHARE * height_mm))
        for n, (text, style) in enumerate(((serial, "B"), (words, ""))):
            size_pt = 0.85 * text_mm * 72 / MM_PER_INCH
            document.set_font(FONT, style, size_pt)
            across_mm = document.get_string_width(text) + 2 * document.c_margin
            document.set_font(FONT, style, size_pt * min(1.0, 0.96 * width_mm / across_mm))
            document.set_xy(0, 2 * edge_mm + BARS_SHARE * height_mm + n * text_mm)
            document.cell(width_mm, text_mm, text, align="C")
        write(path, bytes(document.output()))


def _png(path: Path, serial: str, words: str, size_mm: tuple[float, float]) -> None:
    from PIL import Image, ImageDraw, ImageFont

    width, height = (round(side * PRINTER_DPI / MM_PER_INCH) for side in size_mm)
    picture = Image.new("1", (width, height), 1)
    pen, modules = ImageDraw.Draw(picture), bars(serial)
    # A whole number of dots a module: printers blur what lies between.
    dots = width // (len(modules) + 2 * QUIET_BARS)
    left, top = (width - dots * len(modules)) // 2, round(MARGIN_SHARE * height)
    below = top + round(BARS_SHARE * height)
    for n, module in enumerate(modules):
        if module == "1":
            pen.rectangle((left + n * dots, top, left + (n + 1) * dots - 1, below), fill=0)
    room = height * (1 - BARS_SHARE - 3 * MARGIN_SHARE) / 2
    for n, (text, font) in enumerate(((serial, font_path("B")), (words, font_path()))):
        size = 0.85 * room
        across = ImageFont.truetype(str(font), round(size)).getlength(text)
        shown = ImageFont.truetype(str(font), max(round(size * min(1.0, 0.96 * width / across)), 1))
        pen.text((width / 2, below + top + (n + 0.5) * room), text, fill=0, font=shown, anchor="mm")
    drawn = BytesIO()
    picture.save(drawn, "png", dpi=(PRINTER_DPI, PRINTER_DPI))
    write(path, drawn.getvalue())


def write_code_sheet(path: Path, codes: Mapping[str, str], at: datetime) -> Path:
    """Write a page of codes to scan at the bench: what each does -> its code."""
    with new_document("Codes of the bench", at) as document:
        document.add_page()
        document.set_font(FONT, "B", 18)
        document.set_xy(MARGIN_MM, MARGIN_MM)
        document.cell(PAGE_MM - 2 * MARGIN_MM, 10, "Codes of the bench")
        for n, (words, code) in enumerate(codes.items()):
            # So far apart that a scanner held at one cannot take its neighbour.
            y_mm = MARGIN_MM + 22 + n * 60
            draw_bars(document, code, MARGIN_MM, y_mm, (90, 26))
            document.set_font(FONT, "B", 16)
            document.set_xy(MARGIN_MM + 96, y_mm + 4)
            document.cell(80, 10, words)
            document.set_font(FONT, "", 11)
            document.set_xy(MARGIN_MM + 96, y_mm + 15)
            document.cell(80, 6, code)
        write(path, bytes(document.output()))
    return path
