"""What `kitproof results` and `kitproof index` print: tables for people, CSV and JSON for programs."""

import csv
import io
import json
import shutil
from pathlib import Path

import pytest
from stored_runs import stored_runs
from typer.testing import CliRunner

from rig import cli
from rig.commands import results
from rig.files.errors import TableError

ARCHIVE = Path(__file__).parents[1] / "archive"


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """The stored archive without its captures."""
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("*.wav", "index.*"))
    return tmp_path


def said(workspace: Path, *words: str) -> str:
    done = CliRunner().invoke(cli.app, [*words, "--workspace", str(workspace)])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_csv_and_json_say_the_same(archive: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(said(archive, "results", "--csv"))))
    found = json.loads(said(archive, "results", "--json"))
    assert len(found) == 5
    assert [row["run"] for row in rows] == [one["run"] for one in found]
    assert [{key: str(value) for key, value in one.items()} for one in found] == rows


def test_a_long_list_shows_the_newest_and_says_how_many_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = [path.parent.name for path in stored_runs(tmp_path, 12, retests=0)]
    monkeypatch.setattr(results, "ROWS", 5)
    shown = said(tmp_path, "results")
    assert [serial for serial in made if serial in shown] == made[-5:]
    assert "the newest 5 of 12 runs; --rows 0 lists all" in shown
    everything = said(tmp_path, "results", "--rows", "0")
    assert all(serial in everything for serial in made)
    assert "newest" not in everything


def test_filters_are_asked_for_as_options(tmp_path: Path) -> None:
    list(stored_runs(tmp_path, 30, retests=0))
    asked = ("--serial", "SO-000002..SO-000011", "--serial", "SO-000020", "--by", "Ada", "--by", "Ben", "--json")
    found = json.loads(said(tmp_path, "results", *asked))
    assert found
    assert {one["by"] for one in found} <= {"Ada", "Ben"}
    assert {one["serial"] for one in found} <= {*(f"SO-{n:06d}" for n in (*range(2, 12), 20))}


def test_index_tells_what_it_holds(archive: Path) -> None:
    assert "5 runs of 4 units" in said(archive, "index")
    assert "5 runs of 4 units" in said(archive, "index", "--rebuild")
    junk = archive / "results" / "shelf-one" / "SO-0009" / "x"
    junk.mkdir(parents=True)
    (junk / "run.json").write_text("{", encoding="utf-8")
    assert "1 records cannot be read" in said(archive, "index")


@pytest.mark.parametrize(
    ("words", "there_is"),
    [
        (("--plan", "nightly"), "bare, bench, heat, quick"),
        (("--check", "impedence"), "distortion, heat, hum_and_noise, impedance"),
        (("--by", "bench-1", "--by", "Nobody"), "bench-1"),
        (("--bench", "attic"), "there is"),
    ],
)
def test_a_name_that_nothing_has_is_refused_with_those_there_are(
    archive: Path, words: tuple[str, ...], there_is: str
) -> None:
    for command in (["results"], ["export", str(archive / "out")]):
        done = CliRunner().invoke(cli.app, [*command, *words, "--workspace", str(archive)])
        assert isinstance(done.exception, TableError)
        assert f"{words[-2]}: found {words[-1]!r}; there is: " in str(done.exception)
        assert there_is in str(done.exception)


def test_a_plan_that_a_kit_has_may_have_no_run_yet(archive: Path) -> None:
    kit = archive / "limits" / "shelf-one" / "kit.toml"
    text = kit.read_text(encoding="utf-8")
    kit.write_text(text.replace("[plans]\n", '[plans]\nnightly = ["leads"]\n', 1), encoding="utf-8")
    assert json.loads(said(archive, "results", "--plan", "nightly", "--json")) == []
    # Nor is any name wrong where nothing was ever measured.
    assert json.loads(said(archive / "limits", "results", "--by", "Ada", "--json")) == []
