"""Limits around the design, of numbers too; what a data sheet may be off proves nothing before a build is learnt."""

from dataclasses import replace

import numpy as np
import pytest
from captures import BENCH, at_leads, captured, flat, one_driver_kit

from checks import impedance
from rig.calibration.known_load import calibrate_known_load
from rig.circuit.channel import impedance_ohm, with_driver
from rig.design.limits import Limit
from rig.design.sheet_range import sheet_designs, with_design
from rig.files.errors import TableError
from rig.files.tables import checked
from rig.values.readings import CheckReadings, Curve, Reading
from rig.verdict.judge import judge

GRID_HZ = np.geomspace(20, 20000, 121)
SHEET = {"from_sheet": True, "qts": None, "vas_l": None, "sensitivity_db": 87.0}


def outcomes(limits, read):
    return {(v.quantity, v.subject): v for v in judge(read, limits, None, "impedance")}


@pytest.mark.parametrize(
    ("value", "low", "high", "outcome"),
    [
        (54.0, np.nan, np.nan, "pass"),
        (56.0, np.nan, np.nan, "fail"),
        (56.0, 45.0, 56.0, "void"),
        (44.0, 45.0, 56.0, "void"),
        (70.0, 45.0, 56.0, "fail"),
        (54.0, 45.0, 56.0, "pass"),
    ],
)
def test_a_number_around_the_design(value, low, high, outcome):
    reading = Reading("fs", "left woofer", value, "Hz", design=50.0, design_low=low, design_high=high)
    limit = Limit(around="design", minus=10.0, plus=10.0, percent=True)
    (verdict,) = judge(CheckReadings((reading,)), {"fs": limit}, None, "impedance")
    assert verdict.outcome == outcome
    assert verdict.limit == "45 to 55 Hz"
    assert ("kitproof learn" in verdict.reason) == (outcome == "void")


def test_a_number_that_no_model_knows_is_void():
    limit = Limit(around="design", minus=1.0)
    (verdict,) = judge(CheckReadings((Reading("fs", "left", 50.0, "Hz"),)), {"fs": limit}, None, "impedance")
    assert verdict.outcome == "void"


@pytest.mark.parametrize("align", [{}, {"align_hz": [200.0, 2000.0], "align_within_db": 1.0}])
@pytest.mark.parametrize(("off_db", "outcome"), [(0.5, "pass"), (3.0, "void"), (9.0, "fail")])
def test_a_curve_around_the_design(align, off_db, outcome):
    value = np.full(GRID_HZ.size, off_db)
    curve = Curve("level", "left", GRID_HZ, value, "dB", np.ones(GRID_HZ.size, bool), design=0 * value)
    limit = Limit(around="design", within=[[100.0, 5000.0, 1.0, 1.0]], **align)
    ranged = replace(curve, design_low=0 * value - 3, design_high=0 * value + 3)
    assert judge(CheckReadings(curves=(ranged,)), {"level": limit}, None, "response")[0].outcome == outcome
    strict = judge(CheckReadings(curves=(curve,)), {"level": limit}, None, "response")[0]
    assert strict.outcome == ("pass" if outcome == "pass" else "fail")


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"minus": 1.0}, "one of: lower and/or upper; mask; around"),
        ({"around": "reference", "minus": 1.0}, "around: found 'reference'; allowed: \"design\" with minus and plus"),
        ({"around": "design", "minus": 1.0, "within": [[20, 30, 1, 1]]}, "within: found minus and plus as well"),
    ],
)
def test_a_limit_around_a_number_of_something_else_is_refused(values, told, tmp_path):
    with pytest.raises(TableError, match="found") as error:
        checked(Limit, values, tmp_path)
    assert told in str(error.value)


def test_only_a_driver_known_from_its_sheet_has_a_range():
    assert sheet_designs(one_driver_kit(), "only") is None
    kit = one_driver_kit(**SHEET)
    level = Curve("impedance", "only", GRID_HZ, GRID_HZ, "ohm", np.ones(GRID_HZ.size, bool))
    curve = with_design(level, kit, "only", lambda model: np.abs(impedance_ohm(model, GRID_HZ)))
    assert np.all((curve.design_low < curve.design) & (curve.design < curve.design_high))
    # With a gap filled by what such drivers usually have the range is wider.
    guess = one_driver_kit(**{**SHEET, "fs_hz": None})
    fs = with_design(Reading("fs", "only", 45.0, "Hz"), guess, "only", lambda model: model.drivers[0].fs_hz)
    assert fs.design_high / fs.design_low > 2


@pytest.mark.parametrize(("fs_off", "outcome"), [(1.0, {"pass"}), (1.15, {"void"}), (2.5, {"fail"})])
def test_a_driver_off_its_sheet_waits_for_a_good_build_and_another_driver_fails(fs_off, outcome):
    kit = one_driver_kit(**SHEET)
    model = kit.model("only")
    unit = with_driver(model, "woofer", fs_hz=fs_off * model.drivers[0].fs_hz)
    request = kit.sweep("leads", "only")
    known = captured(request, at_leads(flat(10.0)))
    bench = replace(BENCH, known_load=calibrate_known_load(known, 10.0, "2026-01-01T12:00:00+00:00"))
    capture = captured(request, at_leads(lambda f: impedance_ohm(unit, np.maximum(f, 1.0))), bench)
    limits = {
        "fs": Limit(around="design", minus=8.0, plus=8.0, percent=True),
        "impedance": Limit(around="design", within=[[20.0, 20000.0, 12.0, 12.0]], percent=True, slide_percent=5.0),
    }
    verdicts = judge(impedance.read([capture], impedance.Settings(), kit), limits, None, "impedance")
    assert {verdict.outcome for verdict in verdicts} == outcome
