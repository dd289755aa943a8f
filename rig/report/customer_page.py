"""The one page that goes with a unit to its owner: what it is, that it was tested, how, and with what result."""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import checks
from checks.response import FREE_FIELD_LEVEL
from rig.design.kit import Kit
from rig.drawing.panels import Band, Line, Panel, curve_axes, figure
from rig.drawing.pdf import FONT, MARGIN_MM, PAGE_HEIGHT_MM, PAGE_MM, new_document, place, printable, unprintable
from rig.drawing.svg import GREY, MEASURED
from rig.files.cells import STEERING
from rig.files.disk import read_bytes, why, write
from rig.files.pictures import picture_trouble
from rig.report.codes import draw_bars, draw_squares
from rig.report.figures import shown_mask
from rig.report.languages import Translate, translating
from rig.store.records import sha256
from rig.store.run_json import Maker, Record, ResultEntry
from rig.values.readings import Curve
from rig.values.run import Run
from rig.values.verdicts import Outcome, Verdict

if TYPE_CHECKING:
    from rig.drawing.pdf import Document

WORDS: dict[Outcome, tuple[str, str]] = {
    "pass": ("PASSED", "This unit measures like its design, within the limits stated for the kit."),
    "fail": ("FAILED", "This unit does not measure like its design."),
    "void": ("NOT PROVED", "These measurements say neither that the unit is right nor that it is wrong."),
}
MARKS: dict[Outcome, str] = {"pass": "passed", "fail": "failed", "void": "not proved"}
MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
#: Of the fingerprint so much is printed to be read by eye; the code holds all of it; layout.
SHOWN_HASH = 16
#: Panels beside each other, their height in the drawing's units, and room around what is shown; layout.
COLUMNS, PANEL_HEIGHT, ROOM = 2, 150.0, 0.35
#: Panels on the page at most; a kit of more boxes shows its first; layout.
MOST_PANELS = 6
#: Of lines of text, in millimetres; layout.
LINE_MM, SMALL_MM = 5.2, 4.2
WIDTH_MM = PAGE_MM - 2 * MARGIN_MM


def write_customer_page(path: Path, record: Record, run: Run, kit: Kit) -> Path:
    """Write the page of a run as PDF: one A4 page, vector, with the words as text.

    Parameters
    ----------
    record, run, kit
        What run.json holds; the run with its curves and verdicts; the kit it was judged by.
    """
    maker = record.maker or Maker()
    say = translating(maker.language)
    at = datetime.fromisoformat(record.finished_at)
    with new_document(f"{say('Test certificate')} {record.serial}", at) as document:
        document.set_lang(maker.language)
        document.add_page()
        y_mm = _head(document, record, maker, say)
        y_mm = _verdict(document, record, say, y_mm)
        y_mm = _tested(document, record, kit, say, y_mm)
        _figures(document, run, say, y_mm)
        _foot(document, record, maker, say, at)
        write(path, bytes(document.output()))
    return path


def _head(document: "Document", record: Record, maker: Maker, say: Translate) -> float:
    """Maker, what the paper is, the unit and its code; the height at which the rest begins."""
    # One that cannot be drawn is in records of former versions.
    if maker.logo and not _picture_trouble(record.folder / maker.logo):
        document.image(str(record.folder / maker.logo), x=MARGIN_MM, y=MARGIN_MM, h=14, w=50, keep_aspect_ratio=True)
    _write(document, maker.name, (MARGIN_MM, MARGIN_MM), size=12, is_bold=True, align="R")
    for n, line in enumerate(maker.address.splitlines()):
        _write(document, line, (MARGIN_MM, MARGIN_MM + LINE_MM + n * SMALL_MM), size=8.5, align="R")
    y_mm = MARGIN_MM + 20
    _write(document, say("Test certificate"), (MARGIN_MM, y_mm), size=22, is_bold=True)
    _write(document, record.kit.title, (MARGIN_MM, y_mm + 10), size=12)
    _write(document, f"{record.kit.name}, {say('revision')} {record.kit.revision}", (MARGIN_MM, y_mm + 16), size=9)
    _write(document, f"{say('serial number')} {record.serial}", (MARGIN_MM, y_mm), size=12, is_bold=True, align="R")
    draw_bars(document, record.serial, PAGE_MM - MARGIN_MM - 62, y_mm + 7, (62, 12))
    return y_mm + 24


def _picture_trouble(path: Path) -> str:
    try:
        return picture_trouble(read_bytes(path))
    except OSError as error:
        return why(error)


def _verdict(document: "Document", record: Record, say: Translate, y_mm: float) -> float:
    word, meaning = WORDS[record.outcome]
    document.set_line_width(0.9 if record.outcome == "pass" else 1.6)
    document.set_dash_pattern(*((2, 1.5) if record.outcome == "void" else (0, 0)))
    document.rect(MARGIN_MM, y_mm, WIDTH_MM, 19)
    document.set_dash_pattern()
    _shape(document, record.outcome, MARGIN_MM + 5, y_mm + 4, 11)
    _write(document, say(word), (MARGIN_MM + 21, y_mm + 3), size=19, is_bold=True)
    _write(document, say(meaning), (MARGIN_MM + 21, y_mm + 12), size=9.5)
    y_mm += 23
    if record.bench.get("kind") == "simulated":
        words = "Simulated bench: these measurements were computed and say nothing about a real unit."
        _write(document, say(words), (MARGIN_MM, y_mm), size=9.5, is_bold=True)
        y_mm += LINE_MM
    return y_mm


def _tested(document: "Document", record: Record, kit: Kit, say: Translate, y_mm: float) -> float:
    """A line for each check, and what was not tested."""
    _write(document, say("What was tested"), (MARGIN_MM, y_mm), size=11, is_bold=True)
    y_mm += 6
    for entry in record.results:
        _shape(document, entry.outcome, MARGIN_MM, y_mm + 0.9, 2.8)
        _write(document, say(entry.title), (MARGIN_MM + 5, y_mm), size=9.5)
        _write(document, say(MARKS[entry.outcome]), (MARGIN_MM + 92, y_mm), size=9.5, is_bold=True)
        _write(document, _result_words(entry, say), (MARGIN_MM + 124, y_mm), size=8.5)
        y_mm += LINE_MM
    titles = {check.NAME: check.TITLE for check in checks.ALL}
    done = {entry.check for entry in record.results}
    left_out = [table.get("check", name) for name, table in kit.checks.items() if name not in done]
    if left_out:
        names = "; ".join(say(titles.get(name, name)) for name in left_out)
        words = say("Not tested: {names}.").format(names=names)
        document.set_font(FONT, size=8.5)
        document.set_xy(MARGIN_MM, y_mm + 0.5)
        document.multi_cell(WIDTH_MM, SMALL_MM, printable(words), align="L")
        y_mm = document.get_y()
    return y_mm + 2


def _result_words(entry: ResultEntry, say: Translate) -> str:
    count = len(entry.verdicts)
    bad = sum(verdict.outcome == "fail" for verdict in entry.verdicts)
    if bad:
        return say("{bad} of {count} readings outside their limits").format(bad=bad, count=count)
    if entry.outcome != "pass" or not count:
        return say("could not be measured")
    one = say("1 reading inside its limits")
    return one if count == 1 else say("{count} readings inside their limits").format(count=count)


def _figures(document: "Document", run: Run, say: Translate, y_mm: float) -> None:
    panels = list(_panels(run, say))[:MOST_PANELS]
    if not panels:
        return
    room_mm = PAGE_HEIGHT_MM - MARGIN_MM - 30 - y_mm
    rows = -(-len(panels) // COLUMNS)
    # As high as there is room for.
    height = min(PANEL_HEIGHT, room_mm / WIDTH_MM * 720 / rows - 4)
    y_mm += place(document, figure(panels, min(COLUMNS, len(panels)), height), MARGIN_MM, y_mm, WIDTH_MM)
    _write(document, say("grey: where the curve has to lie; line: this unit"), (MARGIN_MM, y_mm), size=8)


def _panels(run: Run, say: Translate) -> Iterator[Panel]:
    """Level and impedance of each box, each where a limit judges it, on a scale on which that is an area."""
    wanted = ((FREE_FIELD_LEVEL, "Level in front of the box"), ("level", "Level in front of the box"))
    found = {
        (curve.quantity, curve.subject): (curve, verdict)
        for result in run.results
        for verdict in result.verdicts
        if verdict.mask is not None
        for curve in result.read.curves
        if (curve.quantity, curve.subject) == (verdict.quantity, verdict.subject)
    }
    levels = next((q for q, _ in wanted if any(quantity == q for quantity, _ in found)), "")
    for quantity, title in ((levels, wanted[0][1]), ("impedance", "Impedance")):
        for (of, subject), (curve, verdict) in found.items():
            if of == quantity:
                yield _panel(curve, verdict, f"{say(title)}: {subject}", say)


def _panel(curve: Curve, verdict: Verdict, title: str, say: Translate) -> Panel:
    mask = shown_mask(verdict)
    assert mask is not None
    first, last = mask.frequency_hz[0], mask.frequency_hz[-1]
    inside = (curve.frequency_hz >= first) & (curve.frequency_hz <= last)
    at_hz, value = curve.frequency_hz[inside], np.where(curve.valid, curve.value, np.nan)[inside]
    edges = [np.where(np.isfinite(edge), edge, np.nan) for edge in (mask.lower, mask.upper)]
    across, up = curve_axes(at_hz, [value, *edges], curve.unit)
    lines = (Line(at_hz, value, "", MEASURED),)
    across = replace(across, words=say("frequency in Hz"))
    return Panel(title, across, up, lines, (Band(mask.frequency_hz, mask.lower, mask.upper, "", GREY),))


def _foot(document: "Document", record: Record, maker: Maker, say: Translate, at: datetime) -> None:
    y_mm = PAGE_HEIGHT_MM - MARGIN_MM - 22
    document.set_line_width(0.3)
    fields = (("tested by", record.by), ("place", maker.place), ("date", date_words(at, say)), ("signature", ""))
    across_mm = (WIDTH_MM - 26) / len(fields)
    for n, (name, text) in enumerate(fields):
        x_mm = MARGIN_MM + n * across_mm
        _write(document, text, (x_mm, y_mm), size=9.5)
        document.line(x_mm, y_mm + 6, x_mm + across_mm - 4, y_mm + 6)
        _write(document, say(name), (x_mm, y_mm + 6.5), size=8)
    whole = sha256(record.folder / "run.json")
    words = say("The code holds the serial number and the fingerprint of the stored record: {hash}")
    _write(document, words.format(hash=whole[:SHOWN_HASH]), (MARGIN_MM, y_mm + 17), size=7.5)
    if unprintable(outside_words(record)):
        words = say("Each ? in a name stands for a letter that this font has not; the report shows it.")
        _write(document, words, (MARGIN_MM, y_mm + 13), size=7.5)
    draw_squares(document, code_words(record.serial, whole), PAGE_MM - MARGIN_MM - 24, y_mm - 1, 24)


def outside_words(record: Record) -> str:
    """All words on the page that somebody else has written."""
    maker = record.maker or Maker()
    return " ".join((maker.name, maker.address, maker.place, record.kit.title, record.kit.revision, record.by))


def code_words(serial: str, fingerprint: str) -> str:
    """What the square code holds."""
    return f"serial {serial} record {fingerprint}"


def date_words(at: datetime, say: Translate) -> str:
    """A date in the words of a language."""
    return say("{day} {month} {year}").format(day=at.day, month=say(MONTHS[at.month - 1]), year=at.year)


def _write(
    document: "Document",
    words: str,
    at_mm: tuple[float, float],
    *,
    size: float,
    is_bold: bool = False,
    align: str = "L",
) -> None:
    words = printable(" ".join(words.split()).translate(STEERING))
    document.set_font(FONT, "B" if is_bold else "", size)
    document.set_xy(*at_mm)
    room_mm = PAGE_MM - MARGIN_MM - at_mm[0]
    # What is too long for its line is set smaller, never cut.
    if (across_mm := document.get_string_width(words) + 2 * document.c_margin) > room_mm:
        document.set_font(FONT, "B" if is_bold else "", size * room_mm / across_mm)
    document.cell(room_mm, LINE_MM, words, align=align)


def _shape(document: "Document", outcome: Outcome, x_mm: float, y_mm: float, size_mm: float) -> None:
    """The shape of a verdict: a disc, a square, an open triangle."""
    if outcome == "pass":
        document.ellipse(x_mm, y_mm, size_mm, size_mm, style="F")
    elif outcome == "fail":
        document.rect(x_mm, y_mm, size_mm, size_mm, style="F")
    else:
        high_mm = size_mm * math.sqrt(3) / 2
        document.set_line_width(size_mm / 9)
        corners = ((x_mm + size_mm / 2, y_mm), (x_mm + size_mm, y_mm + high_mm), (x_mm, y_mm + high_mm))
        document.polygon(corners, style="D")
