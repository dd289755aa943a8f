"""A microphone's response is taken out of what it recorded."""

import numpy as np
import pytest

from rig.signals.correction import response_at, without_response

RATE_HZ = 48000.0
F_HZ = np.array([100.0, 1000.0, 10000.0])
DB = np.array([-3.0, 0.0, 4.0])


def test_between_and_beyond_the_points():
    found = response_at([0.0, 50.0, 100.0, np.sqrt(1e5), 1000.0, 20000.0], F_HZ, DB)
    np.testing.assert_allclose(20 * np.log10(np.abs(found)), [-3, -3, -3, -1.5, 0, 4], atol=1e-9)
    np.testing.assert_array_equal(found.imag, 0)


def test_phase_is_unwrapped_before_it_is_drawn_between_points():
    found = response_at([np.sqrt(1e7)], F_HZ, DB * 0, [0.0, 170.0, -170.0])
    assert np.degrees(np.angle(found[0])) % 360 == pytest.approx(180, abs=1e-6)


@pytest.mark.parametrize("degrees", [None, [20.0, 0.0, -60.0]])
def test_a_sine_comes_out_as_the_pressure_was(degrees):
    frames = 9600
    t = np.arange(frames) / RATE_HZ
    window = np.hanning(frames)
    for hz in (300.0, 1000.0, 8000.0):
        response = response_at([hz], F_HZ, DB, degrees)[0]
        heard = window * np.real(response * np.exp(2j * np.pi * hz * t))
        found = without_response(heard, RATE_HZ, F_HZ, DB, degrees)
        # What is left is the window's own width against the slope of the response.
        np.testing.assert_allclose(found, window * np.cos(2 * np.pi * hz * t), atol=0.01)


def test_an_even_microphone_changes_nothing():
    wave = np.random.default_rng(1).standard_normal(1001)
    np.testing.assert_allclose(without_response(wave, RATE_HZ, F_HZ, np.zeros(3)), wave, atol=1e-12)
