"""Tidy tables: what the records say, each column with its unit, and no cell that a spreadsheet would run."""

import csv
import io
import math
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from stored_records import all_records
from typer.testing import CliRunner

from rig import cli
from rig.files.cells import safe, write_csv
from rig.files.errors import TableError
from rig.store import records
from rig.store.recorded import read_curve
from rig.study import export, tables

ARCHIVE = Path(__file__).parents[1] / "archive"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The stored archive without its captures."""
    folder = tmp_path_factory.mktemp("archive")
    shutil.copytree(ARCHIVE, folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("*.wav", "index.*"))
    return folder


def test_readings_are_those_of_the_records(archive: Path) -> None:
    found = tables.readings(archive, tables.Selection(serial=("SO-0001",)))
    [record] = records.unit_records(archive, "SO-0001")
    numbers = [(one.check, read) for one in record.results for read in one.readings]
    told = found.set_index(["check", "quantity", "subject"])
    for check, read in numbers:
        row = told.loc[(check, read.quantity, read.subject)]
        assert row["value"] == read.value
        assert row["unit"] == read.unit
        assert row["uncertainty"] == read.uncertainty or math.isnan(read.uncertainty)
    judged = sum(len(one.verdicts) for one in record.results)
    assert found["outcome"].notna().sum() == judged


def test_curves_are_those_of_the_records_to_the_last_bit(archive: Path) -> None:
    found = tables.curves(archive, tables.Selection(outcome="fail"), is_wanted=lambda check, *_: check == "impedance")
    runs = {record.run: record for record in all_records(archive)[0] if record.outcome == "fail"}
    assert set(found["run"]) == set(runs)
    for (run, quantity, subject), points in found.groupby(["run", "quantity", "subject"], observed=True):
        [result] = [one for one in runs[run].results if one.check == "impedance"]
        [entry] = [one for one in result.curves if (one.quantity, one.subject) == (quantity, subject)]
        curve = read_curve(runs[run], entry)
        np.testing.assert_array_equal(points["frequency_hz"], curve.frequency_hz)
        np.testing.assert_array_equal(points["value"], curve.value)
        np.testing.assert_array_equal(points["valid"], curve.valid)


def test_a_curve_that_was_changed_is_left_out_and_told(archive: Path, tmp_path: Path) -> None:
    shutil.copytree(archive / "results", tmp_path / "results")
    [record] = records.unit_records(tmp_path, "SO-0001")
    next((record.folder / "curves").glob("impedance*")).write_text("frequency_hz,value,valid\n1,2,1\n", "utf-8")
    told: list[str] = []
    found = tables.curves(tmp_path, tables.Selection(serial=("SO-0001",)), told.append)
    assert found.empty
    assert list(found.columns) == list(tables.OF_POINT)
    assert "changed after the run" in told[0]


def test_every_column_says_what_it_is_and_in_which_unit(archive: Path) -> None:
    columns = set()
    for table in export.TABLES.values():
        columns |= set(table(archive, tables.ALL, lambda words: None).columns)
    assert columns == set(tables.MEANING)
    assert tables.dictionary().shape == (len(columns), 3)


def test_no_cell_is_a_formula() -> None:
    assert [safe(cell) for cell in ("=1+1", "+1", "-1", "@x", "\t=1", "BT-1", -1.5, None)] == [
        *("'=1+1", "'+1", "'-1", "'@x", "'\t'=1", "BT-1", -1.5, None)
    ]
    file = io.StringIO()
    write_csv(file, ["a", "b"], [["=cmd()", -2.0]])
    assert file.getvalue() == "a,b\n'=cmd(),-2.0\n"
    frame = pd.DataFrame({"by": pd.Categorical(["=1", "Ada"]), "value": [-1.0, 2.0]})
    assert export.csv_text(frame) == "by,value\n'=1,-1.0\nAda,2.0\n"


def test_export_writes_csv_with_a_dictionary(archive: Path, tmp_path: Path) -> None:
    words = ["export", str(tmp_path / "out"), "--workspace", str(archive), "--outcome", "pass", "--table", "runs"]
    done = CliRunner().invoke(cli.app, words)
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["dictionary.csv", "runs.csv"]
    with (tmp_path / "out" / "runs.csv").open(encoding="utf-8") as file:
        assert {row["outcome"] for row in csv.DictReader(file)} == {"pass"}
    assert "runs.csv: 3 rows" in done.output


def test_parquet_holds_the_same(archive: Path, tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    export.write_tables(archive, tables.ALL, tmp_path, ["readings"], parquet=True, tell=lambda words: None)
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "readings.parquet"), tables.readings(archive))


@pytest.mark.parametrize("name", export.TABLES)
def test_a_store_is_exported_in_parts_and_none_of_them_is_larger(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    make, lengths = export.TABLES[name], []
    whole = make(archive, tables.ALL, lambda words: None)

    def part(*about: object, **more: object) -> pd.DataFrame:
        found = make(*about, **more)
        lengths.append(found["run"].nunique())
        return found

    monkeypatch.setattr(tables, "RUNS_AT_ONCE", 2)
    monkeypatch.setitem(export.TABLES, name, part)
    parquet = export.find_spec("pyarrow") is not None
    export.write_tables(archive, tables.ALL, tmp_path, [name], parquet=parquet, tell=pytest.fail)
    assert max(lengths) == 2
    assert (tmp_path / f"{name}.csv").read_text("utf-8") == export.csv_text(whole)
    if parquet:
        stored = export.csv_text(pd.read_parquet(tmp_path / f"{name}.parquet"))
        assert stored == export.csv_text(whole)


@pytest.mark.parametrize("name", export.TABLES)
def test_of_each_part_the_index_is_asked_once_and_of_what_cannot_be_read_once_for_all(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Where its file cannot be written, each time that it is asked reads all folders of the store."""
    store, asked, told = tmp_path / "store", [0], []
    shutil.copytree(archive, store, ignore=shutil.ignore_patterns("index.*"))
    runs = sorted(store.glob("results/*/*/*/run.json"))
    runs[0].write_text("{", encoding="utf-8")
    parts = (len(runs) - 1) // 2 + 1
    usual = tables.ask

    def counted(*about: object) -> object:
        asked[0] += 1
        return usual(*about)

    monkeypatch.setattr(tables, "RUNS_AT_ONCE", 2)
    monkeypatch.setattr(tables, "ask", counted)
    export.write_tables(store, tables.ALL, tmp_path, [name], parquet=False, tell=told.append)
    assert asked[0] == parts + 2
    [words] = told
    assert words.startswith("left out: ")
    assert runs[0].parent.name in words


def test_without_parquet_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(export, "find_spec", lambda name: None)
    with pytest.raises(TableError, match=r"pip install 'kitproof\[parquet\]'"):
        export.refuse_without_parquet()
