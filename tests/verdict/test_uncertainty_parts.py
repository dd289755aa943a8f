"""Parts of an uncertainty: which of them cancel where, what a kit states, and what judging makes of them."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_runs import ROOT

from rig.design.decision import Decision
from rig.design.kit import load_kit
from rig.design.limits import Limit, reference_path
from rig.design.uncertainty_budget import (
    Repeatability,
    of_the_capture,
    pressure_db,
    response_db,
    with_parts,
    with_repeatability,
    without_bench,
)
from rig.files.errors import TableError
from rig.files.tables import checked
from rig.values.captures import Calibration
from rig.values.readings import CheckReadings, Curve, Reading
from rig.verdict.judge import judge
from rig.verdict.second_look import is_doubtful

HZ = np.geomspace(100.0, 10000.0, 41)
BENCH = "the bench"


def level(value_db: float = 0.0, calibration: float = 0.4, noise: float = 0.1) -> Curve:
    """A level so far off its design, at all frequencies."""
    flat = np.zeros(HZ.size)
    curve = Curve("level", "left", HZ, flat + value_db, "dB SPL", np.full(HZ.size, True), design=flat)
    return with_parts(curve, {"calibration": flat + calibration, "noise": flat + noise})


def test_a_reading_s_uncertainty_is_that_of_its_parts() -> None:
    reading = with_parts(Reading("fs", "woofer", 40.0, "Hz"), {"calibration": 0.3, "noise": 0.4})
    assert reading.uncertainty == pytest.approx(0.5)
    assert reading.parts == {"calibration": 0.3, "noise": 0.4}


def test_a_microphone_that_was_never_calibrated_leaves_a_level_without_uncertainty() -> None:
    known = Calibration({"microphone": 1.0}, 1.0, input_uncertainty={"loopback": 0.01}, microphone_uncertainty=0.02)
    assert pressure_db(known) == pytest.approx(20 / np.log(10) * 0.02)
    assert response_db(known, timed=True) == pytest.approx(20 / np.log(10) * np.hypot(0.02, 0.01))
    assert np.isnan(response_db(known, timed=False))
    assert np.isnan(pressure_db(replace(known, microphone_uncertainty=None)))


GUARDED = Decision(rule="guarded")
WINDOWS = [[200.0, 5000.0, 1.0, 1.0]]


def outcomes(curve: Curve, limit: Limit, folder: Path = ROOT) -> list[str]:
    read = CheckReadings(curves=(curve,))
    return [v.outcome for v in judge(read, {"level": limit}, folder, "response", bench=BENCH, decision=GUARDED)]


def test_against_the_design_the_calibration_counts() -> None:
    around = Limit(around="design", within=WINDOWS)
    assert outcomes(level(0.1), around) == ["pass"]
    assert outcomes(level(0.5), around) == ["void"]


def test_against_a_reference_build_of_the_same_bench_it_cancels(tmp_path: Path) -> None:
    path = reference_path(tmp_path, "response", "level", "left")
    path.parent.mkdir()
    path.write_text("frequency_hz,value\n" + "".join(f"{hz:.6g},0\n" for hz in HZ), encoding="utf-8")
    (path.parent / "reference.json").write_text(json.dumps({"bench": BENCH}), encoding="utf-8")
    around = Limit(around="reference", within=WINDOWS)
    assert outcomes(level(0.7), around, tmp_path) == ["pass"]
    assert outcomes(level(0.9), around, tmp_path) == ["void"]
    unknown = level(0.7, calibration=np.nan)
    assert outcomes(unknown, around, tmp_path) == ["pass"]
    assert outcomes(unknown, Limit(around="design", within=WINDOWS)) == ["void"]


def test_with_the_level_taken_out_it_is_in_the_shift_and_not_in_the_shape() -> None:
    aligned = Limit(around="design", within=WINDOWS, align_hz=[300.0, 3000.0], align_within_db=1.0)
    assert outcomes(level(0.5), aligned) == ["void", "pass"]
    assert outcomes(level(0.1), aligned) == ["pass", "pass"]
    bent = level(0.0)
    bent = replace(bent, value=np.where(HZ > 4000, 0.7, 0.0))
    assert outcomes(bent, aligned) == ["pass", "pass"]
    assert outcomes(replace(bent, value=1.3 * bent.value), aligned) == ["pass", "void"]


def test_a_verdict_tells_the_parts_where_it_was_decided() -> None:
    curve = level(0.1)
    noise = np.where(HZ > 2000, 0.2, 0.1)
    curve = with_parts(replace(curve, value=np.where(HZ > 2000, 0.2, 0.1)), {"calibration": 0.1, "noise": noise})
    (verdict,) = judge(CheckReadings(curves=(curve,)), {"level": Limit(around="design", within=WINDOWS)}, ROOT, "r")
    assert verdict.parts == pytest.approx({"calibration": 0.1, "noise": 0.2})
    assert verdict.uncertainty == pytest.approx(np.hypot(0.1, 0.2))


def test_only_what_is_new_in_a_capture_asks_for_another_look() -> None:
    limits = {"fs": Limit(lower=39.0)}
    for parts, doubtful in (({"calibration": 2.0, "noise": 0.1}, False), ({"calibration": 0.1, "fit": 2.0}, True)):
        reading = with_parts(Reading("fs", "woofer", 40.0, "Hz"), parts)
        assert is_doubtful(judge(CheckReadings((reading,)), limits, ROOT, "impedance")) is doubtful
    assert of_the_capture({}, 3.0) == 3.0
    assert of_the_capture({"calibration": 1.0}, 1.0) == 0.0


def test_what_a_kit_states_of_putting_the_unit_back_is_added() -> None:
    readings = (
        with_parts(Reading("fs", "left woofer", 40.0, "Hz"), {"fit": 0.3}),
        with_parts(Reading("fs", "right woofer", 40.0, "Hz"), {"fit": 0.3}),
        Reading("Re", "left woofer", 5.0, "ohm", 0.03),
        Reading("Qts", "left woofer", 0.4, ""),
    )
    stated = {
        "fs": Repeatability(percent=1.0),
        "fs right woofer": Repeatability(value=0.0),
        "Re": Repeatability(value=0.04),
        "level": Repeatability(points=[[100.0, 0.0], [10000.0, 2.0]]),
    }
    read = with_repeatability(CheckReadings(readings, (level(noise=0.0, calibration=0.0),)), stated)
    assert [reading.uncertainty for reading in read.readings[:3]] == pytest.approx([0.5, 0.3, 0.05])
    assert read.readings[0].parts == pytest.approx({"fit": 0.3, "repeatability": 0.4})
    assert np.isnan(read.readings[3].uncertainty)
    assert "repeatability" not in read.readings[3].parts
    assert np.interp(1000.0, HZ, read.curves[0].uncertainty) == pytest.approx(1.0, abs=1e-6)


def test_a_curve_that_was_never_taken_apart_stays_unknown() -> None:
    bare = Curve("level", "left", HZ, np.zeros(HZ.size), "dB", np.full(HZ.size, True))
    read = with_repeatability(CheckReadings(curves=(bare,)), {"level": Repeatability(value=0.1)})
    assert np.isnan(read.curves[0].uncertainty).all()
    assert without_bench(bare) is bare


@pytest.mark.parametrize(
    ("table", "words"),
    [({}, "one of: value, percent, points"), ({"value": 1.0, "percent": 1.0}, "one of: value, percent, points"),
     ({"value": -0.1}, "value"), ({"points": [[100.0, 0.1], [50.0, 0.1]]}, "ascending"),
     ({"points": [[0.0, 0.1]]}, "ascending"), ({"sd": 0.1}, "sd")],
)  # fmt: skip
def test_mistakes_in_a_repeatability_are_told(table: dict[str, object], words: str) -> None:
    with pytest.raises(TableError, match=words):
        checked(Repeatability, table, Path("kit.toml"))


def test_a_kit_states_repeatability_by_check_and_reading(workspace: Path, tmp_path: Path) -> None:
    text = (workspace / "limits" / "booth-two" / "kit.toml").read_text(encoding="utf-8")
    folder = tmp_path / "limits" / "booth-two"
    folder.mkdir(parents=True)
    for mask in (workspace / "limits" / "booth-two").glob("*.csv"):
        (folder / mask.name).write_bytes(mask.read_bytes())
    stated = '\n[repeatability.response]\n"sensitivity" = { value = 0.15 }\n'
    (folder / "kit.toml").write_text(text + stated, encoding="utf-8")
    assert load_kit(tmp_path, "booth-two").repeatability["response"]["sensitivity"].value == 0.15
    (folder / "kit.toml").write_text(text + stated.replace("response", "respons"), encoding="utf-8")
    with pytest.raises(TableError, match=r"repeatability.respons: .*did you mean 'response'"):
        load_kit(tmp_path, "booth-two")


@given(st.floats(0, 2), st.floats(0, 2), st.floats(0, 2))
def test_without_the_bench_an_uncertainty_is_never_greater(calibration: float, noise: float, place: float) -> None:
    curve = with_parts(level(), {"calibration": calibration, "noise": noise, "repeatability": place})
    assert np.all(without_bench(curve).uncertainty <= curve.uncertainty + 1e-12)
