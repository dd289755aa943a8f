"""Fractional-octave smoothing against a second implementation."""

import numpy as np
import pytest
from scipy import signal as filters

from rig.signals import smoothing

RATE_HZ, FRAMES = 48000, 2**15
FREQUENCY_HZ = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
TARGETS_HZ = smoothing.log_frequency_grid(300, 15000, 12)
RESPONSE = filters.freqz(*filters.iirpeak(2000, 5, fs=RATE_HZ), FREQUENCY_HZ, fs=RATE_HZ)[1] + 0.05


@pytest.mark.parametrize("fraction", [3, 6, 24])
def test_another_library_smooths_power_alike(fraction):
    import pyfar

    # Source: pyfar, dsp.smooth_fractional_octave (Tylka et al., JAES 65 (2017), method 2, rectangular window). It
    # averages magnitudes, so it is handed the power as magnitude.
    power = np.abs(RESPONSE) ** 2
    given = pyfar.Signal(power.astype(complex), RATE_HZ, FRAMES, "freq")
    smoothed, _ = pyfar.dsp.smooth_fractional_octave(given, fraction)
    theirs = np.interp(TARGETS_HZ, FREQUENCY_HZ, np.abs(smoothed.freq[0]))
    ours = smoothing.smooth_power(power, FREQUENCY_HZ, TARGETS_HZ, fraction)
    np.testing.assert_allclose(10 * np.log10(ours / theirs), 0, atol=0.05)
