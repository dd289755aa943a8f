"""Impedance of known loads, through a divider of the tests' own with two inputs that do not match."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from captures import BENCH, at_leads, captured, flat, one_driver_kit, spoiled

from checks import impedance
from rig.calibration.known_load import calibrate_known_load
from rig.design.limits import Limit
from rig.values.captures import Untrusted
from rig.verdict.judge import judge

SETTINGS = impedance.Settings()
#: -100 dB of a full scale of 0.5 V.
NOISE_V = 5e-6
SIDES = ["return", "source"]
#: No load may come out further off than this.
WITHIN_PERCENT = 0.5
WITHIN_DEG = 0.5


def mismatch(frequency_hz):
    """The second input reads 0.3 dB high and 3 microseconds late."""
    return 10 ** (0.3 / 20) * np.exp(-2j * np.pi * frequency_hz * 3e-6)


def resistor(ohm):
    return flat(ohm)


def resistor_and_coil(ohm, henry):
    return lambda f: ohm + 2j * np.pi * f * henry


def resistor_and_capacitor(ohm, farad):
    return lambda f: ohm + 1 / (2j * np.pi * np.maximum(f, 1e-3) * farad)


def closed_box_driver(re_ohm, fs_hz, qms, qes, le_h=0.0):
    """Textbook motor: Re, coil, and a resonance that raises it by Re Qms / Qes (Small, JAES 20, 1972)."""

    def ohm(frequency_hz):
        f = np.maximum(frequency_hz, 1e-3)
        return re_ohm + 2j * np.pi * f * le_h + re_ohm * qms / qes / (1 + 1j * qms * (f / fs_hz - fs_hz / f))

    return ohm


def vented_driver(re_ohm, fs_hz, qms, qes, tuning_hz, alpha, leakage_q):
    """Textbook vented box: the box's resonator, alpha = Vas / Vb, loads the resonance (Small, JAES 21, 1973).

    Mechanical impedance over that of the mass at resonance: j x + 1 / Qms + 1 / (j x) + alpha over the box's
    admittance j x + 1 / (QL h) ... of its stiffness, leak and vent.
    """

    def ohm(frequency_hz):
        x = 1j * np.maximum(frequency_hz, 1e-3) / fs_hz
        h = tuning_hz / fs_hz
        box = x + h / leakage_q + h**2 / x
        return re_ohm + re_ohm / qes / (x + 1 / qms + 1 / x + alpha / box)

    return ohm


LOADS = {
    **{f"{ohm} ohm": resistor(float(ohm)) for ohm in (1, 2, 4, 8, 15, 50, 120, 200)},
    "4 ohm and 1 mH": resistor_and_coil(4.0, 1e-3),
    "8 ohm and 0.15 mH": resistor_and_coil(8.0, 0.15e-3),
    "5 ohm and 100 uF": resistor_and_capacitor(5.0, 100e-6),
    "driver, peak of 200 ohm": closed_box_driver(6.0, 61.0, 7.0, 7.0 / 32, 0.4e-3),
    "driver, peak of 60 ohm": closed_box_driver(5.5, 38.0, 5.0, 0.5, 0.3e-3),
    "tweeter": closed_box_driver(5.0, 900.0, 2.5, 1.2, 0.03e-3),
    "vented": vented_driver(6.0, 40.0, 5.0, 0.4, 42.0, 1.5, 10.0),
}


@lru_cache(maxsize=4)
def bench(sense_in):
    """The bench after its inputs were compared on a known load of 10 ohm.

    In a sweep of 8 s: its noise goes into every later measurement, 21-fold with 200 ohm behind 10 ohm.
    """
    request = replace(one_driver_kit().sweep("leads", "only"), seconds=8.0)
    raw = replace(BENCH, sense_in=sense_in)
    known = captured(request, at_leads(flat(10.0), sense_in, mismatch), raw, noise_v=NOISE_V, seed=99)
    return replace(raw, known_load=calibrate_known_load(known, 10.0, "2026-01-01T12:00:00+00:00"))


def on_leads(load, kit=None, sense_in="return", noise_v=NOISE_V, seed=5, calibration=None):
    request = (kit or one_driver_kit()).sweep("leads", "only")
    paths = at_leads(load, sense_in, mismatch)
    return captured(request, paths, calibration or bench(sense_in), noise_v=noise_v, seed=seed)


@pytest.mark.parametrize("sense_in", SIDES)
@pytest.mark.parametrize("name", LOADS)
def test_loads_from_1_to_200_ohm_come_out_within_half_a_percent_and_half_a_degree(name, sense_in):
    capture = on_leads(LOADS[name], sense_in=sense_in)
    grid = impedance.judged_grid(capture.request, 24)
    true = LOADS[name](grid)
    inside = (np.abs(true) >= 0.999) & (np.abs(true) <= 200.001)
    assert np.count_nonzero(inside) > 0.9 * grid.size
    found = impedance.load_impedance(capture, grid)
    ratio = found.ohm[inside] / true[inside]
    assert np.max(np.abs(np.abs(ratio) - 1)) * 100 < WITHIN_PERCENT
    assert np.max(np.abs(np.degrees(np.angle(ratio)))) < WITHIN_DEG
    assert grid[0] == 10
    assert grid[-1] == 20000


@pytest.mark.parametrize("sense_in", SIDES)
def test_the_stated_uncertainty_is_the_scatter(sense_in):
    """Over many captures the error has the stated size: its root mean square within a quarter."""
    true, grid = 50.0, np.geomspace(30, 15000, 40)
    loads = [impedance.load_impedance(on_leads(flat(true), None, sense_in, 1e-4, seed), grid) for seed in range(30)]
    middle = np.mean([load.ohm for load in loads], axis=0)
    scatter = np.sqrt(np.mean([np.abs(load.ohm - middle) ** 2 for load in loads]) * 30 / 29)
    stated = np.sqrt(np.mean([load.uncertainty_ohm**2 for load in loads]))
    assert scatter == pytest.approx(stated, rel=0.25)


def test_without_the_known_load_the_mismatch_would_show():
    """The check of the check: the same capture held against a bench whose inputs are believed to match."""
    calibration = bench("return")
    matched = replace(calibration.known_load, ratio=np.ones_like(calibration.known_load.ratio))
    capture = on_leads(flat(8.0), calibration=replace(calibration, known_load=matched))
    found = impedance.load_impedance(capture, np.array([1000.0, 10000.0])).ohm
    assert np.all(np.abs(found / 8 - 1) > 0.05)


def test_a_constant_offset_of_the_converter_does_not_show():
    capture = on_leads(flat(8.0), noise_v=0.0)
    shifted = replace(capture, samples=capture.samples + np.float32(0.01))
    grid = impedance.judged_grid(capture.request, 24)
    assert np.abs(impedance.load_impedance(shifted, grid).ohm) == pytest.approx(np.full(grid.size, 8.0), rel=2e-3)


def values_of(read):
    return {reading.quantity: reading for reading in read.readings}


@pytest.mark.parametrize(("off", "seed"), [(0.85, 1), (1.15, 2), (1.2, 3)])
def test_parameters_of_a_closed_box_driver(off, seed):
    """The fit starts 10 % to 20 % from the truth; fs within 0.5 %, Q values within 2 %."""
    volume_l, vas_l = 20.0, 18.0
    stiffer = np.sqrt(1 + vas_l / volume_l)
    fs, qms, qes, re = 41.0, 5.5, 0.44, 5.7
    kit = one_driver_kit(
        {"kind": "closed", "volume_l": volume_l, "leakage_q": 1e6},
        re_ohm=re * off,
        fs_hz=fs / off,
        qms=qms * off,
        qes=qes / off,
        vas_l=vas_l,
        le_mh=0.4 * off,
        le_exponent=0.99,
    )
    true = closed_box_driver(re, fs * stiffer, qms * stiffer, qes * stiffer, 0.4e-3)
    found = values_of(impedance.read([on_leads(true, kit, seed=seed)], SETTINGS, kit))
    assert all(not reading.trouble for reading in found.values())
    assert found["fs"].value == pytest.approx(fs, rel=0.005)
    assert found["Qms"].value == pytest.approx(qms, rel=0.02)
    assert found["Qes"].value == pytest.approx(qes, rel=0.02)
    assert found["Qts"].value == pytest.approx(qms * qes / (qms + qes), rel=0.02)
    assert found["Re"].value == pytest.approx(re, rel=0.005)
    assert found["Le"].value == pytest.approx(0.4, rel=0.02)


@pytest.mark.parametrize("off", [0.85, 1.15])
def test_parameters_of_a_vented_driver(off):
    fs, qms, qes, re, tuning, volume_l, vas_l, leakage_q = 47.0, 4.2, 0.40, 5.6, 54.0, 7.5, 11.0, 10.0
    kit = one_driver_kit(
        {"kind": "vented", "volume_l": volume_l, "tuning_hz": tuning * off, "leakage_q": leakage_q / off},
        re_ohm=re / off,
        fs_hz=fs * off,
        qms=qms / off,
        qes=qes * off,
        vas_l=vas_l * off,
    )
    true = vented_driver(re, fs, qms, qes, tuning, vas_l / volume_l, leakage_q)
    found = values_of(impedance.read([on_leads(true, kit)], SETTINGS, kit))
    assert all(not reading.trouble for reading in found.values())
    assert found["fs"].value == pytest.approx(fs, rel=0.005)
    assert found["box tuning"].value == pytest.approx(tuning, rel=0.005)
    for key, value in {"Qms": qms, "Qes": qes, "Qts": qms * qes / (qms + qes)}.items():
        assert found[key].value == pytest.approx(value, rel=0.02)


def test_the_lowest_impedance_and_its_curves():
    kit = one_driver_kit()
    true = closed_box_driver(5.0, 60.0, 5.0, 0.5, 0.0)
    read = impedance.read([on_leads(true, kit)], SETTINGS, kit)
    curves = {curve.quantity: curve for curve in read.curves}
    assert values_of(read)["lowest impedance"].value == pytest.approx(5.0, rel=0.01)
    grid = curves["impedance"].frequency_hz
    assert curves["impedance"].value == pytest.approx(np.abs(true(grid)), rel=0.005)
    assert curves["phase"].value == pytest.approx(np.degrees(np.angle(true(grid))), abs=0.5)
    assert curves["impedance"].valid.all()


@pytest.mark.parametrize(
    ("change", "words"),
    [({"sense_ohm": None}, "sense_ohm"), ({"known_load": None}, "calibrate sense")],
)
def test_a_bench_without_its_calibration_is_not_believed(change, words):
    capture = on_leads(flat(8.0), calibration=replace(bench("return"), **change))
    with pytest.raises(Untrusted, match=words):
        impedance.read([capture], SETTINGS, one_driver_kit())


@pytest.mark.parametrize(
    ("how", "role"),
    [("zero", "sense"), ("zero", "drive"), ("zero", ""), ("silent", "drive"), ("silent", ""), ("noise", "drive"),
     ("nan", "sense"), ("nan", "drive"), ("short", ""), ("empty", "")],
)  # fmt: skip
def test_bad_captures_are_not_believed(how, role):
    with pytest.raises(Untrusted):
        impedance.read([spoiled(on_leads(flat(8.0)), how, role)], SETTINGS, one_driver_kit())


def test_a_missing_input_is_not_believed():
    capture = on_leads(flat(8.0))
    with pytest.raises(Untrusted, match="drive"):
        impedance.read([replace(capture, inputs=("microphone", "sense"))], SETTINGS, one_driver_kit())


def test_nothing_read_in_strong_noise_can_pass():
    kit = one_driver_kit()
    read = impedance.read([on_leads(flat(8.0), kit, noise_v=5e-3)], SETTINGS, kit)
    wide = Limit(lower=-1e6, upper=1e6)
    around = Limit(around="design", percent=True, within=[[20.0, 20000.0, 1e6, 1e6]])
    limits = dict.fromkeys(["lowest impedance", "Re", "fs", "Qts"], wide) | {"impedance": around}
    verdicts = judge(read, limits, kit.folder, "impedance")
    assert len(verdicts) == 5
    assert {verdict.outcome for verdict in verdicts} == {"void"}


def test_an_open_lead_and_a_short_read_as_such():
    kit = one_driver_kit()
    for ohm, low, high in ((1e9, 1e4, np.inf), (1e-3, 0.0, 0.05)):
        load = impedance.load_impedance(on_leads(flat(ohm), kit), np.geomspace(20, 20000, 50))
        assert low <= np.median(np.abs(load.ohm)) <= high
