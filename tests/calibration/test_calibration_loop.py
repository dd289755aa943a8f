"""A loopback's figures against loops of known gain, filter, latency, noise and curvature."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import fft

from rig.calibration.loopback import loop_of
from rig.calibration.storage import LoopDetails
from rig.files.errors import BenchError
from rig.files.plain import json_bytes, plain, restored
from rig.signals import stimulus
from rig.values.captures import Calibration, Capture
from rig.values.requests import Sweep

RATE_HZ = 48000.0
SWEEP = Sweep("playing", "left", "left", 0.7, 1.0, 20.0, 21800.0, 1.0)
CALIBRATION = Calibration({"loopback": 2.0}, 2.0)


def high_pass(f):
    return 1 / (1 + 5.0 / (1j * np.maximum(f, 1e-6)))


def looped(latency=731.37, gain=1.0, path=high_pass, noise_v=1e-5, curve=(0.0, 0.0), seed=1, sweep=SWEEP):
    """One opening: the output's volts bent by a polynomial, filtered, late, with noise."""
    plan = sweep.layout(RATE_HZ)
    frames = plan.frames + 4800
    volts = sweep.level_v * np.sqrt(2) * stimulus.compose(plan)
    second, third = curve
    size = fft.next_fast_len(frames + 24000, real=True)
    f = fft.rfftfreq(size, 1 / RATE_HZ)
    spectrum = fft.rfft(volts + second * volts**2 + third * volts**3, size)
    heard = fft.irfft(spectrum * gain * path(f) * np.exp(-2j * np.pi * f * latency / RATE_HZ), size)[:frames]
    heard += noise_v * np.random.default_rng(seed).standard_normal(frames)
    return Capture(sweep, np.float32(heard / 2.0)[np.newaxis], ("loopback",), RATE_HZ, CALIBRATION)


def test_response_latency_and_noise_are_the_loop_s():
    latencies = [700.0, 1211.25, 705.5]
    found = loop_of([looped(latency, 1.01, seed=n) for n, latency in enumerate(latencies)], "loopback")
    details, response = found.details, found.details.response
    expected = 1.01 * high_pass(response.frequency_hz)
    np.testing.assert_allclose(response.gain_db, 20 * np.log10(np.abs(expected)), atol=0.01)
    np.testing.assert_allclose(details.latency_samples, latencies, atol=0.02)
    # The phase is the filter's alone, the latency taken out to a fiftieth of a sample.
    turn = np.degrees(np.angle(expected))
    assert np.max(np.abs(response.degrees - turn)[response.frequency_hz < 10000]) < 1.5
    assert found.level_db == pytest.approx(20 * np.log10(1.01), abs=0.002)
    assert details.noise_v == pytest.approx(1e-5, rel=0.05)
    assert details.noise_db_full_scale == pytest.approx(20 * np.log10(1e-5 / (2 / np.sqrt(2))), abs=0.5)
    assert response.frequency_hz[0] == 20
    assert response.frequency_hz[-1] == 21800


def test_harmonics_are_the_polynomial_s():
    """A sine of peak p through x + a x^2 + b x^3: a p / 2 and b p^2 / 4 over the fundamental (1 + 3/4 b p^2)."""
    peak, a, b = 0.7 * np.sqrt(2), 0.002, 0.001
    details = loop_of([looped(curve=(a, b), path=np.ones_like)], "loopback").details
    found = details.harmonics
    middle = (found.frequency_hz > 100) & (found.frequency_hz < 5000)
    fundamental = 1 + 0.75 * b * peak**2
    np.testing.assert_allclose(found.decibel[0, middle], 20 * np.log10(a * peak / 2 / fundamental), atol=0.1)
    np.testing.assert_allclose(found.decibel[1, middle], 20 * np.log10(b * peak**2 / 4 / fundamental), atol=0.3)
    assert details.distortion_at_1_khz == pytest.approx(np.hypot(a * peak / 2, b * peak**2 / 4), rel=0.02)
    assert found.level_v == 0.7


def test_the_uncertainty_is_the_spread_over_the_openings():
    gains = [1.0, 1.002, 0.998, 1.001]
    found = loop_of([looped(gain=gain, seed=n) for n, gain in enumerate(gains)], "loopback")
    spread = np.std([20 * np.log10(gain) for gain in gains], ddof=1) / 2
    assert found.u_level_db == pytest.approx(spread, rel=0.01)


def test_everything_is_plain_json():
    found = loop_of([looped(noise_v=0.0)], "loopback").details
    back = restored(LoopDetails, json.loads(json_bytes(found)))
    assert plain(back) == plain(found)


@pytest.mark.parametrize(
    ("capture", "words"),
    [
        (lambda: looped(gain=0.5), "dB off what output_volts and input_volts promise"),
        (lambda: looped(path=lambda f: 1 / (1 + 1j * f / 2000)), "is it a plain cable"),
        (lambda: looped(curve=(0.05, 0.0)), "overloaded"),
        (lambda: looped(gain=0.0), "not whole: .*no signal|not whole"),
        (lambda: replace(looped(), flags=("input overflow",)), "not whole: input overflow"),
        (lambda: replace(looped(), samples=np.clip(looped().samples, -0.3, 0.3) / 0.3), "not whole"),
    ],
)
def test_what_is_no_loop_is_refused(capture, words):
    with pytest.raises(BenchError, match=words):
        loop_of([capture()], "loopback")
