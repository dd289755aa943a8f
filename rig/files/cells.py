"""Text for whatever program opens it: it steers no terminal, and a cell of a table is never taken for a formula."""

import csv
import re
from collections.abc import Iterable
from typing import TextIO

#: What would steer a terminal (control characters, and marks that turn the direction of writing) is left out:
#: it has no width of its own, so a sign in its place would push the end of a table's cell out of sight.
STEERING = dict.fromkeys(
    {*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A)} - {ord("\n"), ord("\t")},
    "",
)
#: A spreadsheet takes a cell that begins so for a formula, and runs it; so do those of some languages with the wide
#: forms. An apostrophe before it makes it text (OWASP, "CSV Injection").
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
#: Where a formula would begin within a cell: a spreadsheet that takes semicolons for the ends of cells, as most do
#: where numbers have a comma, begins a cell there.
WITHIN = re.compile(r"(?<=[;\t\r\n])(?= *[=+\-@\uff1d\uff0b\uff0d\uff20])")


def safe(cell: object) -> object:
    """A cell as it may be written; numbers stay what they are."""
    if not isinstance(cell, str):
        return cell
    text = WITHIN.sub("'", cell.translate(STEERING))
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA) else text


def write_csv(file: TextIO, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    """Write a table; what is None stays empty."""
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([safe(cell) for cell in row] for row in rows)
