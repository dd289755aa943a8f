"""The daily check: limits from the first days, what leaves them, and what it does to a run afterwards."""

import json
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from test_cli import kitproof

from rig.bench.settings import simulated_name
from rig.calibration.daily import BASELINE, FEWEST, Point, judge
from rig.calibration.storage import DailyDetails, Stored, stored

BEGAN = datetime.fromisoformat("2026-03-01T08:00:00+01:00")
RESISTOR = Point("resistor", "8.2 ohm", 8.2, "ohm")
#: What a contact leaves from day to day.
SPREAD_OHM = 0.01


def days(values, quantity="resistor", of="8.2 ohm", state="in control"):
    return [
        Stored(
            "daily",
            of,
            "bench",
            (BEGAN + timedelta(days=n)).isoformat(),
            quantity,
            float(value),
            "ohm",
            None,
            details=DailyDetails(state),
        )
        for n, value in enumerate(values)
    ]


def steady(count, seed=1):
    return 8.2 + SPREAD_OHM * np.random.default_rng(seed).standard_normal(count)


def today(value):
    return replace(RESISTOR, value=value)


def test_the_first_days_are_learnt_from():
    for count in range(FEWEST):
        judged = judge(today(8.2), days(steady(count)))
        assert judged.state == "learning"
        assert judged.chart is None
    assert judged.words == "limits are drawn from the next on"
    assert judge(today(8.2), days(steady(FEWEST))).state == "in control"


def test_what_is_far_off_is_out_of_control_even_while_learning():
    judged = judge(today(8.5), days(steady(3)))
    assert judged.state == "out of control"
    assert "off the mean of the days before" in judged.words
    level = Point("level", "booth-two left", 1.3, "dB")
    assert judge(level, days([0.1, 0.2], "level", "booth-two left")).state == "out of control"


def test_a_step_beyond_the_limits_is_told():
    before = days(steady(30))
    chart = judge(today(8.2), before).chart
    # 3 sigma of what varies from day to day, from the first twenty of them.
    assert chart.upper - chart.centre == pytest.approx(3 * SPREAD_OHM, rel=0.4)
    assert chart == judge(today(8.21), days(steady(BASELINE))).chart
    assert judge(today(chart.centre + 0.8 * (chart.upper - chart.centre)), before).state == "in control"
    above = judge(today(8.2 + 8 * SPREAD_OHM), before)
    assert (above.state, above.words.split(" limit")[0]) == ("out of control", "above the upper")
    assert judge(today(8.2 - 8 * SPREAD_OHM), before).words.startswith("below the lower limit")


def test_a_drift_within_the_limits_is_told_and_nothing_more():
    judged = judge(today(8.2 + SPREAD_OHM), days([*steady(20), *[8.2 + SPREAD_OHM] * 8]))
    assert judged.state == "in control"
    assert judged.words.startswith("drifting")


def test_limits_leave_room_for_what_matters_to_nobody():
    same = days([8.2] * 12)
    assert judge(today(8.2), same).state == "in control"
    assert judge(today(8.2 * 1.0009), same).state == "in control"
    assert judge(today(8.2 * 1.0011), same).state == "out of control"


def test_days_out_of_control_do_not_widen_the_limits():
    before = days(steady(12))
    out = replace(
        days([8.4])[0], made_at=(BEGAN + timedelta(days=13)).isoformat(), details=DailyDetails("out of control")
    )
    assert judge(today(8.4), [*before, out]).state == "out of control"
    assert judge(today(8.2), [*before, out]).chart == judge(today(8.2), before).chart


def test_a_new_calibration_begins_the_chart_anew():
    made_at = (BEGAN + timedelta(days=20)).isoformat()
    sense = Stored("sense", "", "bench", made_at, "known load", 8.2, "ohm", 0.01)
    assert judge(today(8.3), [*days(steady(15)), sense]).state == "learning"
    other = replace(sense, kind="microphone")
    assert judge(today(8.3), [*days(steady(15)), other]).state == "out of control"


def test_other_parts_and_units_have_charts_of_their_own():
    assert judge(today(8.2), days(steady(12), of="47 ohm")).before == ()


@pytest.fixture
def folder(tmp_path: Path, workspace: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_bench_out_of_control_proves_nothing_until_it_is_right_again(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """On the simulated bench: the microphone's gain is bumped by 2 dB overnight."""
    bench = simulated_name(0)
    assert kitproof(monkeypatch, "daily", "booth-two") == 0
    assert kitproof(monkeypatch, "daily", "booth-two") == 0
    assert "learning" in capsys.readouterr().out
    assert [one.of for one in stored(folder, bench)] == ["booth-two left", "booth-two right"] * 2

    assert kitproof(monkeypatch, "daily", "booth-two", "--fault", "turned-knob=2") == 1
    shown = capsys.readouterr().out
    assert "■ out of control" in shown
    assert "held as untrustworthy" in shown

    assert kitproof(monkeypatch, "verify", "booth-two", "BT-0001", "--json") == 2
    results = {result["check"]: result for result in json.loads(capsys.readouterr().out)["results"]}
    assert results["impedance"]["outcome"] == "pass"
    assert "the daily check of" in results["ping"]["reason"]
    assert "find the cause, then run kitproof daily" in results["ping"]["reason"]

    assert kitproof(monkeypatch, "daily", "booth-two") == 0
    assert len(stored(folder, bench)) == 8


def test_the_simulated_bench_has_nothing_to_clip(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "daily") == 3
    assert "name a kit" in capsys.readouterr().err
    assert kitproof(monkeypatch, "daily", "nothing") == 3


def test_a_kit_may_ask_for_the_daily_check(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder / "limits/booth-two/kit.toml"
    path.write_text('calibrations = ["daily"]\n' + path.read_text(encoding="utf-8"), encoding="utf-8")
    assert kitproof(monkeypatch, "verify", "booth-two", "BT-0001", "--json") == 2
    document = json.loads(capsys.readouterr().out)
    assert {result["reason"] for result in document["results"] if result["check"] == "leads"} == {
        "the daily check is missing: run kitproof daily"
    }
    path.write_text(path.read_text(encoding="utf-8").replace('["daily"]', '["weekly"]'), encoding="utf-8")
    assert kitproof(monkeypatch, "kits") == 3
    assert "calibrations" in capsys.readouterr().out
