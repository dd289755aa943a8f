"""A kit that says of its driver no more than rating, size and band: it is judged, and nothing rests on the guess."""

from dataclasses import replace

import numpy as np
import pytest
from captures import BENCH, at_leads, captured, flat, one_driver_kit

import checks
from checks import impedance, parts
from rig.calibration.known_load import calibrate_known_load
from rig.circuit.channel import impedance_ohm
from rig.findings.search import findings
from rig.study.narrow_limits import narrow_limits
from rig.values.verdicts import CheckResult, Verdict
from rig.verdict.check import listed_checks

SAID = dict.fromkeys(("re_ohm", "fs_hz", "qms", "qes", "vas_l", "sd_cm2"), None) | {"size_mm": 165.0}
KIT = one_driver_kit(**SAID)
MODEL = one_driver_kit().model("only")


@pytest.fixture(scope="module")
def capture():
    request = KIT.sweep("leads", "only")
    known = captured(request, at_leads(flat(10.0)))
    bench = replace(BENCH, known_load=calibrate_known_load(known, 10.0, "2026-01-01T12:00:00+00:00"))
    return captured(request, at_leads(lambda f: impedance_ohm(MODEL, np.maximum(f, 1.0))), bench)


def test_it_loads_and_plans():
    assert KIT.undescribed("only") == ("woofer",)
    assert one_driver_kit().undescribed("only") == ()
    assert [check.name for check in listed_checks(KIT, checks.ALL)] == ["leads"]
    assert narrow_limits(KIT) == ()


def test_the_fit_finds_the_driver_and_the_guess_is_no_design(capture):
    read = impedance.read([capture], impedance.Settings(), KIT)
    assert all(curve.design is None for curve in read.curves)
    fs_hz = next(reading.value for reading in read.readings if reading.quantity == impedance.FS)
    assert fs_hz == pytest.approx(45.0, rel=0.1)
    (misfit,) = parts.read([capture], parts.Settings(), KIT).readings
    assert "woofer is made of is not known" in misfit.trouble


def test_findings_wait_for_a_first_good_build(capture):
    read = impedance.read([capture], impedance.Settings(), KIT)
    failed = Verdict("impedance", "only", "fail", 9.0, "ohm", -1.0, float("nan"), "", "")
    (finding,) = findings(KIT, [CheckResult("impedance", "Impedance", "fail", "", read, (failed,))])
    assert finding.kind == "unknown"
    assert "wait for a first good build" in finding.words
    assert "kitproof learn" in finding.where_to_look
