"""A unit with damaged records, and a copy of a store, as the promise of `results/README.md` has them."""

import shutil
from pathlib import Path

import pytest

from hostile.ground import ARCHIVE, KIT, interrupt, newest_folder
from hostile.harm import as_owner
from hostile.page_requests import read_page
from hostile.promise import kitproof
from rig.page.station import Station
from rig.store.records import damages, read_record, unfinished, unit_records

SERIAL = "SO-0002"


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """The stored archive, of one unit."""
    shutil.copytree(ARCHIVE / "limits", tmp_path / "here" / "limits")
    shutil.copytree(ARCHIVE / "results" / KIT / SERIAL, tmp_path / "here" / "results" / KIT / SERIAL)
    return tmp_path / "here"


def test_the_next_run_says_what_could_not_be_read(archive: Path) -> None:
    damaged = newest_folder(archive, SERIAL)
    (damaged / "run.json").write_text("{", encoding="utf-8")
    at = ("--workspace", str(archive))
    assert kitproof("show", SERIAL, *at).status == 3
    assert kitproof("verify", KIT, SERIAL, "--plan", "bare", *at).status == 0
    record = read_record(newest_folder(archive, SERIAL))
    assert record.run_number == 3
    assert any(f"{damaged.name}/run.json: not valid JSON" in words for words in record.set_aside)
    assert kitproof("show", SERIAL, *at).status == 0


@pytest.mark.parametrize("mode", [0o000, 0o444, 0o333])
def test_a_units_folder_that_may_not_be_looked_into_is_told_and_keeps_no_other_from_being_listed(
    archive: Path, mode: int
) -> None:
    home, at = archive / "results" / KIT / SERIAL, ("--workspace", str(archive))
    shutil.copytree(ARCHIVE / "results" / KIT / "SO-0001", home.with_name("SO-0001"))
    home.chmod(mode)
    with as_owner():
        listed, shown = kitproof("results", "--json", *at), kitproof("show", SERIAL, *at)
        proved, done = kitproof("index", "--prove", *at), kitproof("verify", KIT, SERIAL, "--plan", "bare", *at)
    home.chmod(0o755)
    assert [run["serial"] for run in listed.document()] == ["SO-0001"]
    for one in (listed, shown, proved):
        assert f"{home}: cannot be read: Permission denied" in one.err
    assert (listed.status, shown.status, proved.status) == (0, 3, 2)
    # Nothing sounds where no record can be written, or its number is not known.
    assert (done.status, "stage:" in done.err) == (3, False)
    # It is known again as soon as it may be looked into.
    assert len(kitproof("results", "--json", *at).document()) == 3


@pytest.mark.parametrize("mode", [0o000, 0o444, 0o333])
def test_a_kits_folder_that_may_not_be_looked_into_is_told_and_known_again(archive: Path, mode: int) -> None:
    kit, at = archive / "results" / KIT, ("--workspace", str(archive))
    runs = kitproof("results", "--json", *at).out
    kit.chmod(mode)
    with as_owner():
        counted, listed = kitproof("index", *at), kitproof("results", "--json", *at)
    kit.chmod(0o755)
    assert (listed.status, counted.status) == (0, 0)
    assert f"{kit}: cannot be read: Permission denied" in listed.err
    assert "records cannot be read, kitproof results names them" in counted.out
    again = kitproof("results", "--json", *at)
    assert (again.out, again.err) == (runs, "")
    assert kitproof("index", *at).out.endswith("2 runs of 1 units\n")


def test_a_run_that_has_lost_its_record_is_named_in_the_list(archive: Path) -> None:
    lost = newest_folder(archive, SERIAL)
    (lost / "run.json").unlink()
    done = kitproof("results", "--json", "--workspace", str(archive))
    assert [run["run"] for run in done.document()] == [run.name for run in lost.parent.glob("2*") if run != lost]
    assert done.err == f"{SERIAL}/{lost.name}: its run.json is missing\n"


def test_the_page_tells_what_may_not_be_looked_into(archive: Path) -> None:
    (archive / "results" / KIT).chmod(0o000)
    with as_owner():
        told = read_page(archive, SERIAL, "any")
        scanned = Station(archive)
        scanned.listen("one", lambda: None)
        scanned.scan(SERIAL, "one", 0)
    (archive / "results" / KIT).chmod(0o755)
    assert f"{archive / 'results' / KIT}" in told["/units"]
    assert scanned.view.phase == "chosen", scanned.view


def test_a_store_that_is_copied_during_a_run_is_whole_but_for_that_run(archive: Path, tmp_path: Path) -> None:
    interrupt(archive, "SO-0102", "bare")
    at = ("--plan", "bare", "--workspace", str(archive))
    assert "kitproof resume SO-0102 goes on with it" in kitproof("verify", KIT, "SO-0102", *at).err
    copy = shutil.copytree(archive, tmp_path / "copy")
    assert [folder.parent.name for folder in unfinished(copy)] == ["SO-0102"]
    assert [damages(record) for record in unit_records(copy, SERIAL)] == [[], []]
    assert kitproof("index", "--prove", "--workspace", str(copy)).status == 0


def test_a_run_cut_off_whose_folder_may_not_be_entered_is_told_and_holds_up_nothing(archive: Path) -> None:
    interrupt(archive, "SO-0102", "bare")
    [cut_off], at = unfinished(archive), ("--workspace", str(archive))
    cut_off.chmod(0o000)
    with as_owner():
        listed, taken_up = kitproof("results", *at), kitproof("resume", "SO-0102", "--yes", *at)
        done = kitproof("verify", KIT, "SO-0102", "--plan", "bare", *at)
    cut_off.chmod(0o755)
    assert (listed.status, taken_up.status, done.status) == (0, 3, 0)
    assert cut_off.name in "".join(listed.out.split())
    assert f"{cut_off / 'checkpoint.json'}: cannot be read" in taken_up.err
    assert "kitproof resume SO-0102 goes on with it" in done.err
    assert unfinished(archive) == [cut_off]


def prove(workspace: Path) -> tuple[int, str]:
    """Exit status and words."""
    done = kitproof("index", "--prove", "--workspace", str(workspace))
    return done.status, done.err


def test_a_backup_is_made_proved_and_put_back(archive: Path, tmp_path: Path) -> None:
    at = ("--workspace", str(archive))
    assert kitproof("verify", KIT, "SO-0001", "--plan", "bare", *at).status == 0
    copy = shutil.copytree(archive, tmp_path / "copy")
    assert prove(copy) == (0, "")

    # A disk goes bad here: a capture, a record, a unit's folder.
    newest = newest_folder(archive, SERIAL)
    capture = min((newest / "captures").iterdir())
    capture.write_bytes(capture.read_bytes()[:-1])
    lost = newest_folder(archive, "SO-0001")
    shutil.rmtree(lost.parent)
    status, said = prove(archive)
    assert status == 2
    assert f"{newest}: captures/{capture.name} was changed after the run\n" in said
    assert f"{lost / 'run.json'}: is missing; " in said
    assert kitproof("rejudge", SERIAL, *at).status == 3

    # A copy that was damaged itself is not taken for a good one.
    worse = shutil.copytree(copy, tmp_path / "worse")
    record = newest_folder(worse, "SO-0001") / "run.json"
    record.write_bytes(record.read_bytes().replace(b'"outcome": "pass"', b'"outcome": "fail"', 1))
    status, said = prove(worse)
    assert (status, f"{record} was changed after the run" in said) == (2, True)

    # What is damaged is put back, folder by folder.
    for folder in (newest, lost.parent):
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(copy / folder.relative_to(archive), folder)
    assert prove(archive) == (0, "")
    assert kitproof("rejudge", SERIAL, *at).status == 0
    assert kitproof("verify", KIT, "SO-0001", "--plan", "bare", *at).status == 0
    assert prove(archive) == (0, "")


def test_a_unit_is_judged_again_in_a_copy(archive: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(archive, tmp_path / "copy")
    shutil.rmtree(archive)
    done = kitproof("rejudge", SERIAL, "--workspace", str(copy))
    assert (done.status, done.out.splitlines()[-1]) == (0, "then: pass; by today's limits: pass")


def test_a_heat_test_whose_record_could_not_be_put_in_its_place_is_taken_up_again(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = ("--workspace", str(archive))
    usual = Path.replace

    def failing(path: Path, to: Path) -> Path:
        if path.is_dir():
            raise OSError(5, "Input/output error")
        return usual(path, to)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", failing)
        done = kitproof("verify", KIT, SERIAL, "--plan", "heat", *at)
    assert done.status > 2, done
    assert kitproof("resume", "--yes", *at).status == 0
    assert unit_records(archive, SERIAL)[-1].outcome == "pass"
    assert kitproof("index", "--prove", *at).status == 0
    assert not unfinished(archive)
