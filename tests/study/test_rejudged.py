"""Many stored runs judged anew: alike whoever shares the work, and told in one screen, as JSON and as CSV."""

import csv
import io
import json
import os
import shutil
import signal
from functools import partial
from multiprocessing import active_children
from pathlib import Path

import pytest
from rejudging_speed import cluster, repr_of
from stored_runs import stored_runs
from typer.testing import CliRunner

from rig.cli import app
from rig.commands.rejudge import _newest_runs
from rig.design.kit import load_kit
from rig.files.errors import RecordError, TableError
from rig.files.parallel import in_processes
from rig.store.run_json import Record
from rig.store.selection import Selection
from rig.study import rejudged as study
from rig.study.cluster import on_cluster
from rig.study.rejudged import Asked, Change, StoredRun, UnitRejudged, by_reading, changed_units, outcomes, rejudged
from rig.values.run import Run

KIT = "booth-two"
TRIED = '[limits.impedance]\n"lowest impedance" = { lower = 5.2, upper = 5.21 }\n'


@pytest.fixture(scope="module")
def store(workspace: Path, good_run: tuple[Run, Record], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs each of five units, whose files are one unit's."""
    folder = tmp_path_factory.mktemp("store")
    shutil.copytree(workspace / "limits", folder / "limits")
    (folder / "tried.toml").write_text(TRIED, encoding="utf-8")
    assert len({path.parent for path in stored_runs(folder, 10, good_run[1].folder, files=True, retests=1.0)}) == 5
    return folder


def asked(store: Path, *more: str) -> list[str]:
    return ["rejudge", KIT, "--all", "--workspace", str(store), "--limits", str(store / "tried.toml"), *more]


def runs_of(store: Path) -> list[StoredRun]:
    found = sorted((store / "results" / KIT).glob("BT-*/2*"))
    return [StoredRun(path.parent.name, path.name, "") for path in found]


def test_whoever_shares_the_work_the_units_come_to_the_same(store: Path) -> None:
    from rig.commands.rejudge import _document, _kit

    result = CliRunner().invoke(app, asked(store, "--json", "--workers", "1"), catch_exceptions=False)
    assert result.exit_code == 0
    limits = store / "tried.toml"
    alone = Asked(store.absolute(), _kit(store, KIT, limits))
    newest = _newest_runs(store, Selection(kit=KIT))
    assert [one.run.split("-")[3] for one in newest] == ["002"] * 5
    assert json.loads(result.stdout) == json.loads(json.dumps(_document(alone, limits, rejudged(alone, newest))))
    counts = json.loads(result.stdout)["outcomes"]
    assert (counts["pass"]["now"], sum(count["then"] for count in counts.values())) == (0, 5)


def test_what_changes_is_told_with_limits_then_and_now(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(RecordError, match="is not one of kit"):
        CliRunner().invoke(app, asked(store, "--serial", "XX-1"), catch_exceptions=False)
    from rig.commands.rejudge import _kit, _write_changes

    _write_changes(rejudged(Asked(store, _kit(store, KIT, store / "tried.toml")), runs_of(store)))
    rows = [row for row in csv.DictReader(io.StringIO(capsys.readouterr().out)) if row["unit_then"] == "pass"]
    changed = {(row["unit_then"], row["unit_now"], row["check"], row["quantity"], row["problem"]) for row in rows}
    assert changed == {("pass", "fail", "impedance", "lowest impedance", "")}
    assert {(row["limit_then"], row["limit_now"]) for row in rows} == {("at least 5.2 ohm", "5.2 to 5.21 ohm")}


def test_a_unit_that_cannot_be_judged_is_named_and_all_others_are_judged(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kit = load_kit(store, KIT)
    older, first, second = runs_of(store)[:3]
    home = tmp_path / "results" / KIT
    for one in (older, first, second):
        shutil.copytree(store / "results" / KIT / one.serial / one.run, home / one.serial / one.run)
    (home / first.serial / first.run / "run.json").write_text("{", encoding="utf-8")
    # No older run stands in for it, also where nothing has ever read it.
    chosen = _newest_runs(tmp_path, Selection(kit=KIT))
    assert [one.run for one in chosen] == [first.run, second.run]
    assert [one.run for one in _newest_runs(tmp_path, Selection(kit=KIT, serial=(second.serial,)))] == [second.run]
    assert _newest_runs(tmp_path, Selection(kit=KIT, serial=(f"{first.serial}..{second.serial}",))) == chosen
    (home / second.serial / second.run / "run.json").rename(tmp_path / "elsewhere")
    assert _newest_runs(tmp_path, Selection(kit=KIT)) == [*chosen[:1], StoredRun(second.serial, second.run, "")]
    (tmp_path / "elsewhere").rename(home / second.serial / second.run / "run.json")
    bad, good = rejudged(Asked(tmp_path, kit), chosen)
    assert "run.json" in bad.problem
    with monkeypatch.context() as patch:
        patch.setattr("rig.commands.rejudge._judged", lambda *of: [bad, good])
        done = CliRunner().invoke(app, asked(store))
    assert (done.exit_code, bad.problem in done.output) == (2, True)
    assert (bad.now, good.problem, good.now) == ("", "", good.then)
    # Nor does what nobody foresaw in one record end the others.
    judge = study.judge_stored
    monkeypatch.setattr(
        study,
        "judge_stored",
        lambda work, record, *of, **named: (
            {}[1] if record.serial == older.serial else judge(work, record, *of, **named)
        ),
    )
    odd, good = rejudged(Asked(tmp_path, kit), [older, second])
    assert "an error of the rig itself: KeyError" in odd.problem
    assert (odd.now, good.now) == ("", good.then)


def test_summaries_count_units() -> None:
    nan = float("nan")
    change = Change("leads", "Re", "left", "pass", "fail", 5.0, "ohm", nan, "", "", 1.0, -1.0, "")
    units = [
        UnitRejudged("A-1", "r", "pass", "fail", (change, change)),
        UnitRejudged("A-2", "r", "fail", "fail", (change,)),
        UnitRejudged("A-3", "r", "pass", problem="gone"),
    ]
    assert outcomes(units) == {"pass": (1, 0), "fail": (1, 2), "void": (0, 0)}
    assert [unit.serial for unit in changed_units(units)] == ["A-1"]
    assert by_reading(units) == {("leads", "Re", "pass", "fail"): 2}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["BT-0001", "--limits", "x.toml"], "option of --all"),
        (["BT-0001", "--outcome", "pass"], "option of --all"),
        ([KIT, "--all", "--json", "--csv"], "--json and --csv"),
        ([KIT, "--all", "--kit", "other"], "--kit: found 'other'"),
        ([KIT, "--all", "--dask", "tcp://127.0.0.1:9", "--workers", "2"], "--dask and --workers"),
    ],
)
def test_options_that_do_not_go_together_are_refused(store: Path, options: list[str], words: str) -> None:
    with pytest.raises(TableError, match=words):
        CliRunner().invoke(app, ["rejudge", *options, "--workspace", str(store)], catch_exceptions=False)


def test_processes_end_with_whoever_asked_them() -> None:
    before = set(active_children())
    assert list(in_processes(abs, [-1, 2, -3], 2)) == [1, 2, 3]
    found = in_processes(abs, range(100), 1)
    assert next(found) == 0
    with pytest.raises(KeyboardInterrupt):
        found.throw(KeyboardInterrupt)
    assert set(active_children()) == before


def test_a_cluster_gives_the_same_though_a_worker_is_killed_in_the_middle(store: Path) -> None:
    if not os.environ.get("KITPROOF_REQUIRE_CLUSTER"):
        pytest.importorskip("distributed")
    judge = partial(rejudged, Asked(store, load_kit(store, KIT), all_again=False))
    shares = [[run] for run in runs_of(store)]
    with cluster(2) as (address, workers):
        found = on_cluster(judge, shares, address)
        first = [next(found)]
        os.kill(workers[0], signal.SIGKILL)
        told = [*first, *found]
    assert repr_of(told) == repr_of([judge(share) for share in shares])


def test_an_address_without_a_scheduler_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("rig.study.cluster.PATIENCE_S", 0.2)
    with pytest.raises(TableError, match="where no scheduler answers"):
        next(on_cluster(abs, [1], "tcp://127.0.0.1:9"))
