"""Known filters are recovered from sweeps: with the sweep as reference, with a loopback, in noise, behind a gate."""

from dataclasses import replace

import numpy as np
import pytest
from delays import fractional_delay
from scipy import signal as filters

from rig.signals import deconvolution, gating, noise, smoothing, timing
from rig.signals.sweep import ExponentialSweep, synchronised_sweep

RATE_HZ = 48000.0
START_HZ, STOP_HZ = 20.0, 20000.0
#: Of all sweeps here but for their length, on which no linear response hangs.
SENT = ExponentialSweep(START_HZ, STOP_HZ, 1.5, RATE_HZ)
FREQUENCY_HZ = np.append(smoothing.log_frequency_grid(START_HZ, STOP_HZ, 24), STOP_HZ)
UNITS = {
    "wire": ([1.0], [1.0]),
    "high-pass 50 Hz": filters.butter(2, 50, "high", fs=RATE_HZ),
    "steep high-pass 60 Hz": filters.butter(4, 60, "high", fs=RATE_HZ),
    "low-pass 5 kHz": filters.butter(2, 5000, "low", fs=RATE_HZ),
    "band-pass": filters.butter(2, [80, 15000], "band", fs=RATE_HZ),
    "inverted FIR": (-filters.firwin(101, 12000, fs=RATE_HZ), [1.0]),
}


def played(seconds, lead_s=0.1, tail_s=0.6):
    """A sweep between silences."""
    body = synchronised_sweep(replace(SENT, seconds=seconds))
    return np.concatenate((np.zeros(round(lead_s * RATE_HZ)), body, np.zeros(round(tail_s * RATE_HZ))))


def exact(unit, frequency_hz=FREQUENCY_HZ):
    return filters.freqz(*unit, frequency_hz, fs=RATE_HZ)[1]


def errors(found, true):
    """Largest errors in dB and degrees, where the unit passes more than a thousandth."""
    loud = np.abs(true) > 1e-3
    ratio = (found / true)[..., loud]
    return np.max(np.abs(20 * np.log10(np.abs(ratio)))), np.max(np.abs(np.degrees(np.angle(ratio))))


@pytest.mark.parametrize("seconds", [1.5, 3.0])
@pytest.mark.parametrize("name", UNITS)
def test_the_unit_is_recovered_with_the_sweep_as_reference(name, seconds):
    sent = played(seconds)
    unit = UNITS[name]
    captured = filters.lfilter(*unit, sent)
    impulse = deconvolution.impulse_response(captured, sent, SENT, 0.05)
    gated = gating.gate(impulse, RATE_HZ, 0.05, 0.04, 0.5)
    found = deconvolution.gated_frequency_response(gated, SENT, FREQUENCY_HZ)
    error_db, error_deg = errors(found, exact(unit))
    assert error_db < 0.02
    assert error_deg < 0.2


@pytest.mark.parametrize("seconds", [1.5, 3.0])
def test_with_a_loopback_the_answer_is_the_ratio_to_it(seconds):
    sent = played(seconds)
    card = filters.butter(1, [4, 22000], "band", fs=RATE_HZ)
    loopback = 0.37 * fractional_delay(filters.lfilter(*card, sent), 411.3)
    captured = np.stack([filters.lfilter(*UNITS[name], loopback) for name in UNITS])
    found = deconvolution.transfer_function(captured, loopback, SENT, FREQUENCY_HZ)
    for row, unit in zip(found, UNITS.values(), strict=True):
        error_db, error_deg = errors(row, exact(unit))
        assert error_db < 0.02
        assert error_deg < 0.2


@pytest.mark.parametrize(
    ("rate_hz", "start_hz", "stop_hz", "seconds"),
    [(44100.0, 20, 20000, 1.0), (96000.0, 20, 40000, 1.0), (48000.0, 50, 15000, 0.5), (48000.0, 200, 2000, 0.2)],
)
def test_other_rates_and_bands_are_as_exact(rate_hz, start_hz, stop_hz, seconds):
    swept = ExponentialSweep(start_hz, stop_hz, seconds, rate_hz)
    sent = np.concatenate((np.zeros(1000), synchronised_sweep(swept), np.zeros(round(0.6 * rate_hz))))
    unit = filters.butter(2, [2.5 * start_hz, 0.6 * stop_hz], "band", fs=rate_hz)
    frequency_hz = np.geomspace(start_hz, stop_hz, 300)
    found = deconvolution.transfer_function(filters.lfilter(*unit, sent), sent, swept, frequency_hz)
    true = filters.freqz(*unit, frequency_hz, fs=rate_hz)[1]
    error_db, error_deg = errors(found, true)
    assert error_db < 0.02
    assert error_deg < 0.2


def test_loopback_gain_delay_and_colour_are_in_the_answer():
    sent = played(1.5)
    colour = filters.butter(1, 15000, "low", fs=RATE_HZ)
    loopback = 0.5 * fractional_delay(filters.lfilter(*colour, sent), 100.25)
    captured = 2.0 * fractional_delay(filters.lfilter(*UNITS["high-pass 50 Hz"], sent), 250.75)
    found = deconvolution.transfer_function(captured, loopback, SENT, FREQUENCY_HZ)
    turn = np.exp(-2j * np.pi * FREQUENCY_HZ * 150.5 / RATE_HZ)
    true = 4.0 * turn * exact(UNITS["high-pass 50 Hz"]) / exact(colour)
    error_db, error_deg = errors(found, true)
    assert error_db < 0.02
    assert error_deg < 0.2


@pytest.mark.parametrize("seconds", [1.5, 3.0])
def test_noise_60_db_down_moves_nothing_by_a_tenth_of_a_decibel(seconds):
    sent = played(seconds)
    unit = UNITS["high-pass 50 Hz"]
    captured = filters.lfilter(*unit, sent)
    strength = 1e-3 * np.sqrt(np.mean(synchronised_sweep(replace(SENT, seconds=seconds)) ** 2))
    hiss = np.random.default_rng(60).normal(0.0, strength, (4, captured.size))
    impulse = deconvolution.impulse_response(captured + hiss, sent, SENT, 0.05)
    gated = gating.gate(impulse, RATE_HZ, 0.05, 0.04, 0.5)
    fine_hz = smoothing.log_frequency_grid(START_HZ, STOP_HZ, 960)
    found = deconvolution.gated_frequency_response(gated, SENT, fine_hz)
    targets_hz = FREQUENCY_HZ[:-1]
    level, true = (
        10 * np.log10(smoothing.smooth_power(np.abs(response) ** 2, fine_hz, targets_hz, 24))
        for response in (found, exact(unit, fine_hz))
    )
    assert np.max(np.abs(level - true)) < 0.1


def test_the_stated_noise_is_what_noise_does_to_a_gated_response():
    sent = played(1.5)
    hiss = np.random.default_rng(8).normal(0.0, 1e-3, (40, sent.size))
    impulse = deconvolution.impulse_response(hiss, sent, SENT, 0.05)
    gated = gating.gate(impulse, RATE_HZ, 0.05, 0.01, 0.1)
    frequency_hz = smoothing.log_frequency_grid(50, 18000, 6)
    found = deconvolution.gated_frequency_response(gated, SENT, frequency_hz)
    silence = np.random.default_rng(9).normal(0.0, 1e-3, 96000)
    stated = noise.response_noise_power(silence, sent, gated.window, SENT, frequency_hz)
    excess_db = 10 * np.log10(np.mean(np.abs(found) ** 2, axis=0) / stated)
    assert abs(np.mean(excess_db)) < 0.3
    assert np.max(np.abs(excess_db)) < 3.0


@pytest.mark.parametrize("gate_s", [0.003, 0.0038])
@pytest.mark.parametrize("name", UNITS)
def test_a_gate_removes_a_reflection_above_its_lowest_valid_frequency(name, gate_s):
    sent = played(1.5)
    direct = filters.lfilter(*UNITS[name], sent)
    reflected = 10 ** (-10 / 20) * fractional_delay(direct, 0.004 * RATE_HZ)
    impulse = deconvolution.impulse_response(direct + reflected, sent, SENT, 0.05)
    gated = gating.gate(impulse, RATE_HZ, timing.arrival_s(impulse, RATE_HZ), 0.002, gate_s)
    assert gated.lowest_valid_hz <= 2.5 / gate_s
    valid_hz = FREQUENCY_HZ[gated.lowest_valid_hz <= FREQUENCY_HZ]
    found = deconvolution.gated_frequency_response(gated, SENT, valid_hz)
    true = exact(UNITS[name], valid_hz)
    loud = np.abs(true) > 0.03
    assert np.max(np.abs(20 * np.log10(np.abs(found / true)))[loud]) < 0.5


def test_without_the_gate_the_same_reflection_shows():
    sent = played(1.5)
    captured = sent + 10 ** (-10 / 20) * fractional_delay(sent, 0.004 * RATE_HZ)
    found = deconvolution.transfer_function(captured, sent, SENT, FREQUENCY_HZ)
    assert np.ptp(20 * np.log10(np.abs(found))) > 5.0


def test_single_precision_captures_and_many_channels_are_taken():
    sent = played(0.5)
    captured = np.stack([[sent, -2 * sent], [0.5 * sent, 3 * sent]]).astype(np.float32)
    impulse = deconvolution.impulse_response(captured, sent, SENT, 0.01, 0.05)
    assert impulse.shape == (2, 2, 480 + 2400)
    assert impulse.dtype == np.float64
    peaks = impulse[..., 480] / impulse[0, 0, 480]
    np.testing.assert_allclose(peaks, [[1, -2], [0.5, 3]], rtol=1e-5)


@pytest.mark.parametrize(
    ("captured", "reference", "message"),
    [
        (np.full(1000, np.nan), np.ones(1000), "captured must be finite"),
        (np.ones(1000), np.full(1000, np.inf), "reference must be finite"),
        (np.ones(1), np.ones(1000), "at least 2 frames"),
        (np.ones(1000), np.zeros(1000), "silent"),
    ],
)
def test_what_cannot_be_deconvolved_is_refused(captured, reference, message):
    with pytest.raises(ValueError, match=message):
        deconvolution.impulse_response(captured, reference, SENT)


def test_more_time_than_there_is_is_refused():
    sent = played(0.2)
    with pytest.raises(ValueError, match="asked for"):
        deconvolution.impulse_response(sent, sent, SENT, 1.0, 10.0)
    with pytest.raises(ValueError, match="lie in the sweep's band"):
        deconvolution.transfer_function(sent, sent, SENT, [10.0])


@pytest.mark.parametrize("at_s", [0.0, 0.3, 1.0, 1.9])
def test_nothing_wraps_into_what_is_kept(at_s):
    sent = played(1.5)
    click = np.zeros(sent.size)
    click[round(at_s * RATE_HZ)] = 1.0
    band = (SENT, 0.05, 0.35)
    found = deconvolution.impulse_response(click, sent, *band)
    room = np.zeros(2 * sent.size)
    far = deconvolution.impulse_response(np.append(click, room), np.append(sent, room), *band)
    np.testing.assert_allclose(found, far, atol=1e-3 * np.max(np.abs(far)))


def test_single_precision_is_as_good_as_any_converter():
    sent = played(1.5)
    captured = filters.lfilter(*UNITS["steep high-pass 60 Hz"], sent)
    singles = (captured.astype(np.float32), sent.astype(np.float32))
    responses = [
        deconvolution.impulse_response(*pair, SENT, 0.05, 0.35)
        for pair in (singles, [each.astype(np.float64) for each in singles])
    ]
    gates = [gating.gate(each, RATE_HZ, 0.05, 0.04, 0.25) for each in responses]
    single, double = (deconvolution.gated_frequency_response(each, SENT, FREQUENCY_HZ) for each in gates)
    # -110 dB of the pass band, where the unit is 50 dB down too.
    np.testing.assert_allclose(single, double, atol=3e-6)


def test_the_power_on_lines_is_that_of_the_response():
    sent = played(0.5)
    impulse = deconvolution.impulse_response(filters.lfilter(*UNITS["band-pass"], sent), sent, SENT)
    for after_s in (0.005, 0.2):
        gated = gating.gate(impulse, RATE_HZ, 0.05, 0.001, after_s)
        line_hz, power = deconvolution.gated_power(gated, SENT)
        assert line_hz[0] <= START_HZ < line_hz[1]
        assert line_hz[-2] < STOP_HZ <= line_hz[-1]
        assert np.max(np.diff(line_hz)) < 1 / (2 * after_s)
        inside = (line_hz >= START_HZ) & (line_hz <= STOP_HZ)
        found = deconvolution.gated_frequency_response(gated, SENT, line_hz[inside])
        np.testing.assert_allclose(np.abs(found) ** 2, power[inside], atol=2e-3 * np.max(power))
