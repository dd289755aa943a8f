"""The course of a rise in temperature: what is found in made-up ones, and what is refused."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.signals.heat_response import NotEnough, Power, first_order_response, power_of_rows
from rig.signals.heating import fit_rise, predict, rate_k_per_min, settled

EVERY_S = 5.0


def programme(seconds, gap_s=None):
    """Row times and power parts: 20 s cold, a ramp of 30 s, then full; with a gap if asked for."""
    t = np.arange(EVERY_S, seconds + 0.1, EVERY_S)
    if gap_s:
        t = t[(t <= gap_s[0]) | (t > gap_s[1])]
    part = np.where(t <= 20, 0.01, np.clip((t - 20) / 30, 0.1, 1) ** 2)
    return t, power_of_rows(t, part, EVERY_S)


def rise(t, power, constants, noise_k=0.0, step_k=0.0, seed=1):
    """Sum of responses {time constant: amplitude}, noisy and rounded as a thermometer's display has it."""
    tau, amplitude = np.array(list(constants)), np.array(list(constants.values()))
    y = first_order_response(t, power, tau.astype(float)) @ amplitude
    y = y + np.random.default_rng(seed).normal(0, noise_k, t.size)
    return np.round(y / step_k) * step_k if step_k else y


@pytest.mark.parametrize("constants", [{1200: 30.0}, {300: 20.0, 1500: 10.0}, {1500: 36.0, 200: -6.0}, {900: 2.0}])
def test_steady_rise_is_found_long_before_it_is_reached(constants):
    t, power = programme(2400)
    fit = fit_rise(t, rise(t, power, constants, 0.03, 0.1), power)
    truth = sum(constants.values())
    assert fit.steady_k == pytest.approx(truth, abs=1.5)
    low, high = fit.between(0.99)
    assert low < truth < high
    assert fit.residual_k < 0.08


def test_one_constant_and_two_are_told_apart():
    t, power = programme(7200)
    one = fit_rise(t, rise(t, power, {1200: 30.0}, 0.02), power)
    two = fit_rise(t, rise(t, power, {150: 20.0, 1500: 20.0}, 0.02), power)
    assert one.two_constants < 0.5 < 0.99 < two.two_constants
    assert any(tau == pytest.approx(1200, rel=0.1) for tau in one.time_constants_s)


def test_the_longer_it_is_watched_the_less_doubt():
    doubts = []
    for seconds in (900, 1800, 3600, 14400):
        t, power = programme(seconds)
        doubts.append(fit_rise(t, rise(t, power, {1000: 30.0}, 0.03, 0.1), power).steady_u_k)
    assert doubts == sorted(doubts, reverse=True)
    assert doubts[-1] < 0.2


def test_a_straight_line_leads_nowhere_that_is_known():
    t, power = programme(1800)
    fit = fit_rise(t, rise(t, power, {60000: 300.0}, 0.03, 0.1), power)
    assert math.isinf(fit.steady_u_k)
    assert settled(fit, 1000.0) == "open"
    assert fit.between() == (-math.inf, math.inf)


def test_a_place_that_does_not_warm_stays_where_it_is():
    t, power = programme(1800)
    fit = fit_rise(t, rise(t, power, {}, 0.03, 0.1), power)
    assert abs(fit.steady_k) < 0.3


def test_a_gap_is_known_to_have_cooled():
    t, power = programme(5400, gap_s=(2400, 3600))
    y = rise(t, power, {900: 30.0}, 0.03)
    assert y[t > 3600][0] < y[t <= 2400][-1] - 15
    fit = fit_rise(t, y, power)
    assert fit.steady_k == pytest.approx(30, abs=1.0)
    # Told that it was playing all the while, the fit cannot follow: its residual says so.
    unaware = fit_rise(t, y, Power(np.array([0.0]), np.array([1.0])))
    assert unaware.residual_k > 10 * fit.residual_k


def test_heat_from_before_the_start_is_not_taken_for_the_programmes():
    t, power = programme(3600)
    y = rise(t, power, {900: 30.0}, 0.03) + 5.0 * np.exp(-t / 900)
    assert fit_rise(t, y, power).steady_k == pytest.approx(30, abs=1.0)


def test_a_place_follows_the_room_late_and_the_fit_knows_it():
    t, power = programme(2700)
    room = 20 + 0.8 * np.sin(2 * np.pi * t / 3000)
    followed = np.zeros_like(room)
    for n in range(1, t.size):
        stays = math.exp(-(t[n] - t[n - 1]) / 1000)
        followed[n] = stays * followed[n - 1] + (1 - stays) * (room[n] - room[0])
    y = rise(t, power, {1000: 25.0}, 0.02) + followed - (room - room[0])
    known, unknown = fit_rise(t, y, power, room), fit_rise(t, y, power)
    assert abs(known.steady_k - 25) < 0.5 < abs(unknown.steady_k - 25)
    assert abs(known.steady_k - 25) < 2 * known.steady_u_k


def test_prediction_goes_through_the_samples_and_to_the_steady_rise():
    t, power = programme(7200)
    y = rise(t, power, {200: 10.0, 1200: 20.0}, 0.02)
    fit = fit_rise(t, y, power)
    assert np.std(predict(fit, t, power) - y) < 0.05
    assert predict(fit, np.array([1e6]), power)[0] == pytest.approx(fit.steady_k, abs=0.01)


def test_many_rows_are_averaged_to_the_same_answer():
    t, power = programme(28800)
    fit = fit_rise(t, rise(t, power, {1200: 30.0}, 0.05, 0.1), power)
    assert fit.points <= 300
    assert fit.steady_k == pytest.approx(30, abs=0.1)


def test_limits_beyond_doubt_and_within_it():
    t, power = programme(7200)
    fit = fit_rise(t, rise(t, power, {1000: 30.0}, 0.03, 0.1), power)
    assert settled(fit, 40.0) == "inside"
    assert settled(fit, 20.0) == "outside"
    assert settled(fit, fit.steady_k) == "open"
    assert fit.probability_below(20) < 0.001 < 0.999 < fit.probability_below(40)


def test_missing_samples_are_left_out():
    t, power = programme(3600)
    y = rise(t, power, {900: 30.0}, 0.03)
    holes = y.copy()
    holes[::7] = np.nan
    assert fit_rise(t, holes, power).steady_k == pytest.approx(fit_rise(t, y, power).steady_k, abs=0.3)


@pytest.mark.parametrize("seconds", [50, 130])
def test_too_little_is_refused(seconds):
    t, power = programme(seconds)
    with pytest.raises(NotEnough, match="20"):
        fit_rise(t, rise(t, power, {900: 30.0}), power)


def test_what_makes_no_sense_is_refused():
    t, power = programme(3600)
    y = rise(t, power, {900: 30.0})
    with pytest.raises(ValueError, match="shapes"):
        fit_rise(t, y[1:], power)
    with pytest.raises(ValueError, match="ascend"):
        fit_rise(t[::-1], y, power)
    with pytest.raises(ValueError, match="there are no rows"):
        power_of_rows(np.zeros(0), np.zeros(0), 5.0)
    with pytest.raises(ValueError, match="not below zero"):
        Power(np.array([0.0]), np.array([-1.0]))
    with pytest.raises(ValueError, match="ascend"):
        Power(np.array([0.0, 0.0]), np.array([1.0, 1.0]))
    with pytest.raises(ValueError, match="shapes"):
        Power(np.zeros(0), np.zeros(0))


def test_power_of_rows_has_none_in_a_gap_and_carries_on_where_a_row_says_nothing():
    t = np.array([5.0, 10.0, 15.0, 100.0, 105.0])
    power = power_of_rows(t, np.array([0.5, 1.0, np.nan, 1.0, 1.0]), 5.0)
    at = power.at(np.array([0.0, 3.0, 8.0, 14.0, 20.0, 94.0, 96.0, 200.0]))
    assert at.tolist() == [0.0, 0.5, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0]


@given(st.floats(1, 1e5), st.floats(0, 3), st.lists(st.floats(0.1, 500), min_size=2, max_size=20))
@settings(max_examples=50, deadline=None)
def test_a_response_never_leaves_the_power_it_follows(tau_s, part, waits):
    t = np.cumsum(waits)
    y = first_order_response(t, Power(np.array([0.0]), np.array([part])), np.array([tau_s]))
    assert np.all((y >= 0) & (y <= part * (1 + 1e-12)))
    assert np.all(np.diff(y[:, 0]) >= -1e-12)


def test_rate_is_the_slope_of_the_last_minute():
    t = np.arange(0, 301, 5.0)
    celsius = np.where(t < 240, 20.0, 20 + (t - 240) * 2 / 60)
    slope, doubt = rate_k_per_min(t, celsius)
    assert slope == pytest.approx(2.0, abs=1e-9)
    assert doubt < 1e-6
    noisy = celsius + np.random.default_rng(1).normal(0, 0.1, t.size)
    slope, doubt = rate_k_per_min(t, noisy)
    assert abs(slope - 2) < 4 * doubt
    with pytest.raises(NotEnough, match="3 samples"):
        rate_k_per_min(t, np.where(t < 290, np.nan, celsius), 60)
    with pytest.raises(NotEnough):
        rate_k_per_min(np.zeros(0), np.zeros(0))
