"""How long the analysis of one sweep takes, beside a straightforward analysis with a general acoustics library.

Skipped unless asked for: `pytest tests/benchmarks --benchmark-only`. Compare the means of the two in the same run.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from checks import polarity, response
from rig.values.captures import Capture
from rig.verdict import responses
from rig.verdict.examine import capture_troubles

sys.path.append(str(Path(__file__).parents[1] / "checks"))
from captures import V_PER_PA, captured, demo_kit, playing

KIT = demo_kit("booth-two")
SPEC = KIT.sweeps.playing.model_copy(update={"seconds": 2.0})
TWO_SECONDS = KIT.model_copy(update={"sweeps": KIT.sweeps.model_copy(update={"playing": SPEC})})
REQUEST = TWO_SECONDS.sweep("playing", "left", position="on axis")


@pytest.fixture(scope="module")
def sound() -> Capture:
    """A sweep of 2 s through the unit as designed, with a loopback."""

    def as_designed(frequency_hz):
        return responses.design_response(TWO_SECONDS, REQUEST, np.maximum(frequency_hz, 1.0), 343.2)

    noise = {"microphone": 1e-5, "loopback": 1e-6}
    return captured(REQUEST, playing(REQUEST, as_designed), noise_v=noise)


def rig_analysis(capture: Capture):
    """Integrity, response and polarity of one capture, as a run does them."""
    # What is kept of a capture is kept of this object alone.
    fresh = replace(capture)
    troubles = capture_troubles(fresh)
    settings = response.Settings.model_validate(TWO_SECONDS.checks["response"])
    read = response.read([fresh], settings, TWO_SECONDS)
    signs = polarity.read([fresh], polarity.Settings(), TWO_SECONDS)
    return troubles, read, signs


def inverted(capture: Capture):
    """Impulse response by regularised inversion of the loopback."""
    import pyfar

    rate_hz = capture.sample_rate_hz
    recorded = pyfar.Signal(capture.volts("microphone") / V_PER_PA, rate_hz)
    sent = pyfar.Signal(capture.volts("loopback") * REQUEST.path_gain, rate_hz)
    band = (REQUEST.start_hz, REQUEST.stop_hz)
    inverse = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(sent, band).invert
    return recorded * inverse


def straightforward(capture: Capture):
    """Regularised inversion of the loopback, a time window, smoothing to 1/24 octave."""
    return smoothed_level(inverted(capture))


def smoothed_level(impulse):
    """A time window, smoothing to 1/24 octave."""
    import pyfar

    onset = int(pyfar.dsp.find_impulse_response_start(impulse)[0])
    ends = [onset - 48, onset - 24, onset + 120, onset + 240]
    windowed = pyfar.dsp.time_window(impulse, ends, shape="symmetric", unit="samples", crop="window")
    padded = pyfar.dsp.pad_zeros(windowed, 8192 - windowed.n_samples)
    return pyfar.dsp.smooth_fractional_octave(padded, 24)[0]


def test_the_two_agree(sound):
    """The check of the comparison: both find the same level, within what their windows leave."""
    troubles, read, _ = rig_analysis(sound)
    assert troubles == ()
    free = next(curve for curve in read.curves if curve.quantity == "free-field level")
    other = straightforward(sound)
    level_db = 20 * np.log10(np.abs(other.freq[0]) * REQUEST.level_v / 20e-6)
    at_hz = np.array([600.0, 1000.0, 2000.0, 5000.0, 10000.0])
    theirs = np.interp(at_hz, other.frequencies, level_db)
    ours = np.interp(at_hz, free.frequency_hz, free.value)
    assert ours == pytest.approx(theirs, abs=0.5)


@pytest.mark.benchmark(group="one sweep of 2 s")
def test_integrity_response_and_polarity(benchmark, sound):
    benchmark(rig_analysis, sound)


@pytest.mark.benchmark(group="one sweep of 2 s")
def test_a_straightforward_analysis(benchmark, sound):
    benchmark(straightforward, sound)


def test_the_sweep_is_of_two_seconds(sound):
    plan = REQUEST.layout(sound.sample_rate_hz)
    assert REQUEST.seconds == 2.0
    assert sound.samples.shape[1] >= plan.frames
