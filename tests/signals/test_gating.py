"""Windows have their stated shape; responses of what they keep land on any grid."""

import numpy as np
import pytest

from rig.signals import gating

RATE_HZ = 48000.0


def test_the_window_has_its_stated_shape():
    time_s = np.array([-2.1, -2.0, -1.5, -1.0, 0.0, 2.0, 3.0, 4.0, 4.1]) * 1e-3
    window = gating.gate_window(time_s, 1e-3, 2e-3, 4e-3, 2e-3)
    np.testing.assert_allclose(window, [0, 0, 0.5, 1, 1, 1, 0.5, 0, 0], atol=1e-12)


def test_a_gate_keeps_what_is_flat_and_drops_what_is_outside():
    response = np.zeros((2, 4800))
    response[:, 1000], response[:, 1100], response[:, 1300] = 1.0, 0.5, 0.25
    gated = gating.gate(response, RATE_HZ, 1000 / RATE_HZ, 20 / RATE_HZ, 240 / RATE_HZ)
    first = round(gated.first_s * RATE_HZ)
    assert gated.response[0, 1000 - first] == 1.0
    assert gated.response[1, 1100 - first] == 0.5
    assert np.count_nonzero(gated.response) == 4
    assert gated.lowest_valid_hz == pytest.approx(400)
    assert gated.length_s == pytest.approx(0.005)


def test_channels_are_gated_at_their_own_arrivals():
    arrivals_s = np.array([1000.0, 1500.5]) / RATE_HZ
    gated = gating.gate(np.ones((2, 4800)), RATE_HZ, arrivals_s, 20 / RATE_HZ, 200 / RATE_HZ)
    np.testing.assert_allclose((gated.first_s + gated.time_zero_s) * RATE_HZ, [1000, 1500.5])
    np.testing.assert_allclose(np.sum(gated.window[0]), np.sum(gated.window[1]), rtol=1e-3)
    assert np.argmax(gated.window[0] > 0.5) < np.argmax(gated.window[1] > 0.5)


@pytest.mark.parametrize("at", [0, 37, 800])
def test_a_pulse_has_a_flat_response_and_no_phase_about_its_own_time(at):
    pulse = np.zeros((3, 1000))
    pulse[:, at] = [1.0, -2.0, 0.5]
    frequency_hz = np.array([0.0, 20.0, 333.3, 5000.0, 24000.0])
    found = gating.frequency_response(pulse, RATE_HZ, frequency_hz, at / RATE_HZ)
    np.testing.assert_allclose(found, np.array([[1.0], [-2.0], [0.5]]) * np.ones(5), atol=1e-9)


def test_the_grid_is_read_between_the_lines_of_the_transform():
    rng = np.random.default_rng(4)
    decay = rng.normal(size=3000) * np.exp(-np.arange(3000) / 200)
    frequency_hz = np.array([20.0, 101.7, 3456.78, 19999.0])
    true = np.exp(-2j * np.pi * np.outer(frequency_hz, np.arange(3000)) / RATE_HZ) @ decay
    found = gating.frequency_response(decay, RATE_HZ, frequency_hz)
    np.testing.assert_allclose(found, true, atol=3e-4 * np.max(np.abs(true)))


def test_gates_that_do_not_fit_are_refused():
    response = np.ones(4800)
    with pytest.raises(ValueError, match="does not fit"):
        gating.gate(response, RATE_HZ, 0.001, 0.002, 0.005)
    with pytest.raises(ValueError, match="does not fit"):
        gating.gate(response, RATE_HZ, 0.09, 0.002, 0.05)
    with pytest.raises(ValueError, match="finite"):
        gating.gate(response, RATE_HZ, np.nan, 0.002, 0.005)
    with pytest.raises(ValueError, match="rise"):
        gating.gate_window([0.0], 0.0, 0.001, 0.001, 0.001)
    with pytest.raises(ValueError, match="frequencies must lie"):
        gating.frequency_response(response, RATE_HZ, [25000.0])


def test_responses_of_several_lengths_are_those_of_each_alone():
    random = np.random.default_rng(3)
    frames = np.array([3000, 1300, 1100, 5000])
    pieces = [np.hanning(each) * random.standard_normal(each) for each in frames]
    at_hz, zero_s = np.geomspace(100, 20000, 4 * 50).reshape(4, 50), frames / 2 / RATE_HZ
    together = gating.frequency_responses(pieces, RATE_HZ, at_hz, zero_s)
    for found, piece, hz, s in zip(together, pieces, at_hz, zero_s, strict=True):
        exact = np.exp(-2j * np.pi * np.outer(hz, np.arange(piece.size) / RATE_HZ - s)) @ piece
        np.testing.assert_allclose(found, exact, atol=0.01 * np.max(np.abs(exact)))
