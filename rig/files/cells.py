"""Tables as CSV for whatever program opens them: a cell of text is never taken for a formula."""

import csv
from collections.abc import Iterable
from typing import TextIO

#: A spreadsheet takes a cell that begins so for a formula, and runs it. An apostrophe before it makes it text
#: (OWASP, "CSV Injection").
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe(cell: object) -> object:
    """A cell as it may be written; numbers stay what they are."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell


def write_csv(file: TextIO, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    """Write a table; what is None stays empty."""
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([safe(cell) for cell in row] for row in rows)
