"""What rings is found in the linear response and taken out of everything that rings with it."""

import numpy as np
import pytest
from scipy import signal as filters

from rig.signals.ringing import ringing_filter

RATE_HZ = 48000.0
ARRIVES = 480


def ringing(own_hz: float, quality: float, gain: float, sound: np.ndarray) -> np.ndarray:
    """Sound with a resonance beside it."""
    numerator, denominator = filters.iirpeak(own_hz, quality, fs=RATE_HZ)
    return sound + gain * filters.lfilter(numerator, denominator, sound)


def impulse_at_arrival() -> np.ndarray:
    sound = np.zeros(4800)
    sound[ARRIVES] = 1.0
    return sound


def test_a_response_without_resonances_is_left_as_it_is():
    taps = ringing_filter(impulse_at_arrival(), RATE_HZ, ARRIVES / RATE_HZ)
    assert taps[0] == 1.0
    assert np.max(np.abs(taps[1:])) < 0.05


@pytest.mark.parametrize("quality", [10.0, 40.0])
def test_the_ring_behind_a_contact_ends(quality):
    response = ringing(5000.0, quality, 3.0, impulse_at_arrival())
    taps = ringing_filter(response, RATE_HZ, ARRIVES / RATE_HZ)
    # A contact that excites the same resonance the other way round.
    contact = ringing(5000.0, quality, -2.0, impulse_at_arrival())
    behind = slice(ARRIVES + 48, None)
    before, after = (np.sum(sound[behind] ** 2) for sound in (contact, filters.lfilter(taps, 1.0, contact)))
    assert after < 0.3 * before


def test_a_dip_is_not_filled():
    response = impulse_at_arrival() - ringing(5000.0, 20.0, 0.9, impulse_at_arrival()) * 0.5
    taps = ringing_filter(response, RATE_HZ, ARRIVES / RATE_HZ)
    _, gain = filters.freqz(taps, worN=[5000.0], fs=RATE_HZ)
    assert abs(gain[0]) < 1.3
