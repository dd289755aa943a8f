"""Reads the reference tables beside these tests: a `# source:` line, a header, then values."""

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a table by column name. A table without a source line is refused."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as table:
        source = table.readline()
        if not source.startswith("# source:"):
            raise ValueError(f"{name}.csv: the first line is {source!r}; a line '# source: ...' is needed")
        return list(csv.DictReader(table))


def numbers(row: dict[str, str], *columns: str) -> tuple[float, ...]:
    """Some columns of a row as numbers."""
    return tuple(float(row[column]) for column in columns)
