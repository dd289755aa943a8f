"""The tidy tables as files: CSV for everything, Parquet where it is installed, and what each column is."""

from collections.abc import Callable, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from rig.files.cells import safe
from rig.files.disk import why, write
from rig.files.errors import RecordError, TableError
from rig.store.index import Tell
from rig.store.selection import Selection
from rig.study import tables

if TYPE_CHECKING:
    import pandas as pd

TABLES: dict[str, Callable[[Path, Selection, Tell], "pd.DataFrame"]] = {
    "runs": tables.runs,
    "readings": tables.readings,
    "curves": tables.curves,
}


def refuse_without_parquet() -> None:
    """Refuse to write Parquet where what writes it is not installed.

    Raises
    ------
    TableError
        What to install.
    """
    if find_spec("pyarrow") is None:
        raise TableError("--parquet: pyarrow is not installed; it comes with: pip install 'kitproof[parquet]'")


def write_tables(
    workspace: Path, selection: Selection, folder: Path, names: Sequence[str], *, parquet: bool, tell: Tell
) -> list[tuple[Path, int]]:
    """Write tables and `dictionary.csv`; each file, and how many rows it has.

    Raises
    ------
    RecordError
        If one cannot be written.
    """
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in names:
            found = TABLES[name](workspace, selection, tell)
            write(folder / f"{name}.csv", csv_text(found))
            written.append((folder / f"{name}.csv", len(found)))
            if parquet:
                write(folder / f"{name}.parquet", found.to_parquet(None, index=False))
                written.append((folder / f"{name}.parquet", len(found)))
        words = tables.dictionary()
        write(folder / "dictionary.csv", csv_text(words))
        return [*written, (folder / "dictionary.csv", len(words))]
    except OSError as error:
        raise RecordError(f"{folder}: the tables could not be written: {why(error)}") from None


def csv_text(found: "pd.DataFrame") -> str:
    """A table as CSV; no text of it is a formula to a spreadsheet, and a number is written to its last bit."""
    texts = found.select_dtypes(["object", "string", "category"])
    cells = found.assign(**{str(name): texts[name].map(safe) for name in texts})
    return str(cells.to_csv(index=False, lineterminator="\n"))
