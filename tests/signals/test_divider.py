"""The divider against circuits worked out by hand, its fit against dividers that are known, its errors against both."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.signals.divider import (
    Divider,
    Standard,
    divider_impedance,
    divider_ratio,
    divider_slope,
    fit_divider,
    load_errors,
    load_uncertainties,
    load_uncertainty,
    one_load_errors,
)

F_HZ = np.geomspace(10, 20000, 9)
S = 2j * np.pi * F_HZ
STANDARDS = [
    Standard("open", np.inf, 5e-6),
    Standard("short", 0.0, 0.005),
    Standard("8.2 ohm", 8.2, 0.047),
    Standard("47 ohm", 47.0, 0.27),
]
LOADS = [0.5, 4.0, 8.0 + 6.0j, 30.0 - 20.0j, 200.0]
WIRINGS = ["return", "source"]


def nominal(sense_ohm, sense_in):
    """A divider with equal inputs, no leads and nothing stray."""
    zero = np.zeros(1, np.complex128)
    return Divider(sense_ohm, sense_in, zero + 1, zero, zero)


def circuit(sense_in, load, gain, sense_ohm, lead_ohm, stray_siemens):
    """Ratio of the voltages by Kirchhoff's laws, for one volt across the whole."""
    behind = lead_ohm + (1 / (1 / load + stray_siemens) if load else 0.0)
    current = 1 / (behind + sense_ohm)
    return gain * current * (sense_ohm if sense_in == "return" else behind)


def real_divider(sense_in, sense_ohm=10.07):
    return Divider(sense_ohm, sense_in, 1.02 * np.exp(-S * 1e-6), 0.13 + S * 1e-6, 1e-5 + S * 1e-9)


@pytest.mark.parametrize("sense_in", WIRINGS)
@pytest.mark.parametrize("load", [0.0, 1e9, *LOADS])
def test_the_ratio_is_the_circuit_s(sense_in, load):
    divider = real_divider(sense_in)
    by_hand = circuit(sense_in, load, divider.gain, 10.07, divider.lead_ohm, divider.stray_siemens)
    np.testing.assert_allclose(divider_ratio(divider, load), by_hand, rtol=1e-12)
    np.testing.assert_allclose(divider_impedance(divider, by_hand), load, rtol=1e-5, atol=1e-12)


@pytest.mark.parametrize("sense_in", WIRINGS)
def test_open_clips_are_the_limit_of_large_loads(sense_in):
    divider = real_divider(sense_in)
    np.testing.assert_allclose(divider_ratio(divider, np.inf), divider_ratio(divider, 1e12), rtol=1e-6)


@pytest.mark.parametrize("sense_in", WIRINGS)
def test_the_slope_is_the_derivative(sense_in):
    divider = real_divider(sense_in)
    ratio, step = divider_ratio(divider, 8.0), 1e-7
    difference = divider_impedance(divider, ratio + step) - divider_impedance(divider, ratio - step)
    np.testing.assert_allclose(divider_slope(divider, ratio), difference / (2 * step), rtol=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    sense_in=st.sampled_from(WIRINGS),
    gain=st.floats(0.8, 1.25),
    sense_error=st.floats(-0.05, 0.05),
    lead_ohm=st.floats(0, 1),
    stray=st.floats(0, 1e-3),
    count=st.sampled_from([3, 4]),
)
def test_known_loads_bring_back_every_load(sense_in, gain, sense_error, lead_ohm, stray, count):
    real = Divider(10 * (1 + sense_error), sense_in, gain * np.exp(-S * 5e-6), lead_ohm + 0j, stray + S * 1e-9)
    measured = np.array([divider_ratio(real, one.ohm) for one in STANDARDS[:count]])
    # The nominal value is all that is known of the resistor.
    found = fit_divider(measured, STANDARDS[:count], 10.0, sense_in)
    for load in LOADS:
        np.testing.assert_allclose(divider_impedance(found, divider_ratio(real, load)), load, rtol=1e-9)


@pytest.mark.parametrize("sense_in", WIRINGS)
def test_a_load_off_its_value_by_its_uncertainty_moves_the_rest_as_the_errors_say(sense_in):
    real = nominal(10.0, sense_in)
    errors = load_errors(real, STANDARDS)
    for n, one in enumerate(STANDARDS):
        off = 1 / one.uncertainty if np.isinf(one.ohm) else one.ohm + one.uncertainty
        measured = np.array([divider_ratio(real, off if m == n else each.ohm) for m, each in enumerate(STANDARDS)])
        found = fit_divider(measured, STANDARDS, 10.0, sense_in)
        for load in (2.0, 8.0, 25.0):
            moved = np.real(divider_impedance(found, divider_ratio(real, load)) - load)
            assert load_uncertainty([errors[n]], load) == pytest.approx(abs(moved[0]), rel=1e-3, abs=1e-9)


@pytest.mark.parametrize("sense_in", WIRINGS)
def test_each_load_is_trusted_by_what_is_known_of_it(sense_in):
    """A second load that is known ten times worse moves the result by a hundredth."""
    real = nominal(10.0, sense_in)
    loads = [*STANDARDS[:2], Standard("8 ohm", 8.0, 0.01), Standard("rough 8.2 ohm", 8.2, 0.1)]
    measured = np.array([divider_ratio(real, ohm) for ohm in (np.inf, 0.0, 8.0, 8.3)])
    found = divider_impedance(fit_divider(measured, loads, 10.0, sense_in), divider_ratio(real, 8.0))
    assert abs(found[0] - 8.0) == pytest.approx(0.1 / 101, rel=0.1)


@pytest.mark.parametrize("sense_in", WIRINGS)
@pytest.mark.parametrize("which", ["load", "sense", "lead"])
def test_errors_of_a_single_known_load_are_the_derivatives(sense_in, which):
    step = 1e-6
    off = {"load": 0.0, "sense": 0.0, "lead": 0.0, which: step}

    def found(load):
        """What is read of a load when one thing is off, the inputs compared on what is taken for 8 ohm."""
        real = [circuit(sense_in, x, 1.0, 10.0 + off["sense"], off["lead"], 0.0) for x in (8.0 + off["load"], load)]
        believed = circuit(sense_in, 8.0, 1.0, 10.0, 0.0, 0.0)
        return divider_impedance(nominal(10.0, sense_in), real[1] / real[0] * believed)[0]

    errors = one_load_errors(8.0, 1.0, 10.0, 1.0, 1.0, sense_in)
    told = errors[["load", "sense", "lead"].index(which)]
    for load in (2.0, 8.0, 40.0):
        assert load_uncertainty([told], load) == pytest.approx(abs(found(load) - load) / step, rel=1e-4, abs=1e-6)


def test_an_error_of_scale_turns_no_impedance_and_one_in_series_turns_a_coil():
    coil, scale, series = 3 + 4j, (0.0, 0.01, 0.0), (0.1, 0.0, 0.0)
    assert np.ravel(load_uncertainties([scale], coil)) == pytest.approx([0.05, 0.0])
    # 0.1 ohm in series with a coil at 53.1 degrees: by 0.06 along and 0.08 across.
    assert np.ravel(load_uncertainties([series], coil)) == pytest.approx([0.06, 0.08])
    assert load_uncertainties([scale, series], coil)[0] == pytest.approx(np.hypot(0.05, 0.06))
    turned_degrees = np.degrees(np.angle(coil + 0.1) - np.angle(coil))
    assert abs(turned_degrees) == pytest.approx(np.degrees(0.08 / 5), rel=0.02)


def test_without_anything_known_there_is_no_uncertainty():
    np.testing.assert_array_equal(load_uncertainty([], np.ones(3)), np.zeros(3))


@pytest.mark.parametrize(
    ("ratios", "standards", "words"),
    [
        (np.ones((2, 3)), STANDARDS[:2], "three different loads"),
        (np.ones((3, 3)), [STANDARDS[0], STANDARDS[1], STANDARDS[1]], "three different loads"),
        (np.ones((4, 3)), STANDARDS[:3], r"shape \(3, frequencies\)"),
        (np.full((3, 3), np.nan), STANDARDS[:3], "finite ratios"),
    ],
)
def test_what_cannot_be_fitted_is_refused(ratios, standards, words):
    with pytest.raises(ValueError, match=words):
        fit_divider(ratios, standards, 10.0, "return")


@pytest.mark.parametrize("sense_in", WIRINGS)
def test_twice_the_stated_uncertainty_covers_95_of_100(sense_in):
    """Over 1,000 benches whose known loads are off by chance, each as much as is stated of it."""
    random = np.random.default_rng(4)
    loads, inside = (4.0, 8.0, 30.0), np.zeros(3)
    errors = load_errors(nominal(10.0, sense_in), STANDARDS)
    stated = np.array([load_uncertainty(errors, load) for load in loads])
    for _ in range(1000):
        off = random.standard_normal(len(STANDARDS)) * [one.uncertainty for one in STANDARDS]
        real = Divider(10.05, sense_in, np.full(1, 1.01 + 0j), np.full(1, 0.1 + 0j), np.zeros(1, np.complex128))
        true_ohm = [1 / off[0], *(one.ohm + each for one, each in zip(STANDARDS[1:], off[1:], strict=True))]
        found = fit_divider(np.array([divider_ratio(real, ohm) for ohm in true_ohm]), STANDARDS, 10.0, sense_in)
        read = np.array([np.real(divider_impedance(found, divider_ratio(real, load)))[0] for load in loads])
        inside += np.abs(read - loads) <= 2 * stated
    assert np.all((inside >= 930) & (inside <= 970)), inside
