"""The tidy tables as files: CSV for everything, Parquet where it is installed, and what each column is."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from importlib.util import find_spec
from pathlib import Path
from typing import IO, TYPE_CHECKING

from rig.files.cells import safe
from rig.files.disk import why, write, writing
from rig.files.errors import RecordError, TableError
from rig.store.index import Tell, once
from rig.store.selection import Selection
from rig.study import tables

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

TABLES: dict[str, Callable[..., "pd.DataFrame"]] = {
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
    """Write tables and `dictionary.csv`; each file, and how many rows it has. Some runs at a time are held in memory.

    Raises
    ------
    RecordError
        If one cannot be written.
    """
    written: list[tuple[Path, int]] = []
    tell = once(tell)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        parts = list(tables.parts(workspace, selection, tell))
        for name in names:
            found = (TABLES[name](workspace, selection, tell, part=part) for part in parts)
            paths = [folder / f"{name}.csv", *([folder / f"{name}.parquet"] if parquet else [])]
            rows = _write_parts(paths, found)
            written += [(path, rows) for path in paths]
        words = tables.dictionary()
        write(folder / "dictionary.csv", csv_text(words))
        return [*written, (folder / "dictionary.csv", len(words))]
    except OSError as error:
        raise RecordError(f"{folder}: the tables could not be written: {why(error)}") from None


def _write_parts(paths: Sequence[Path], parts: "Iterator[pd.DataFrame]") -> int:
    """Write a table part by part, as CSV and, to a second path, as Parquet; how many rows it has."""
    rows = 0
    with ExitStack() as stack:
        file, *others = [stack.enter_context(writing(path)) for path in paths]
        more: ParquetWriter | None = None
        for number, found in enumerate(parts):
            file.write(csv_text(found, with_header=number == 0).encode())
            for other in others:
                more = more or stack.enter_context(_parquet(other, found))
                more.write_table(_arrow(found, more.schema))
            rows += len(found)
    return rows


def _parquet(file: IO[bytes], found: "pd.DataFrame") -> "ParquetWriter":
    """A file for parts of a table like one of them."""
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

    few = pa.dictionary(pa.int32(), pa.string())
    like = _arrow(found, None).schema
    for place, field in enumerate(like):
        # Where the first part has nothing at all in a column, later ones have text.
        kind = (
            few if pa.types.is_dictionary(field.type) else pa.string() if pa.types.is_null(field.type) else field.type
        )
        like = like.set(place, field.with_type(kind))
    return ParquetWriter(file, like)


def _arrow(found: "pd.DataFrame", schema: "pa.Schema | None") -> "pa.Table":
    import pyarrow as pa

    if "at_most" in found and found["at_most"].dtype != bool:
        # Curves of older records say nothing of it, which alone would be taken for numbers.
        found = found.astype({"at_most": "boolean"})
    return pa.Table.from_pandas(found, schema, preserve_index=False)


def csv_text(found: "pd.DataFrame", *, with_header: bool = True) -> str:
    """A table as CSV; no text of it is a formula to a spreadsheet, and a number is written to its last bit."""
    texts = found.select_dtypes(["object", "string", "category"])
    cells = found.assign(**{str(name): texts[name].map(safe) for name in texts})
    return str(cells.to_csv(index=False, header=with_header, lineterminator="\n"))
