"""Captures taken out of records: nothing is lost wherever that is cut off, and what is gone is told."""

import hashlib
import json
import shutil
import weakref
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from stored_runs import stored_runs
from typer.testing import CliRunner

from rig import cli
from rig.commands import capability
from rig.design.kit import ArchiveSpec
from rig.files.errors import RecordError
from rig.store import packing, records
from rig.store.archived import note_path, words_of
from rig.store.run_json import Record

ARCHIVE = Path(__file__).parents[1] / "archive"
KEPT, DROPPED = ArchiveSpec(), ArchiveSpec(captures="dropped")


@pytest.fixture
def record(tmp_path: Path) -> Record:
    """A record with its captures; the rest of its workspace is there too."""
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("index.*", "SO-000[234]"))
    return records.unit_records(tmp_path, "SO-0001")[0]


def captures(record: Record) -> dict[str, bytes]:
    return {entry.file: (record.folder / entry.file).read_bytes() for entry in record.captures}


def test_packed_captures_are_no_damage_and_come_back_to_the_last_bit(record: Record, tmp_path: Path) -> None:
    whole, packs = captures(record), tmp_path / "packs"
    assert packing.pack_away(record, KEPT, packs) == sum(map(len, whole.values()))
    assert list((record.folder / "captures").iterdir()) == []
    assert records.damages(record) == []
    with pytest.raises(RecordError, match=r"captures were packed away on .*; kitproof archive --bring-back SO-0001"):
        list(records.load_captures(record))
    assert packing.bring_back(record) == len(whole)
    assert captures(record) == whole
    assert words_of(record) == ""
    assert len(list(records.load_captures(record))) == len(whole)
    # Once more: the pack is there already.
    packing.pack_away(record, KEPT, packs)
    packs.rename(tmp_path / "elsewhere")
    with pytest.raises(RecordError, match="No such file"):
        packing.bring_back(record)
    packing.bring_back(record, tmp_path / "elsewhere")
    assert captures(record) == whole


def test_dropped_captures_are_told_wherever_they_are_asked_for(record: Record, tmp_path: Path) -> None:
    packing.pack_away(record, DROPPED, tmp_path / "packs")
    assert not (tmp_path / "packs").exists()
    assert records.damages(record) == []
    for words, status in ((["show"], 0), (["rejudge"], 3)):
        done = CliRunner().invoke(cli.app, [*words, "SO-0001", "--workspace", str(tmp_path)])
        told = done.output if status == 0 else str(done.exception)
        assert "dropped on" in " ".join(told.split())
        assert "cannot be judged again" in " ".join(told.split())
    with pytest.raises(RecordError, match="dropped on"):
        packing.bring_back(record)


def test_of_thinned_units_one_in_so_many_is_kept() -> None:
    rule = ArchiveSpec(captures="thinned", keep_one_of=5)
    kept = [serial for serial in range(2000) if packing.is_kept(rule, f"BT-{serial:04d}")]
    assert 330 < len(kept) < 470
    assert kept == [serial for serial in range(2000) if packing.is_kept(rule, f"BT-{serial:04d}")]


def cut_off_at(step: int, work: Callable[..., Any]) -> Callable[..., Any]:
    """Work whose turn of this number ends as a power cut would end it."""
    left = [step]

    def cut(*given: Any, **named: Any) -> Any:
        left[0] -= 1
        if left[0] < 0:
            raise KeyboardInterrupt
        return work(*given, **named)

    return cut


@pytest.mark.parametrize("rule", [KEPT, DROPPED], ids=["kept", "dropped"])
@pytest.mark.parametrize(("what", "step"), [("write", 0), ("write", 1), ("unlink", 0), ("unlink", 3), ("sync", 0)])
def test_a_pass_that_is_cut_off_loses_nothing_and_goes_on(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rule: ArchiveSpec, what: str, step: int
) -> None:
    whole = captures(record)
    with monkeypatch.context() as patch:
        if what == "unlink":
            unlink = cut_off_at(step, Path.unlink)
            taken_out = lambda path, **named: unlink(path, **named) if path.parent.name == "captures" else None  # noqa: E731
            patch.setattr(Path, "unlink", taken_out)
        else:
            patch.setattr(packing, what, cut_off_at(step, getattr(packing, what)))
        if rule is KEPT or (what, step) != ("write", 1):
            with pytest.raises(KeyboardInterrupt):
                packing.pack_away(record, rule, tmp_path / "packs")
    there = {name for name in whole if (record.folder / name).exists()}
    # Either the note is there, or nothing has gone.
    assert note_path(record.folder).exists() or there == set(whole)
    assert records.damages(record) == []
    packing.pack_away(record, rule, tmp_path / "packs")
    assert list((record.folder / "captures").iterdir()) == []
    assert records.damages(record) == []
    if rule is KEPT:
        packing.bring_back(record)
        assert captures(record) == whole


def test_a_capture_that_was_changed_stays(record: Record, tmp_path: Path) -> None:
    path = record.folder / record.captures[0].file
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    for rule in (KEPT, DROPPED):
        with pytest.raises(RecordError, match="was changed after the run, so it stays"):
            packing.pack_away(record, rule, tmp_path / "packs")
    assert len(captures(record)) == len(record.captures)


def test_a_pack_that_was_changed_is_refused_and_nothing_is_deleted_for_it(record: Record, tmp_path: Path) -> None:
    packing.pack_away(record, KEPT, tmp_path / "packs")
    packing.bring_back(record)
    [pack] = (tmp_path / "packs").rglob("*.tar")
    pack.write_bytes(pack.read_bytes()[:-1] + b"x")
    for work in (lambda: packing.pack_away(record, KEPT, tmp_path / "packs"), lambda: packing.bring_back(record)):
        with pytest.raises(RecordError, match="is not what it was"):
            work()
    assert len(captures(record)) == len(record.captures)


def test_a_note_about_another_record_accounts_for_nothing(record: Record, tmp_path: Path) -> None:
    packing.pack_away(record, DROPPED, tmp_path)
    path = note_path(record.folder)
    path.write_text(path.read_text("utf-8").replace(records.sha256(record.folder / "run.json"), "0" * 64), "utf-8")
    assert len(records.damages(record)) == len(record.captures)
    with pytest.raises(RecordError, match=r"is missing|was changed after the run"):
        list(records.load_captures(record))


def test_the_command_packs_what_passed_and_is_old(tmp_path: Path) -> None:
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("index.*"))
    # Of the archive's day.
    for path in tmp_path.glob("results/*/*/2*/run.json"):
        path.write_text(path.read_text("utf-8").replace("2026-11-29T", "2020-11-29T"), "utf-8")
        path.parent.rename(path.parent.with_name(path.parent.name.replace("2026", "2020")))
    asked = ["archive", "--workspace", str(tmp_path), "--older-than", "100"]
    assert "--to: missing" in str(CliRunner().invoke(cli.app, asked).exception)
    done = CliRunner().invoke(cli.app, [*asked, "--to", str(tmp_path / "packs")])
    assert done.exit_code == 0, done.output
    assert "3 runs: the captures of 3 are packed" in done.output
    taken = [path.name for path in tmp_path.glob("results/*/*/archived-*.json")]
    assert len(taken) == len(list((tmp_path / "packs").rglob("*.tar"))) == 3
    again = CliRunner().invoke(cli.app, [*asked, "--to", str(tmp_path / "packs")])
    assert "no run that passed is so old" in again.output
    back = CliRunner().invoke(cli.app, ["archive", "--workspace", str(tmp_path), "--bring-back", "SO-0001"])
    assert "captures are where they were" in back.output


def test_a_pack_of_another_workspace_is_never_written_over(record: Record, tmp_path: Path) -> None:
    packing.pack_away(record, KEPT, tmp_path / "packs")
    [pack] = (tmp_path / "packs").rglob("*.tar")
    packing.bring_back(record)
    note_path(record.folder).unlink()
    pack.write_bytes(b"captures of another unit")
    with pytest.raises(RecordError, match="found a pack of other captures"):
        packing.pack_away(record, KEPT, tmp_path / "packs")
    assert pack.read_bytes() == b"captures of another unit"
    assert len(captures(record)) == len(record.captures)


def test_a_note_reaches_no_file_but_the_record_s_captures(record: Record, tmp_path: Path) -> None:
    packing.pack_away(record, KEPT, tmp_path / "packs")
    packing.bring_back(record)
    (tmp_path / "mine.txt").write_text("mine", "utf-8")
    note = json.loads(note_path(record.folder).read_text("utf-8"))
    for name in ("../../../../mine.txt", "run.json"):
        note["files"] = {name: records.sha256(record.folder / name)}
        note_path(record.folder).write_text(json.dumps(note), "utf-8")
        with pytest.raises(RecordError, match="allowed: captures as that record has them"):
            packing.pack_away(record, KEPT, tmp_path / "packs")
        assert (record.folder / name).exists()


def test_what_was_to_be_dropped_is_kept_where_the_kit_now_has_it_so(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = captures(record)
    monkeypatch.setattr(Path, "unlink", cut_off_at(1, Path.unlink))
    with pytest.raises(KeyboardInterrupt):
        packing.pack_away(record, DROPPED, tmp_path / "packs")
    monkeypatch.undo()
    assert captures(record) == whole
    packing.pack_away(record, KEPT, tmp_path / "packs")
    packing.bring_back(record)
    assert captures(record) == whole


def test_a_pack_that_lacks_a_capture_brings_nothing_back(record: Record, tmp_path: Path) -> None:
    packing.pack_away(record, KEPT, tmp_path / "packs")
    [pack] = (tmp_path / "packs").rglob("*.tar")
    note = json.loads(note_path(record.folder).read_text("utf-8"))
    for content, told in ((b"no tar", "no pack of captures"), (packing._packed({}), "are not what they were")):
        pack.write_bytes(content)
        note["pack_sha256"] = hashlib.sha256(content).hexdigest()
        note_path(record.folder).write_text(json.dumps(note), "utf-8")
        with pytest.raises(RecordError, match=told):
            packing.bring_back(record)


def test_captures_of_an_older_run_come_back_too(record: Record, tmp_path: Path) -> None:
    whole, newer = captures(record), record.folder.with_name("2027-01-01T000000Z-002-abcd")
    shutil.copytree(record.folder, newer)
    said = json.loads((newer / "run.json").read_text("utf-8"))
    (newer / "run.json").write_text(json.dumps({**said, "run": newer.name, "run_number": 2}), "utf-8")
    packing.pack_away(record, KEPT, tmp_path / "packs")
    done = CliRunner().invoke(cli.app, ["archive", "--workspace", str(tmp_path), "--bring-back", "SO-0001"])
    assert f"{len(whole)} captures are where they were" in done.output
    assert captures(record) == whole


@pytest.mark.parametrize("days", ["0", "99999999", "99999999999999"])
def test_days_that_no_calendar_has_are_refused(tmp_path: Path, days: str) -> None:
    done = CliRunner().invoke(cli.app, ["archive", "--workspace", str(tmp_path), "--older-than", days])
    assert "Invalid value for '--older-than'" in done.output


def test_a_bad_pack_keeps_no_other_from_coming_back(tmp_path: Path) -> None:
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("index.*", "SO-000[134]"))
    first, second = records.unit_records(tmp_path, "SO-0002")
    whole = captures(second)
    for one in (first, second):
        packing.pack_away(one, KEPT, tmp_path / "packs")
    (tmp_path / "packs" / first.kit.name / first.serial / f"{first.run}.tar").write_bytes(b"no pack")
    done = CliRunner().invoke(cli.app, ["archive", "--bring-back", "SO-0002", "--workspace", str(tmp_path)])
    assert done.exit_code == 2
    assert f"{len(whole)} captures are where they were" in done.output
    assert f"{first.run}.tar: is not what it was" in done.output.replace("\n", " ")
    assert captures(second) == whole


@pytest.mark.parametrize("words", [["archive", "--older-than", "1"], ["capability", "shelf-one", "--plan", "bench"]])
def test_of_a_large_store_one_units_records_at_a_time_are_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    shutil.copytree(ARCHIVE / "limits", tmp_path / "limits")
    list(stored_runs(tmp_path, 8, retests=0, files=True))
    alive: set[int] = set()
    most, reading = [0], records.read_record

    def read(folder: Path) -> Record:
        found = reading(folder)
        alive.add(id(found))
        weakref.finalize(found, alive.discard, id(found))
        most.append(len(alive))
        return found

    monkeypatch.setattr(records, "read_record", read)
    more = ["--workspace", str(tmp_path)] + ["--to", str(tmp_path / "packs")] * (words[0] == "archive")
    done = CliRunner().invoke(cli.app, [*words, *more])
    assert done.exit_code in (0, 2), done.output
    assert len(most) > 5, "nothing was read"
    # The one before goes when the next is there.
    assert max(most) <= 2
    monkeypatch.setattr(capability, "MOST_RUNS", 7)
    if words[0] == "capability":
        assert "found 8 runs; allowed: 7 in one study" in str(CliRunner().invoke(cli.app, [*words, *more]).exception)
