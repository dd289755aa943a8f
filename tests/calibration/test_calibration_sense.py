"""The bare leads on known loads: clips, cables, unequal inputs and a resistor off its value are taken out."""

import sys
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from checks import impedance
from rig.calibration.known_load import (
    OPEN,
    SHORT,
    budget_of,
    calibrate_known_load,
    calibrate_sense,
    details_of,
    known_load_of,
    resistor,
)
from rig.calibration.storage import Stored, combined
from rig.circuit.channel import impedance_ohm
from rig.circuit.fit import default_parameters, fit_impedance
from rig.circuit.unfitted_parts import moves_of_fit
from rig.files.errors import BenchError

sys.path.append(str(Path(__file__).parents[1] / "checks"))
from captures import BENCH, at_leads, captured, one_driver_kit

MODEL = one_driver_kit().model("only")
MADE_AT = "2026-01-01T12:00:00+00:00"
#: Nominal is 10 ohm.
REAL_SENSE_OHM = 10.07
NOISE_V = 5e-6
SIDES = ["return", "source"]


def on_clips(load_ohm, sense_in="return", seconds=4.0, seed=1, noise_v=NOISE_V):
    """A sweep with a load behind leads of 0.13 ohm and 1 uH, 100 kohm stray, and inputs 2 % and 1 us apart."""

    def behind(f):
        stray = 1e-5
        load = np.full(f.shape, 1 / stray if np.isinf(load_ohm) else load_ohm / (1 + stray * load_ohm), np.complex128)
        return 0.13 + 2j * np.pi * f * 1e-6 + load

    request = replace(one_driver_kit().sweep("leads", "only"), seconds=seconds)
    paths = at_leads(behind, sense_in, lambda f: 1.02 * np.exp(-2j * np.pi * f * 1e-6), REAL_SENSE_OHM)
    return captured(request, paths, replace(BENCH, sense_in=sense_in), noise_v=noise_v, seed=seed)


@lru_cache(maxsize=2)
def measured(sense_in):
    loads = (OPEN, SHORT, resistor(8.2), resistor(47.0))
    return [(one, on_clips(one.ohm, sense_in, seed=n)) for n, one in enumerate(loads)]


def reads(known, load_ohm, sense_in):
    """What the impedance check reads of a load."""
    capture = on_clips(load_ohm, sense_in, 2.0, seed=9)
    calibrated = replace(capture, calibration=replace(capture.calibration, known_load=known))
    return impedance.load_impedance(calibrated, np.geomspace(15, 19000, 30))


@pytest.mark.parametrize("sense_in", SIDES)
@pytest.mark.parametrize("count", [3, 4])
def test_open_short_and_loads_bring_every_load_back(sense_in, count):
    known = calibrate_sense(measured(sense_in)[:count], MADE_AT)
    for load_ohm in (1.0, 4.0, 8.0, 30.0, 100.0):
        found = reads(known, load_ohm, sense_in)
        np.testing.assert_allclose(found.ohm, load_ohm, rtol=0.003)
        assert np.all(found.calibration_ohm > found.uncertainty_ohm)


@pytest.mark.parametrize("sense_in", SIDES)
def test_a_loudspeaker_at_the_clips_is_not_taken_for_the_resistor(sense_in):
    paths = at_leads(lambda f: impedance_ohm(MODEL, f), sense_in, lambda f: np.ones(f.shape), REAL_SENSE_OHM)
    request = replace(one_driver_kit().sweep("leads", "only"), seconds=4.0)
    capture = captured(request, paths, replace(BENCH, sense_in=sense_in), noise_v=NOISE_V)
    with pytest.raises(BenchError, match="not a loudspeaker"):
        calibrate_known_load(capture, 8.2, MADE_AT)


@pytest.mark.parametrize("sense_in", SIDES)
def test_one_load_alone_leaves_the_leads_in(sense_in):
    """The check of the check: without open and short the same load of 4 ohm is off by a percent and more."""
    known = calibrate_known_load(measured(sense_in)[2][1], 8.2, MADE_AT)
    found = reads(known, 4.0, sense_in)
    off = np.abs(found.ohm / 4 - 1)
    assert np.median(off) > 0.01
    # And its stated uncertainty says so.
    assert np.median(found.calibration_ohm) / 4 > 0.01
    assert np.median(off) < 3 * np.median(found.calibration_ohm) / 4


@pytest.mark.parametrize("sense_in", SIDES)
def test_the_stated_uncertainty_is_that_of_the_resistors(sense_in):
    """Resistors of 1 % (evenly) are known to 0.58 %; two of them, independent, to 0.41 %."""
    one, two = (calibrate_sense(measured(sense_in)[:count], MADE_AT) for count in (3, 4))
    for known, percent in ((one, 1 / np.sqrt(3)), (two, 1 / np.sqrt(6))):
        assert 100 * combined(budget_of(known, ["a"] * len(known.errors))) == pytest.approx(percent, rel=0.05)


@pytest.mark.parametrize("sense_in", SIDES)
def test_a_resistor_that_is_not_what_is_written_on_it_is_told(sense_in):
    loads = [*measured(sense_in)[:3], (resistor(43.0), measured(sense_in)[3][1])]
    with pytest.raises(BenchError, match="the loads do not agree"):
        calibrate_sense(loads, MADE_AT)


@pytest.mark.parametrize("sense_in", SIDES)
@pytest.mark.parametrize("order", [(1, 0, 2), (0, 2, 1), (2, 1, 0)])
def test_loads_in_the_wrong_order_are_told(sense_in, order):
    right = measured(sense_in)[:3]
    wrong = [(one, right[place][1]) for (one, _), place in zip(right, order, strict=True)]
    with pytest.raises(BenchError, match=r"measured in this order|do not agree"):
        calibrate_sense(wrong, MADE_AT)


def test_a_load_of_the_wrong_decade_is_told():
    right = measured("return")
    with pytest.raises(BenchError, match="differ by a factor"):
        calibrate_sense([*right[:2], (resistor(82.0), right[2][1])], MADE_AT)


def test_without_a_sense_resistor_there_is_nothing_to_calibrate():
    one, capture = measured("return")[2]
    bare = replace(capture, calibration=replace(capture.calibration, sense_ohm=None))
    with pytest.raises(BenchError, match="set sense_ohm"):
        calibrate_sense([(one, bare)] * 3, MADE_AT)
    with pytest.raises(BenchError, match="set sense_ohm"):
        calibrate_known_load(bare, 8.2, MADE_AT)


def test_a_dead_input_is_told():
    _, capture = measured("return")[2]
    samples = capture.samples.copy()
    samples[1] = 0
    with pytest.raises(BenchError, match="carries nothing"):
        calibrate_known_load(replace(capture, samples=samples), 8.2, MADE_AT)


@pytest.mark.parametrize("count", [1, 4])
def test_a_calibration_comes_back_from_what_is_stored(count):
    calibrations = measured("return")
    known = (
        calibrate_sense(calibrations, MADE_AT) if count == 4 else calibrate_known_load(calibrations[2][1], 8.2, MADE_AT)
    )
    one = Stored("sense", "", "bench", MADE_AT, "known load", 8.2, "ohm", 0.01, details=details_of(known))
    back = known_load_of(one, one.details)
    np.testing.assert_array_equal(back.ratio, known.ratio)
    assert back.errors == known.errors
    assert back.load_ohm == known.load_ohm
    if count == 4:
        np.testing.assert_array_equal(back.lead_ohm, known.lead_ohm)
        np.testing.assert_array_equal(back.stray_siemens, known.stray_siemens)
    else:
        assert back.lead_ohm is None


@pytest.mark.parametrize("polynomial", [(0.05, 0.0, 0.0), (0.0, 0.01, 0.0), (0.0, 0.0, 2e-4)])
def test_parameters_of_a_driver_move_as_their_errors_say(polynomial):
    """Against the fit itself: to a curve that is off by one cause."""
    model = one_driver_kit(le_mh=0.5).model("only")
    grid = np.geomspace(10, 360, 120)
    true = impedance_ohm(model, grid)
    names = [name for name in default_parameters(model, "woofer") if name != "le_exponent"]
    p0, p1, p2 = polynomial
    before, after = (
        fit_impedance(model, grid, curve, "woofer", names).values
        for curve in (true, true + p0 + p1 * true + p2 * true**2)
    )
    told, _ = moves_of_fit(model, "woofer", grid, names, [(p0 + p1 * true + p2 * true**2) / true])
    for key in ("re_ohm", "qes", "qms", "qts", "qtc", "fs_hz", "fc_hz", "le_h"):
        assert np.log(after[key] / before[key]) == pytest.approx(told[key][0], abs=0.05 * abs(told[key][0]) + 1e-4), key


def test_readings_carry_both_parts():
    capture = captured(
        one_driver_kit().sweep("leads", "only"), at_leads(lambda f: impedance_ohm(MODEL, np.maximum(f, 1)))
    )
    calibrated = replace(BENCH, known_load=replace(calibrate_sense(measured("return"), MADE_AT)))
    kit, settings = one_driver_kit(), impedance.Settings()
    perfect = replace(calibrated, known_load=replace(calibrated.known_load, errors=()))
    without, whole = (
        {r.quantity: r for r in impedance.fitted(replace(capture, calibration=one), kit, settings)}
        for one in (perfect, calibrated)
    )
    re_ohm = whole["Re"]
    assert re_ohm.uncertainty == pytest.approx(np.hypot(without["Re"].uncertainty, 0.0041 * re_ohm.value), rel=0.1)
    assert "calibration" not in without["Re"].parts
