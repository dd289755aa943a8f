"""Noises of the moment in a linear response: told from what stands before the sound arrives."""

from dataclasses import replace

import numpy as np
import pytest

from rig.signals.disturbance import UNEVEN, noise_before
from rig.signals.sweep import ExponentialSweep

RATE_HZ = 48000.0
SENT = ExponentialSweep(20.0, 20000.0, 1.5, RATE_HZ)
GRID_HZ = np.geomspace(40, 16000, 100)
ARRIVAL_S = 0.052
NOISE = 1e-4


def impulse(seed: int) -> np.ndarray:
    """A response that begins at its arrival and rings, with steady noise everywhere."""
    time_s = np.arange(19200) / RATE_HZ - ARRIVAL_S
    rings = np.where(time_s >= 0, np.exp(-time_s / 0.005) * np.sin(2 * np.pi * 500 * time_s), 0.0)
    return rings + NOISE * np.random.default_rng(seed).standard_normal(time_s.size)


def found(response: np.ndarray, seconds: float = 1.5) -> np.ndarray:
    steady = np.full(GRID_HZ.size, NOISE**2)
    return noise_before(response, replace(SENT, seconds=seconds), ARRIVAL_S, GRID_HZ, steady)


def test_steady_noise_and_the_response_itself_are_no_noise_of_the_moment() -> None:
    assert sum(np.any(found(impulse(seed))) for seed in range(200)) <= 1


@pytest.mark.parametrize("at_hz", [150.0, 1000.0, 6000.0])
def test_what_stands_before_the_arrival_counts_at_its_own_frequency(at_hz: float) -> None:
    time_s = np.arange(19200) / RATE_HZ
    swell = np.where(np.abs(time_s - 0.03) < 0.02, np.cos(np.pi * (time_s - 0.03) / 0.04) ** 2, 0.0)
    tone = 0.02 * np.sin(2 * np.pi * at_hz * time_s) * swell
    noise = found(impulse(1) + tone)
    near = np.abs(np.log(GRID_HZ / at_hz)) < 0.1
    assert np.all(noise[near] > UNEVEN * 100 * NOISE**2)
    assert not np.any(noise[np.abs(np.log2(GRID_HZ / at_hz)) > 1.5])


def test_a_sweep_too_quick_to_leave_a_gap_tells_nothing() -> None:
    assert not np.any(found(impulse(1) + 1.0, seconds=7e-4))
