"""A batch: what is built into a store of drawn units is found in it, and told apart."""

import json
import math
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from stored_batch import Plan, stored_batch
from typer.testing import CliRunner

from rig import cli
from rig.calibration.storage import DailyDetails, Stored
from rig.files.errors import RecordError
from rig.report.words import moment
from rig.statistics import change
from rig.store.records import sha256
from rig.store.selection import Selection
from rig.study import batch_study
from rig.study import batch_words as words
from rig.study.batch import batch, causes, units_of, yields
from rig.study.batch_drift import Change, Series, drift, went_along, who_moved
from rig.study.batch_readings import RigSpread, number_spreads
from rig.study.batch_study import BatchStudy, study

ARCHIVE = Path(__file__).parents[1] / "archive" / "results" / "shelf-one" / "SO-0001"
#: Units with other woofers, and with a bench that drifts, in the drawn batch.
LOT, DRIFT = 20, 40


def template(folder: Path) -> Path:
    """A stored run whose verdicts say their limits, as today's do: some percent around what was read, and a mask."""
    run = folder / next(ARCHIVE.glob("2*")).name
    shutil.copytree(next(ARCHIVE.glob("2*")), run, ignore=shutil.ignore_patterns("*.wav"))
    found = json.loads((run / "run.json").read_bytes())
    for result in found["results"]:
        for said in result["verdicts"]:
            if said["quantity"] != "impedance" and isinstance(said["value"], float) and said["value"]:
                reach = 2.5 if said["unit"].startswith("dB") else 0.12 * abs(said["value"])
                said |= {"lower": said["value"] - reach, "upper": said["value"] + reach}
    (run / "run.json").write_text(json.dumps(found), encoding="utf-8")
    give_mask(run, "impedance", "20,3,60\n20000,3,60\n")
    return run


def give_mask(run: Path, quantity: str, rows: str) -> None:
    """Have a stored run's curves of a quantity judged by a mask: frequency, lower and upper edge a row."""
    name = f"masks/{quantity.replace(' ', '-')}.csv"
    (run / "masks").mkdir(exist_ok=True)
    (run / name).write_text(f"frequency_hz,lower,upper\n{rows}", encoding="utf-8")
    found = json.loads((run / "run.json").read_bytes())
    found["files"][name] = sha256(run / name)
    for said in (one for result in found["results"] for one in result["verdicts"] if one["quantity"] == quantity):
        said["mask"] = name
    (run / "run.json").write_text(json.dumps(found), encoding="utf-8")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """64 units of shelf-one: other woofers from the 21st on, a bench that drifts from the eighth day on."""
    workspace = tmp_path_factory.mktemp("batch")
    plan = Plan(64, lot_from=LOT, lot_fs=-0.06, drift_from=DRIFT, drift_db=-1.2, faulty=0.05, void=0.05, per_day=5)
    list(stored_batch(workspace, template(workspace / "template"), plan))
    return workspace


@pytest.fixture(scope="module")
def studied(store: Path) -> BatchStudy:
    return study(store, Selection(kit="shelf-one"), lambda said: None, orders=300)


def test_lot_and_bench_are_found_and_told_apart(studied: BatchStudy) -> None:
    by_mover = {cause.head.moved: cause for cause in studied.causes}
    lot, bench = by_mover["units"], by_mover["bench"]
    assert {one.series.key[1] for one in lot.changes} >= {"fs", "impedance"}
    assert abs(lot.head.before - LOT) <= 2
    assert "Another lot of woofers?" in words.change_sentence(studied, lot)
    assert "stood still: the units, not the bench" in words.change_sentence(studied, lot)
    assert {one.series.key[1] for one in bench.changes} >= {"sensitivity", "ping level"}
    assert DRIFT - 6 <= bench.head.before <= DRIFT + 10
    assert bench.head.step == pytest.approx(-1.2, abs=0.4)
    assert "the bench, not the units" in words.change_sentence(studied, bench)
    # Nothing else moved.
    assert set(by_mover) == {"units", "bench"}


def test_yields_and_causes_are_those_of_the_runs(studied: BatchStudy) -> None:
    units, runs = studied.batch.units, studied.batch.runs
    first = {}
    last = {}
    for run in runs.sort_values("run").itertuples():
        if run.outcome != "void":
            first.setdefault(run.serial, run.outcome)
            last[run.serial] = run.outcome
    assert list(units["serial"]) == [f"SO-{n:04d}" for n in range(1, 65)]
    shares = yields(units)
    assert (shares["first"].count, shares["first"].of) == (sum(one == "pass" for one in first.values()), 64)
    assert shares["last"].count == sum(one == "pass" for one in last.values())
    assert shares["last"].count > shares["first"].count
    assert sum(one.runs for one in studied.failures.void) == (runs["outcome"] == "void").sum() > 0
    # Reasons that differ in a number alone are one.
    assert len(studied.failures.void) == 1
    assert studied.failures.checks[0].units == max(one.units for one in studied.failures.checks)


def test_the_page_its_report_and_its_document(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found: list[BatchStudy] = []

    def once(*given: Any) -> BatchStudy:
        found[:] = found or [study(*given)]
        return found[0]

    monkeypatch.setattr(batch_study, "study", once)
    asked = ["batch", "shelf-one", "--workspace", str(store), "--serial", "SO-0001..SO-0020"]
    done = CliRunner().invoke(cli.app, [*asked, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["units"] == 20
    assert told["changes"] == []
    fs = next(row for row in told["readings"] if row["quantity"] == "fs")
    assert fs["ppk"][1] < fs["ppk"][0] < fs["ppk"][2]
    folder = Path(told["report"]).parent
    assert {path.name for path in folder.iterdir()} >= {"report.html", "units.csv", "readings.csv", "curves.csv"}
    assert len(pd.read_csv(folder / "units.csv")) == 20
    assert "<svg" in (folder / "report.html").read_text(encoding="utf-8")
    shown = CliRunner().invoke(cli.app, asked).stdout
    assert "nothing changed on the way" in shown
    assert max(map(len, shown.splitlines()[:-1])) <= 80


def test_few_units_say_what_cannot_be_said(store: Path) -> None:
    found = study(store, Selection(kit="shelf-one", serial=("SO-0001..SO-0004",)), lambda said: None)
    assert not found.is_charted
    assert any("are told from 10 on" in said for said in words.remarks(found))
    assert all(one.index is None for one in found.spreads)
    with pytest.raises(RecordError, match="no run of 'shelf-one' that these filters ask for"):
        study(store, Selection(kit="shelf-one", batch="none"), lambda said: None)


def test_filters_that_choose_units_by_their_end_say_so(store: Path) -> None:
    bad = batch(store, Selection(kit="shelf-one", outcome="fail"), lambda said: None)
    # All runs of such a unit, the ones that passed as well.
    assert set(bad.runs["outcome"]) >= {"fail", "pass"}
    assert any("chosen by how their runs ended" in said for said in bad.remarks)


def test_a_first_try_that_filters_leave_out_is_said(store: Path, tmp_path: Path) -> None:
    runs = batch(store, Selection(kit="shelf-one", outcome="fail"), lambda said: None).runs
    several = runs["serial"].value_counts().idxmax()
    shutil.copytree(store / "results" / "shelf-one" / several, tmp_path / "results" / "shelf-one" / several)
    # The first is put back by some days.
    first, *others = sorted(tmp_path.glob("results/shelf-one/*/2*/run.json"))
    found = json.loads(first.read_bytes())
    began = datetime.fromisoformat(found["started_at"]) - timedelta(days=9)
    first.write_text(json.dumps(found | {"started_at": began.isoformat()}), encoding="utf-8")
    late = Selection(kit="shelf-one", since=(began + timedelta(days=2)).date().isoformat())
    found = batch(tmp_path, late, lambda said: None)
    assert len(found.runs) == len(others) > 0
    (said,) = [said for said in found.remarks if "filters leave out" in said]
    assert said.startswith("1 unit was first measured in runs that")
    everything = batch(tmp_path, Selection(kit="shelf-one"), lambda said: None)
    assert not [said for said in everything.remarks if "filters leave out" in said]


def test_what_a_unit_takes_is_said_in_seconds_below_a_minute_and_a_moment_in_utc_without_zeros(
    studied: BatchStudy,
) -> None:
    units = studied.batch.units
    for minutes, said in (
        (0.1, ("seconds a unit", "6 (median), 6 (mean, all its runs)")),
        (1.5, ("minutes a unit", "1.5")),
    ):
        of = replace(studied.batch, units=units.assign(minutes=minutes))
        rows = dict(words.overview(replace(studied, batch=of)))
        assert rows[said[0]].startswith(said[1])
    assert moment("2026-03-04T10:14:10+00:00") == "2026-03-04 10:14:10 UTC"
    assert moment("2026-03-04T11:14:10+01:00") == "2026-03-04 11:14:10 UTC+0100"


def table(count: int, **columns: object) -> pd.DataFrame:
    """Units of one bench, one an hour."""
    at = pd.Timestamp("2026-03-02T08:00Z") + pd.to_timedelta(np.arange(count) * 2, unit="h")
    return pd.DataFrame({"serial": [f"U-{n:03d}" for n in range(count)], "started_at": at, "bench": "one"} | columns)


def checks(values: np.ndarray, quantity: str = "level", bench: str = "one") -> list[Stored]:
    """A daily check each morning."""
    unit, of = ("dB", "kit box") if quantity == "level" else ("ohm", "8.2 ohm")
    days = (pd.Timestamp("2026-03-02T07:00Z") + pd.Timedelta(days=n) for n in range(len(values)))
    details = DailyDetails("in control")
    return [
        Stored("daily", of, bench, day.isoformat(), quantity, float(value), unit, None, details=details)
        for day, value in zip(days, values, strict=True)
    ]


def moved(unit: str, step: float, daily: list[Stored], units: pd.DataFrame, values: np.ndarray | None = None) -> str:
    """Who moved a reading by so much in the middle of 120 units."""
    scatter = np.random.default_rng(1).normal(0, 0.1, 120)
    values = 80 + scatter + step * (np.arange(120) >= 60) if values is None else values
    series = Series(("response", "sensitivity", "box"), unit, values)
    of = Change(series, (), 60, 58, 62, (0, 120), 80.0, 80.0 + step, 0.02, 0.1, False, math.nan)
    return who_moved(of, units, {"one": daily})[0]


def test_who_moved_is_told_by_the_daily_checks() -> None:
    random, units = np.random.default_rng(2), table(120)
    still = 0.02 * random.standard_normal(10)
    fell = still - 0.6 * (np.arange(10) >= 5)
    assert moved("dB SPL", -0.6, checks(still), units) == "units"
    assert moved("dB SPL", -0.6, checks(fell), units) == "bench"
    assert moved("dB SPL", -1.6, checks(fell), units) == "both"
    assert moved("dB SPL", 0.6, checks(fell), units) == "units"
    assert moved("dB SPL", -0.6, [], units) == "unknown"
    # A level says nothing of what is read at the leads; a resistor does, and hertz move with neither.
    assert moved("Hz", -2.0, checks(fell), units) == "unknown"
    resistor = 8.2 * (1 + 0.0003 * random.standard_normal(10))
    assert moved("Hz", -2.0, checks(resistor, "resistor"), units) == "units"
    assert moved("ohm", -2.0, checks(resistor * (1 - 0.025 * (np.arange(10) >= 5)), "resistor"), units) == "bench"
    # A bench that moved days before or after is no reason.
    late = 8.2 * (1 - 0.01 * (np.arange(10) >= 8)) + 0.002 * random.standard_normal(10)
    assert moved("Hz", -2.0, checks(late, "resistor"), units) == "units"
    assert moved("dB SPL", -0.6, checks(still), table(120, bench=["one"] * 60 + ["two"] * 60)) == "unknown"


def test_a_change_on_one_of_two_benches_is_that_bench_s() -> None:
    units = table(120, bench=["one", "two"] * 60)
    scatter = np.random.default_rng(3).normal(0, 0.1, 120)
    alone = 80 + scatter - 1.0 * ((np.arange(120) >= 60) & (units["bench"] == "one"))
    assert moved("dB SPL", -0.5, [], units, alone.to_numpy()) == "bench"
    assert moved("dB SPL", -1.0, [], units) == "unknown"


def test_what_changed_with_the_runs_is_said() -> None:
    units = table(60, by=["Ada"] * 30 + ["Ben"] * 30, revision=["B"] * 30 + ["C"] * 30, batch=["x", "y"] * 30)
    assert went_along(units, 30) == ["who measured (Ada, then Ben)", "the kit's revision (B, then C)"]
    assert went_along(units, 50) == []


def test_limits_that_changed_and_bounds_and_void_readings() -> None:
    units = table(20)
    rows = pd.DataFrame(
        {
            "serial": units["serial"],
            **{"check": "c", "quantity": "q", "subject": "s", "kind": "number", "unit": "Hz", "at_most": False},
            "value": np.random.default_rng(4).normal(50, 1, 20),
            "outcome": ["void", *["pass"] * 19],
            "lower": [44.0] * 10 + [45.0] * 10,
            "upper": math.inf,
        }
    )
    [one] = number_spreads(rows, units, RigSpread(None))
    assert (one.lower, one.upper, one.other_limits) == (45.0, math.inf, 10)
    assert one.known.size == 19
    assert one.index is not None
    assert math.isnan(one.index.pp.value)
    # A void verdict says no limits: they are not changed by it, nor lost where it is the newest; one side may be open.
    for places in ([0], [19], [5, 19]):
        told = rows.assign(lower=44.0, upper=np.nan)
        told.loc[places, ["lower", "upper"]] = np.nan
        [one] = number_spreads(told, units, RigSpread(None))
        assert (one.lower, one.upper, one.other_limits) == (44.0, math.inf, 0)
    [bound] = number_spreads(rows.assign(at_most=True), units, RigSpread(None))
    assert bound.index is None
    assert not bound.is_chartable
    # Of readings that are nearly all the same value samples drawn again have no spread, and an index no upper end.
    [alike] = number_spreads(rows.assign(value=[50.0] * 18 + [50.1, 50.2]), units, RigSpread(None))
    assert (alike.index, alike.reason) == (None, "most readings are one and the same value")
    # A reading with one right value has no spread.
    assert number_spreads(rows.assign(lower=1.0, upper=1.0), units, RigSpread(None)) == []


def test_the_rig_s_own_part_comes_from_its_study() -> None:
    gauge = {"check": "c", "quantity": "q", "subject": "s", "at_hz": None, "gauge": [0.5, 0.4, 0.6]}
    rig = RigSpread(Path("x"), (gauge, {**gauge, "at_hz": 100.0, "gauge": [1.0, 0, 0]}))
    values = np.array([-1.0, 1.0] * 50) * math.sqrt(99 / 100)
    assert rig.share(("c", "q", "s"), math.nan, values) == pytest.approx(0.25)
    assert rig.share(("c", "q", "s"), 120.0, values) == pytest.approx(1.0)
    assert math.isnan(rig.share(("c", "other", "s"), math.nan, values))


def test_order_is_that_of_first_valid_runs_and_numbers_tell_the_last() -> None:
    runs = pd.DataFrame(
        [
            ("A", "a1", 1, "2026-01-05T10:00Z", "void", "a1"),
            ("A", "a2", 2, "2026-01-07T10:00Z", "fail", "c2"),
            # The clock was set back before its third run.
            ("A", "a3", 3, "2026-01-01T10:00Z", "pass", "c2"),
            ("B", "b1", 1, "2026-01-06T10:00Z", "pass", "b1"),
            ("C", "c1", 1, "2026-01-06T11:00Z", "void", "c1"),
        ],
        columns=["serial", "run", "run_number", "started_at", "outcome", "ordered"],
    )
    blank = dict.fromkeys(("kit", "day", "bench", "by", "batch", "revision", "kit_sha256", "software"), "")
    runs = runs.assign(**blank, cycle_s=60.0, operator_s=math.nan, started_at=pd.to_datetime(runs["started_at"]))
    units = units_of(runs)
    assert list(units["serial"]) == ["B", "A"]
    [a] = units[units["serial"] == "A"].itertuples()
    assert (a.run, a.first, a.last, a.runs, a.minutes) == ("a2", "fail", "pass", 3, 3.0)
    assert yields(units)["first"].count == 1
    assert [one.words for one in causes(runs, ["outcome"])] == [("pass",), ("void",), ("fail",)]


def test_a_clean_batch_is_left_alone() -> None:
    units = table(40)
    rows = np.random.default_rng(7).standard_normal((25, 40))
    series = [Series(("c", f"q{n}", "s"), "Hz", row) for n, row in enumerate(rows)]
    found = drift(series, units, {}, orders=200)
    assert found.changes == ()
    assert found.odd == ()
    assert found.limits == change.limits(change.normal_scores(rows), 200)
