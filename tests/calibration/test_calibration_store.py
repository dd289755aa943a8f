"""The store of calibrations: dated files of their own, never changed, and what is wrong with one is told."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hostile.harm import as_owner
from hypothesis import given
from hypothesis import strategies as st

from rig.calibration.storage import Cause, Stored, bench_folder, combined, read_store, save, stored
from rig.files.errors import BenchError

ONE = Stored(
    "output",
    "playing",
    "bench by the window",
    "2026-03-01T10:00:00+01:00",
    "output_volts",
    2.013,
    "V",
    0.006,
    made_with={"device": "ALSA, Card, 48000 Hz", "outputs": {"left": 1}},
    budget=(Cause("meter, 1 % of reading", 0.577), Cause("last digit", 0.01)),
    details={"frequency_hz": 110.0},
)


def test_what_is_saved_comes_back(tmp_path: Path) -> None:
    path = save(tmp_path, ONE)
    assert path == tmp_path / "results/.bench/bench by the window/output/2026-03-01T100000.json"
    (found,) = stored(tmp_path, ONE.bench)
    assert replace(found, path=None) == ONE
    assert found.path == path


def test_nothing_is_overwritten_and_the_oldest_comes_first(tmp_path: Path) -> None:
    # Winter and summer time: an hour earlier by the clock is an hour later in truth.
    later = replace(ONE, made_at="2026-03-01T09:30:00-05:00", value=3.0)
    paths = [save(tmp_path, one) for one in (later, ONE, replace(ONE, value=2.1))]
    assert len(set(paths)) == 3
    assert [one.value for one in stored(tmp_path, ONE.bench)] == [2.013, 2.1, 3.0]


def test_benches_are_kept_apart(tmp_path: Path) -> None:
    save(tmp_path, ONE)
    save(tmp_path, replace(ONE, bench="another"))
    assert [one.bench for one in stored(tmp_path, "another")] == ["another"]
    assert stored(tmp_path, "a third") == []


@given(st.text(min_size=1, max_size=30).filter(lambda name: name.strip()), st.text(min_size=1, max_size=30))
def test_every_name_has_a_folder_of_its_own_inside_the_store(one: str, other: str) -> None:
    root = Path("/w/results/.bench")
    if not one.isprintable() or not other.isprintable():
        return
    folders = [bench_folder(Path("/w"), name) for name in (one, other)]
    assert all(folder.parent == root and folder.name not in (".", "..") for folder in folders)
    assert (folders[0] == folders[1]) == (one == other)


@pytest.mark.parametrize("name", [".", "..", "a/b", "../x", ".hidden", "c:\\x", "bench."])
def test_no_name_leads_out_of_the_store(name: str) -> None:
    folder = bench_folder(Path("/w"), name)
    assert folder.parent == Path("/w/results/.bench")
    assert not folder.name.startswith(".")


@pytest.mark.parametrize(
    "change",
    [
        {"schema": "something else"},
        {"bench": "another"},
        {"kind": "thermometer"},
        {"value": "much"},
        {"made_at": "yesterday"},
        {"made_at": "2026-03-01T10:00:00"},
        {"budget": [{"cause": "meter"}]},
        {"kind": "sense", "details": {"frequency_hz": [10.0]}},
        {"kind": "microphone", "details": {"response": {"frequency_hz": "many"}}},
        {"kind": "loopback", "details": []},
        {"color": "green"},
    ],
)
def test_a_file_that_is_no_calibration_is_told_by_name(tmp_path: Path, change: dict) -> None:
    path = save(tmp_path, ONE)
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}))
    found, (damaged,) = read_store(tmp_path, ONE.bench)
    assert (found, damaged.kind, damaged.is_empty) == ([], ONE.kind, False)
    assert f"{path}: not a calibration" in damaged.words


@pytest.mark.parametrize("mode", [0o444, 0o333, 0])
def test_a_calibration_in_a_folder_that_may_not_be_entered_or_listed_is_told_by_name(tmp_path: Path, mode: int) -> None:
    path = save(tmp_path, ONE)
    path.parent.chmod(mode)
    with as_owner():
        found, (damaged,) = read_store(tmp_path, ONE.bench)
    path.parent.chmod(0o755)
    assert (found, damaged.kind, damaged.is_empty) == ([], ONE.kind, False)
    assert str(path.parent) in damaged.words
    assert "Permission denied" in damaged.words


@pytest.mark.parametrize("text", ["", "{", "[]", "\x00\xff"])
def test_a_broken_file_is_told(tmp_path: Path, text: str) -> None:
    path = save(tmp_path, ONE)
    path.write_text(text, encoding="latin-1")
    good = save(tmp_path, replace(ONE, value=3.0))
    found, (damaged,) = read_store(tmp_path, ONE.bench)
    assert ([one.path for one in found], damaged.path, damaged.is_empty) == ([good], path, not text)


@pytest.mark.parametrize(
    ("key", "words"), [("made_with", "made_with"), ("relative_standard_uncertainty", "uncertainty")]
)
def test_a_missing_key_is_told(tmp_path: Path, key: str, words: str) -> None:
    path = save(tmp_path, ONE)
    document = json.loads(path.read_text())
    del document[key]
    path.write_text(json.dumps(document))
    assert f"{words}: missing" in read_store(tmp_path, ONE.bench)[1][0].words


def test_the_comparison_on_a_known_load_of_before_still_counts(tmp_path: Path) -> None:
    folder = tmp_path / "results/.bench"
    folder.mkdir(parents=True)
    old = {
        "schema": "kitproof known load 1",
        "bench": "bench by the window",
        "load_ohm": 8.2,
        "made_at": "2026-01-01T10:00:00+01:00",
        "frequency_hz": [10.0, 20000.0],
        "ratio_real": [1.0, 1.01],
        "ratio_imag": [0.0, 0.02],
    }
    (folder / "known-load-2026-01-01T100000.json").write_text(json.dumps(old))
    (found,) = stored(tmp_path, "bench by the window")
    assert (found.kind, found.value, found.uncertainty) == ("sense", 8.2, None)
    assert stored(tmp_path, "another") == []
    (folder / "known-load-2026-01-02T100000.json").write_text(json.dumps({**old, "ratio_real": None, "schema": 3}))
    assert "2026-01-02" in read_store(tmp_path, "bench by the window")[1][0].words
    # A damaged one of another bench says nothing against this one.
    (folder / "known-load-2026-01-02T100000.json").write_text(json.dumps({**old, "ratio_real": None}))
    assert read_store(tmp_path, "another") == ([], [])


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("a file where a folder should be")
    with pytest.raises(BenchError, match="cannot be written"):
        save(tmp_path, ONE)


def test_causes_add_up_as_the_root_of_the_sum_of_squares() -> None:
    assert combined((Cause("a", 3.0), Cause("b", 4.0))) == pytest.approx(0.05)
    assert combined(()) == 0.0
