"""Codes that a scanner reads, as bars and squares: Code 128 (ISO/IEC 15417) and QR (ISO/IEC 18004)."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.drawing.pdf import Document

#: Light room that a code needs on either side, in modules: ISO/IEC 15417 asks for 10, ISO/IEC 18004 for 4.
QUIET_BARS, QUIET_SQUARES = 10, 4


def bars(text: str) -> str:
    """The modules of a Code 128, "1" dark and "0" light, without the room around it.

    Raises
    ------
    ValueError
        If the code has no sign for a character.
    """
    from barcode.codex import Code128
    from barcode.errors import BarcodeError

    try:
        [modules] = Code128(text).build()
    except (BarcodeError, KeyError) as error:
        raise ValueError(f"{text!r} cannot be written as Code 128: {error}") from None
    return str(modules)


def squares(text: str) -> list[list[bool]]:
    """The modules of a QR code, row by row, True where it is dark, without the room around it."""
    import segno

    return [[bool(module) for module in row] for row in segno.make(text, error="m", micro=False).matrix]


def draw_bars(document: "Document", text: str, x_mm: float, y_mm: float, size_mm: tuple[float, float]) -> None:
    """Draw a Code 128 into a box of width and height, the light room included."""
    modules = bars(text)
    module_mm = size_mm[0] / (len(modules) + 2 * QUIET_BARS)
    for begin, end in runs_of_dark([one == "1" for one in modules]):
        left_mm = x_mm + (QUIET_BARS + begin) * module_mm
        document.rect(left_mm, y_mm, (end - begin) * module_mm, size_mm[1], style="F")


def draw_squares(document: "Document", text: str, x_mm: float, y_mm: float, size_mm: float) -> None:
    """Draw a QR code into a square, the light room included."""
    rows = squares(text)
    module_mm = size_mm / (len(rows) + 2 * QUIET_SQUARES)
    for n, row in enumerate(rows):
        for begin, end in runs_of_dark(row):
            left_mm, top_mm = (x_mm + (QUIET_SQUARES + begin) * module_mm, y_mm + (QUIET_SQUARES + n) * module_mm)
            document.rect(left_mm, top_mm, (end - begin) * module_mm, module_mm, style="F")


def runs_of_dark(modules: Sequence[bool]) -> list[tuple[int, int]]:
    """Begin and end of each run of dark modules, so that none is drawn with a seam."""
    edges = [n for n in range(len(modules) + 1) if (n > 0 and modules[n - 1]) != (n < len(modules) and modules[n])]
    return list(zip(edges[::2], edges[1::2], strict=True))
