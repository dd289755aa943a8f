"""The phase of minimum-phase circuits from their magnitude alone."""

import numpy as np
import pytest

from rig.circuit.minimum_phase import minimum_phase


# source: H. W. Bode, "Network Analysis and Feedback Amplifier Design" (1945); the circuits' phases are elementary.
@pytest.mark.parametrize(
    "response",
    [
        lambda s: 1 / (1 + s),
        lambda s: (1 + 0.3 * s) / (1 + s),
        lambda s: 5 + 30 / (1 + 4 * (s + 1 / s)),
        lambda s: 1 + 0.5 * s / (s**2 + 0.5 * s + 1),
    ],
    ids=["low-pass", "shelf", "driver", "peak"],
)
def test_phase_follows_from_the_slope_of_the_magnitude(response) -> None:
    hz = np.geomspace(1.0, 1e5, 400)
    known = response(1j * hz / 500.0)
    inside = (hz > 20) & (hz < 5e3)
    found = minimum_phase(hz, np.log(np.abs(known)))
    assert np.max(np.abs(found - np.angle(known))[inside]) < np.radians(2.5)
