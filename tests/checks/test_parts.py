"""Parts: nothing is left over of a good unit, and what is left over of a wrong part stands out."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from captures import BENCH, at_leads, captured, demo_kit, flat, spoiled
from one_of_many import one_unit

from checks import parts
from rig.calibration.known_load import calibrate_known_load
from rig.circuit.channel import channel_parts, find_driver, find_part, impedance_ohm, with_driver, with_part
from rig.circuit.nearest import nearest_good_unit, remaining, taken_up
from rig.circuit.tolerance import draw
from rig.design.decision import Decision
from rig.signals.smoothing import log_frequency_grid
from rig.values.captures import Untrusted
from rig.verdict.judge import judge

KIT = demo_kit("booth-two")
MODEL = KIT.model("left")
SETTINGS = parts.Settings()
GRID_HZ = log_frequency_grid(20.0, 20000.0, 12)
NOISE_V = 5e-6


@lru_cache(maxsize=1)
def bench():
    known = captured(KIT.sweep("leads", "left"), at_leads(flat(10.0)), BENCH, noise_v=NOISE_V, seed=99)
    return replace(BENCH, known_load=calibrate_known_load(known, 10.0, "2026-01-01T12:00:00+00:00"))


def capture_of(channel, noise_v=NOISE_V):
    request = parts.requests(KIT, SETTINGS)[0]
    load = at_leads(lambda f: impedance_ohm(channel, np.maximum(f, 1.0)))
    return captured(request, load, bench(), noise_v=noise_v)


def verdict(channel, rule="simple", **how):
    read = parts.read([capture_of(channel, **how)], SETTINGS, KIT)
    (only,) = judge(read, KIT.limits["parts"], KIT.folder, "parts", decision=Decision(rule=rule))
    return only


def drawn(seed):
    return one_unit(draw(MODEL, np.random.default_rng(seed), 1), 0)


@pytest.mark.parametrize("seed", range(3))
def test_a_unit_with_all_parts_inside_their_tolerances_passes(seed):
    found = verdict(drawn(seed))
    assert found.outcome == "pass"
    assert found.value < 0.1


@pytest.mark.parametrize(
    ("name", "factor"), [("C4", 2.2), ("C4", 0.5), ("R1", 0.5), ("R3", 2.2), ("C1", 0.5), ("C2", 1.5), ("L2", 0.7)]
)
def test_a_wrong_value_fails_even_where_the_curve_stays_inside_its_mask(name, factor):
    unit = drawn(7)
    found = verdict(with_part(unit, name, value=find_part(unit, name).value * factor))
    assert found.outcome == "fail"
    assert "most at" in found.said


@pytest.mark.parametrize(("noise_v", "outcome"), [(1e-4, "pass"), (3e-4, "void"), (0.02, "void")])
def test_noise_is_no_wrong_part(noise_v, outcome):
    found = verdict(drawn(1), noise_v=noise_v)
    assert found.outcome == outcome


@pytest.mark.parametrize("rule", ["simple", "guarded", "risk"])
def test_an_error_of_the_calibration_that_parts_take_up_makes_nothing_uncertain(rule):
    # Marked resistors and leads that nobody measured: half a percent of the impedance, three times the limit at k = 2.
    found = verdict(drawn(2), rule)
    assert found.outcome == "pass"
    assert 0 < found.parts["calibration"] < 0.005
    assert found.conformity > 0.999


@pytest.mark.parametrize("rule", ["guarded", "risk"])
def test_a_wrong_value_fails_under_the_careful_rules_too(rule):
    unit = drawn(7)
    assert verdict(with_part(unit, "C4", value=find_part(unit, "C4").value * 2.2), rule).outcome == "fail"


def nearest(channel):
    return nearest_good_unit(MODEL, GRID_HZ, impedance_ohm(channel, GRID_HZ).reshape(-1))


def rms_of(values):
    return float(np.sqrt(np.mean(np.abs(values) ** 2)))


def test_what_remains_of_a_change_is_what_a_new_fit_leaves_of_it():
    unit = drawn(4)
    at, ohm = nearest(unit), impedance_ohm(unit, GRID_HZ).reshape(-1)
    scale = np.full(GRID_HZ.size, 0.005 + 0j)
    # A dip that no part makes: a fifth of an octave wide at 3 kHz.
    dip = 0.02 * np.exp(-((np.log2(GRID_HZ / 3000) / 0.1) ** 2)) + 0j
    predicted = remaining(at, np.array([scale, dip]))
    for change, rest in zip((scale, dip), predicted, strict=True):
        anew = nearest_good_unit(MODEL, GRID_HZ, ohm * np.exp(change)).left_over - at.left_over
        # The fit itself stops within so much.
        assert rms_of(anew - rest) < 3e-4
    assert rms_of(predicted[0]) < 0.01 * rms_of(scale)
    assert rms_of(predicted[1]) > 0.5 * rms_of(dip)


def highest_impedance():
    higher = MODEL
    for part in channel_parts(MODEL):
        edge = (1 - 0.999 * part.tolerance) if part.name.startswith("C") else (1 + 0.999 * part.tolerance)
        higher = with_part(higher, part.name, value=part.value * edge)
    for driver in ("woofer", "tweeter"):
        higher = with_driver(higher, driver, re_ohm=find_driver(MODEL, driver).re_ohm * 1.0399)
    return higher


def test_what_parts_at_the_edge_of_their_tolerance_cannot_follow_remains():
    # Everything that makes the impedance higher is there already: two percent more cannot be taken up, two less can.
    higher = highest_impedance()
    step = 0.02 * np.ones((1, GRID_HZ.size), complex)
    up, down = (rms_of(remaining(nearest(higher), side * step)) for side in (1, -1))
    assert up > 3 * down


def test_an_error_of_the_bench_inside_what_it_states_leaves_nothing_over_of_a_good_unit_at_the_edge():
    stated = np.full((1, GRID_HZ.size), 0.005 + 0j)
    ohm = impedance_ohm(highest_impedance(), GRID_HZ).reshape(-1) * 1.012
    assert rms_of(nearest_good_unit(MODEL, GRID_HZ, ohm).left_over) > 1e-3
    at = nearest_good_unit(MODEL, GRID_HZ, ohm, stated)
    assert rms_of(at.left_over) < 3e-4
    # What it could be beside changes nothing either; far more than it states stays a misfit.
    assert rms_of(remaining(at, -stated)) < 0.1 * 0.005
    assert rms_of(nearest_good_unit(MODEL, GRID_HZ, ohm * 1.02, stated).left_over) > 5e-3


def test_a_fit_takes_up_as_much_noise_as_it_can_tell_parameters_from():
    at = nearest(drawn(5))
    parameters = at.slopes.shape[1]
    assert 10 < 2 * np.sum(taken_up(at, np.full(GRID_HZ.size, 1e-4))) < parameters
    assert 2 * np.sum(taken_up(at, np.full(GRID_HZ.size, 100.0))) < 0.1
    assert np.sum(taken_up(at, np.zeros(GRID_HZ.size))) * 2 == pytest.approx(parameters)


def test_noise_is_taken_off_what_it_adds_to():
    unit = drawn(7)
    wrong = with_part(unit, "L2", value=find_part(unit, "L2").value * 1.15)
    quiet, noisy = verdict(wrong, noise_v=1e-7), verdict(wrong, noise_v=5e-5)
    assert noisy.value == pytest.approx(quiet.value, abs=2 * noisy.parts["noise"])
    assert 0 < noisy.parts["noise"] < 0.2 * quiet.value


def test_an_input_without_a_signal_is_void():
    read = parts.read([spoiled(capture_of(MODEL), "silent", "sense")], SETTINGS, KIT)
    assert all(verdict.outcome == "void" for verdict in judge(read, KIT.limits["parts"], KIT.folder, "parts"))


@pytest.mark.parametrize("how", ["zero", "nan", "short", "empty"])
def test_bad_captures_tell_nothing(how):
    with pytest.raises(Untrusted):
        parts.read([spoiled(capture_of(MODEL), how, "sense")], SETTINGS, KIT)


@pytest.mark.parametrize("seed", range(20))
def test_of_a_drawn_unit_nothing_is_left(seed):
    left_over = nearest_good_unit(MODEL, GRID_HZ, impedance_ohm(drawn(seed), GRID_HZ).reshape(-1)).left_over
    assert np.sqrt(np.mean(np.abs(left_over) ** 2)) < 5e-4


@pytest.mark.parametrize("side", [-1, 1])
def test_a_unit_with_everything_at_the_edge_of_its_tolerance_is_a_good_one(side):
    woofer = find_driver(MODEL, "woofer")
    edge = 1 + side * 0.0799
    far = with_driver(MODEL, "woofer", fs_hz=woofer.fs_hz * edge, vas_m3=woofer.vas_m3 / edge**2)
    for part in channel_parts(MODEL):
        far = with_part(far, part.name, value=part.value * (1 + side * 0.999 * part.tolerance))
    left_over = nearest_good_unit(MODEL, GRID_HZ, impedance_ohm(far, GRID_HZ).reshape(-1)).left_over
    assert np.max(np.abs(left_over)) < 2e-3


def test_what_is_left_is_what_no_tolerance_allows():
    # A resistor of ten times its tolerance across everything has no counterpart: the bound is reached, not passed.
    far = with_part(MODEL, "R3", value=find_part(MODEL, "R3").value * 10)
    wrong = impedance_ohm(far, GRID_HZ).reshape(-1)
    design = impedance_ohm(MODEL, GRID_HZ).reshape(-1)
    left_over = np.abs(nearest_good_unit(MODEL, GRID_HZ, wrong).left_over)
    assert 0.01 < np.sqrt(np.mean(left_over**2)) < np.sqrt(np.mean(np.abs(np.log(wrong / design)) ** 2))


def test_a_lead_of_a_few_milliohm_is_the_bench_s():
    ohm = impedance_ohm(MODEL, GRID_HZ).reshape(-1) + 0.06
    assert np.max(np.abs(nearest_good_unit(MODEL, GRID_HZ, ohm).left_over)) < 1e-3


def test_a_band_that_the_sweep_does_not_play_tells_nothing():
    with pytest.raises(Untrusted, match="band_hz"):
        parts.read([capture_of(MODEL)], parts.Settings(band_hz=[5.0, 8.0]), KIT)
