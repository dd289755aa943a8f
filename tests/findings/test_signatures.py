"""What failed curves tell where no model explains them."""

import numpy as np
import pytest
from simulated_runs import ROOT

from rig.design.kit import Kit, load_kit
from rig.findings.search import NO_FAULT, findings
from rig.findings.signature import signature
from rig.signals.smoothing import log_frequency_grid
from rig.values.readings import CheckReadings, Curve, Floats
from rig.values.verdicts import CheckResult, Mask, Verdict

NAN = float("nan")
GRID_HZ = log_frequency_grid(20.0, 20000.0, 24)
FLAT_DB = np.full(GRID_HZ.size, 80.0)
EIGHT_OHM = np.full(GRID_HZ.size, 8.0)


def failed(quantity: str, value: Floats, centre: Floats, subject: str = "left", wide: float = 1.0) -> CheckResult:
    """A check's result with one curve outside its limits."""
    unit = "ohm" if quantity == "impedance" else "dB SPL"
    curve = Curve(quantity, subject, GRID_HZ, value, unit, np.ones(GRID_HZ.size, np.bool_))
    mask = Mask(GRID_HZ, centre - wide, centre + wide, centre)
    verdict = Verdict(quantity, subject, "fail", NAN, unit, NAN, NAN, "", "", mask=mask)
    return CheckResult("a check", "A check", "fail", "", CheckReadings(curves=(curve,)), (verdict,))


def number(quantity: str, subject: str, value: float, unit: str, limit: str) -> CheckResult:
    """A check's result with one number outside its limits."""
    verdict = Verdict(quantity, subject, "fail", value, unit, NAN, NAN, limit, "")
    return CheckResult("a check", "A check", "fail", "", CheckReadings(), (verdict,))


@pytest.mark.parametrize(("by_db", "words"), [(-6.0, "6.0 dB too quiet"), (3.2, "3.2 dB too loud")])
def test_the_same_decibels_everywhere(by_db: float, words: str) -> None:
    ripple = 0.3 * np.sin(np.log(GRID_HZ) * 9)
    (said,) = signature([failed("level", FLAT_DB + by_db + ripple, FLAT_DB)], "left")
    assert said.startswith(f"{words} at all frequencies")


def test_a_tilt_is_not_the_same_everywhere() -> None:
    tilt = np.linspace(-6, 6, GRID_HZ.size)
    assert signature([failed("level", FLAT_DB + tilt, FLAT_DB)], "left") == ()


@pytest.mark.parametrize(
    ("silent", "words"), [(GRID_HZ > 3000, "silent above 3000"), (GRID_HZ < 500, "silent below 5")]
)
def test_a_driver_that_is_silent(silent: Floats, words: str) -> None:
    (said,) = signature([failed("level", np.where(silent, 50.0, FLAT_DB), FLAT_DB)], "left")
    assert said.startswith(words)


def test_silence() -> None:
    (said,) = signature([failed("free-field level", FLAT_DB - 40, FLAT_DB)], "left")
    assert said == "silent at all frequencies"


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (np.full(GRID_HZ.size, 1.1), "impedance is 10 % too high at all frequencies"),
        (np.full(GRID_HZ.size, 0.02), "the leads are all but short at all frequencies"),
        (np.linspace(50.0, 500.0, GRID_HZ.size), "no current flows at any frequency"),
        (np.where(GRID_HZ < 500, 20.0, 1.0), "impedance is 20 times too high from 20 Hz on: something is open there"),
        (np.where(GRID_HZ > 5000, 0.1, 1.0), "impedance is 10 times too low up to 20000 Hz: something is short there"),
    ],
    ids=["offset", "short", "open", "open below", "short above"],
)
def test_shapes_of_an_impedance(factor: Floats, words: str) -> None:
    assert signature([failed("impedance", EIGHT_OHM * factor, EIGHT_OHM)], "left") == (words,)


def test_numbers_and_signs_stand_for_themselves() -> None:
    results = [
        number("fs", "left woofer", 71.25, "Hz", "40 to 55 Hz"),
        number("driver polarity", "left tweeter", -1.0, "", "1 to 1"),
    ]
    assert signature(results, "left") == ("tweeter plays the wrong way round", "fs is 71.2 Hz, allowed 40 to 55 Hz")


def test_another_channel_is_not_spoken_of() -> None:
    assert signature([failed("level", FLAT_DB - 6, FLAT_DB, "right")], "left") == ()


def test_what_nothing_explains_is_told_by_what_it_shows() -> None:
    kit: Kit = load_kit(ROOT, "booth-two")
    # An impedance that no fault of this kit gives.
    odd = failed("impedance", np.geomspace(400.0, 2.0, GRID_HZ.size), EIGHT_OHM)
    phase = Curve("phase", "left", GRID_HZ, np.zeros(GRID_HZ.size), "degrees", np.ones(GRID_HZ.size, np.bool_))
    (found,) = findings(kit, [odd, CheckResult("b", "B", "pass", "", CheckReadings(curves=(phase,)), ())])
    assert found.kind == "unknown"
    assert found.words.startswith(f"{NO_FAULT}; what it shows: impedance is 50 times too high from 20 Hz on")
