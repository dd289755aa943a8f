"""A gate set to the first reflection's published delay keeps the reflection out, a longer one lets it in."""

import numpy as np
import pytest
from delays import fractional_delay
from reference_csv import numbers, rows

from rig.signals import deconvolution, gating, timing
from rig.signals.sweep import ExponentialSweep, synchronised_sweep

RATE_HZ, START_HZ, STOP_HZ = 48000.0, 100.0, 20000.0
SWEEP = ExponentialSweep(START_HZ, STOP_HZ, 0.5, RATE_HZ)


@pytest.mark.parametrize("row", rows("reflection_gate"))
def test_the_reflection_of_a_floor_falls_outside_the_gate(row):
    # Source: image source: path difference sqrt(d^2 + 4 h^2) - d, lowest frequency about 1 / gate.
    spacing_m, height_m, sound_m_per_s, gate_ms, one_period_hz = numbers(
        row, "spacing_m", "surface_distance_m", "c_m_per_s", "gate_ms", "lowest_frequency_hz"
    )
    direct_m, image_m = spacing_m, np.hypot(spacing_m, 2 * height_m)
    assert (image_m - direct_m) / sound_m_per_s * 1e3 == pytest.approx(gate_ms, rel=1e-4)
    sent = np.concatenate((synchronised_sweep(SWEEP), np.zeros(4800)))
    captured = sum(fractional_delay(sent, metres / sound_m_per_s * RATE_HZ) / metres for metres in (direct_m, image_m))
    impulse = deconvolution.impulse_response(captured, sent, SWEEP, 0.02, 0.1)
    arrival_s = timing.arrival_s(impulse, RATE_HZ)
    assert arrival_s - 0.02 == pytest.approx(direct_m / sound_m_per_s, abs=5e-6)

    free_s = gate_ms / 1e3
    frequency_hz = np.geomspace(2.5 * one_period_hz, STOP_HZ, 300)

    def level_db(gate_s):
        gated = gating.gate(impulse, RATE_HZ, arrival_s, 0.001, gate_s)
        assert 1 / gate_s <= gated.lowest_valid_hz <= 2.5 / gate_s
        found = deconvolution.gated_frequency_response(gated, SWEEP, frequency_hz)
        return 20 * np.log10(np.abs(found) * direct_m)

    assert np.max(np.abs(level_db(free_s))) < 0.5
    assert np.ptp(level_db(4 * free_s)) > 3.0
