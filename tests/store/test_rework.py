"""Rework: noted between runs, linked to the next, and told whether it helped; runs with nothing done are counted."""

import json
import os
import shutil
from pathlib import Path

import pytest
from simulated_runs import ROOT, verified
from typer.testing import CliRunner

from rig import cli
from rig.design.kit import load_kit
from rig.files.errors import RecordError
from rig.store.delivery import _storable
from rig.store.rework_notes import about_next, failed, helped, note, reworks


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "limits", tmp_path / "limits")
    return tmp_path


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A workspace with the smallest kit, for whole runs."""
    shutil.copytree(ROOT / "tests" / "archive" / "limits", tmp_path / "limits")
    return tmp_path


def test_half_a_character_is_noted_as_a_sign_that_every_store_takes(tmp_path: Path) -> None:
    """It can come with what a page is sent; no database and no encoding has it."""
    shutil.copytree(ROOT / "tests" / "archive", tmp_path, dirs_exist_ok=True)
    path = note(tmp_path, load_kit(tmp_path, "shelf-one"), "SO-0001", "glued\ud800 it", "A\udc41")
    said = json.loads(path.read_bytes())
    assert (said["words"], said["by"]) == ("glued? it", "A?")
    assert _storable({"words": "a\0b\ud800", "number": 1}) == {"words": "a\ufffdb?", "number": 1}


def test_a_rework_is_linked_to_the_next_run_and_to_no_other(shelf: Path) -> None:
    home = shelf / "results" / "shelf-one" / "SO-0001"
    kit = load_kit(shelf, "shelf-one")
    _, first = verified(shelf, "shelf-one", "SO-0001", ["reversed:box:tweeter"])
    assert first.rework == ()
    assert first.runs_untouched == 1
    assert first.before is None

    note(shelf, kit, "SO-0001", "turned  the left tweeter's leads", "jig 1")
    _, second = verified(shelf, "shelf-one", "SO-0001")
    (linked,) = second.rework
    assert (linked.words, linked.by) == ("turned the left tweeter's leads", "jig 1")
    assert linked.after == first.run
    assert second.runs_untouched == 1
    assert second.before.outcome == "fail"
    assert "polarity driver polarity box tweeter" in second.before.failed
    assert helped(second.before.failed, failed(second)).startswith("it helped: nothing")

    _, third = verified(shelf, "shelf-one", "SO-0001")
    assert third.rework == ()
    assert third.runs_untouched == 2
    assert about_next(home).runs_untouched == 3


def test_what_helped_is_told() -> None:
    assert helped(["a", "b"], []) == "it helped: nothing that failed before fails now"
    assert helped(["a", "b"], ["b"]) == "it helped in part: 1 of 2 no longer fail"
    assert helped(["a"], ["a"]) == "it did not help: all that failed before still fails"
    assert helped(["a"], ["c"]) == "it helped: nothing that failed before fails now; new: c"
    assert helped([], []) == "nothing failed before it"
    assert "not known" in helped(["a"], [], not_measured=True)


def test_a_note_needs_words_a_serial_and_a_run(bench: Path) -> None:
    kit = load_kit(bench, "booth-two")
    for serial, words, told in (
        ("BT-0001", " ", "found no words"),
        ("BT-0001", "glued", "a rework follows a run"),
        ("../x", "glued", "is not one of kit"),
    ):
        with pytest.raises(RecordError, match=told):
            note(bench, kit, serial, words)
    run = CliRunner().invoke(cli.app, ["rework", "BT-0001", "glued", "--workspace", str(bench)])
    assert "no record of 'BT-0001'" in str(run.exception)


def test_a_note_of_a_later_version_is_told_apart_from_a_damaged_one(tmp_path: Path) -> None:
    later = {"schema": "kitproof rework 2", "words": "glued", "photograph": "a.png"}
    (tmp_path / "rework-001.json").write_text(json.dumps(later), encoding="utf-8")
    found, (told,) = reworks(tmp_path)
    assert found == []
    assert "schema: found 'kitproof rework 2'; this version reads 'kitproof rework 1'" in told


@pytest.mark.parametrize("text", ["", "{", "[]", '{"at": 1}', "[" * 100_000], ids=lambda text: text[:6])
def test_a_note_that_cannot_be_read_is_named_and_left_out(tmp_path: Path, text: str) -> None:
    (tmp_path / "rework-001.json").write_text(text, encoding="utf-8")
    os.mkfifo(tmp_path / "rework-003.json")
    note = {"at": "2026-01-01T10:00:00+00:00", "words": "glued", "by": "", "after": "x"}
    (tmp_path / "rework-002.json").write_text(json.dumps(note), encoding="utf-8")
    found, told = reworks(tmp_path)
    assert [one.words for one in found] == ["glued"]
    assert len(told) == 2
    assert "rework-001.json: not a note of a rework" in told[0]
    assert "rework-003.json: not a note of a rework, left out" in told[1]
    assert about_next(tmp_path).set_aside == tuple(told)
