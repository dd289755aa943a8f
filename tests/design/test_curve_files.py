"""A builder's own files of columns: as the centre of a mask, and in the reference build."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from rig.cli import app
from rig.commands.reference import reference_command
from rig.design.kit import load_kit
from rig.design.limits import Limit, mask_for, read_masks, reference_note
from rig.files.errors import TableError
from rig.values.readings import Curve
from rig.verdict.judge import judge_curve, limit_words

ROOT = Path(__file__).parents[2]
AROUND_FILE = Limit(centre="mine.txt", within=[[100.0, 1000.0, 10.0, 10.0]], percent=True)
GRID = np.geomspace(50.0, 5000.0, 81)


def impedance(ohm: float, unit: str = "ohm") -> Curve:
    return Curve("impedance", "left", GRID, np.full(GRID.size, ohm), unit, np.ones(GRID.size, bool))


#: 8 ohm throughout, as a spreadsheet with decimal commas writes it.
EIGHT_OHM = "Hz;Ohm;Grad\n" + "\n".join(f"{f:.3f};8,0;1".replace(".", ",") for f in GRID)


def written(folder: Path, text: str = EIGHT_OHM) -> Path:
    path = folder / "mine.txt"
    path.write_text(text, encoding="utf-8")
    return path


def test_windows_around_a_file(tmp_path: Path) -> None:
    written(tmp_path)
    mask = mask_for(AROUND_FILE, impedance(8.5), tmp_path, "impedance", "")
    np.testing.assert_allclose([mask.lower[0], mask.upper[0], mask.centre[0]], [7.2, 8.8, 8.0])
    assert judge_curve(impedance(8.5), mask, AROUND_FILE)[0].outcome == "pass"
    assert judge_curve(impedance(9.0), mask, AROUND_FILE)[0].outcome == "fail"
    assert limit_words(AROUND_FILE, "ohm") == "±10 % around mine.txt"
    with pytest.raises(TableError, match="found a magnitude in ohm; allowed here: dB"):
        mask_for(AROUND_FILE, impedance(8.0, "dB SPL"), tmp_path, "response", "")


def test_a_file_that_is_wrong_is_told_when_the_kit_is_loaded(tmp_path: Path) -> None:
    written(tmp_path, "20 4\n30 five\n")
    with pytest.raises(TableError, match=r"line 2: found '30 five'.*the mask of limits.impedance.impedance"):
        read_masks({"impedance": {"impedance": AROUND_FILE}}, tmp_path)
    with pytest.raises(TableError, match=r"nowhere.txt: cannot be read"):
        read_masks({"impedance": {"impedance": AROUND_FILE.model_copy(update={"centre": "nowhere.txt"})}}, tmp_path)


def test_a_reference_from_a_file_is_good_on_any_bench_and_nothing_of_a_bench_cancels(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "limits" / "booth-two", tmp_path / "limits" / "booth-two")
    before = reference_note(tmp_path / "limits" / "booth-two")
    path = written(tmp_path)
    reference_command("booth-two", workspace=tmp_path, files=[f"impedance left={path}"])
    kit = load_kit(tmp_path, "booth-two")
    limit = Limit(around="reference", within=[[100.0, 1000.0, 10.0, 10.0]], percent=True)
    note = reference_note(kit.folder)
    assert (note.runs, note.bench) == (before.runs, before.bench)
    mask = mask_for(limit, impedance(8.0), kit.folder, "impedance", "another bench", kit.files)
    assert mask.elsewhere
    assert mask.centre[0] == pytest.approx(8.0)
    # What was measured of units stays, and is good on its own bench only.
    right = Curve("impedance", "right", GRID, np.full(GRID.size, 8.0), "ohm", np.ones(GRID.size, bool))
    assert not mask_for(limit, right, kit.folder, "impedance", note.bench, kit.files).elsewhere
    with pytest.raises(LookupError, match="another bench"):
        mask_for(limit, right, kit.folder, "impedance", "another bench", kit.files)
    # The former reference build is kept.
    assert len(list(kit.folder.glob("reference-of-*"))) == 1
    uncertain = Curve(
        "impedance", "left", GRID, np.full(GRID.size, 8.0), "dB SPL", np.ones(GRID.size, bool), absolute=False
    )
    assert judge_curve(uncertain, mask, limit)[0].outcome == "void"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ["--file", "impedanz left=mine.txt"],
            "--file: found 'impedanz left=mine.txt'; allowed: READING=FILE with one",
        ),
        (["--file", "impedance left"], "allowed: READING=FILE"),
        ([], "found serials and files, or none of them"),
        (["--file", "impedance left=nowhere.txt"], "nowhere.txt: cannot be read"),
    ],
)
def test_what_cannot_be_a_reference_is_told(arguments: list[str], words: str) -> None:
    result = CliRunner().invoke(app, ["reference", "booth-two", "--workspace", str(ROOT), *arguments])
    assert words in str(result.exception)
