"""A piston's directivity against a textbook's table."""

import numpy as np
import pytest
from scipy.special import j1

from rig.signals.beaming import fit_piston, piston_pattern


# source: L. L. Beranek, "Acoustics" (1954), section 4.5 and figure 4.11 (from memory; recomputed).
@pytest.mark.parametrize(("lag", "decibel"), [(1.616, -3.0103), (2.215, -6.0206), (1.0, -1.1114), (5.1356, -17.57)])
def test_levels_of_a_piston(lag: float, decibel: float) -> None:
    assert 20 * np.log10(abs(piston_pattern(lag))) == pytest.approx(decibel, abs=0.01)


def test_the_first_null_and_the_axis() -> None:
    assert abs(piston_pattern(3.8317)) < 1e-4
    assert piston_pattern(0.0) == pytest.approx(1.0)


def test_a_size_is_found_again_times_any_gain_and_past_the_first_null() -> None:
    at_hz = np.geomspace(500, 16000, 120)
    lag = 2 * np.pi * at_hz / 343.0 * 0.030 * np.sin(np.deg2rad(40))
    for over in (0.5, 0.97, 1.8):
        found = fit_piston(0.9 * np.abs(2 * j1(over * lag) / (over * lag)), lag, 0 * lag, 0.030, at_hz)
        assert found.radius_m == pytest.approx(0.030 * over, rel=1e-3)
        assert found.misfit < 1e-2
