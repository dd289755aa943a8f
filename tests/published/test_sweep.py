"""The sweep's rate and harmonic advances against published values, and its form against a second implementation."""

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.signals.sweep import ExponentialSweep, synchronised_sweep


@pytest.mark.parametrize("row", rows("sweep_harmonic_offsets"), ids=lambda row: row["case"] + row["harmonic_n"])
def test_harmonics_lie_where_they_are_published_to_lie(row):
    # Source: Farina, AES 108th Convention (2000); Novak et al., IEEE TIM 59(8) (2010) and JAES 63(10) (2015).
    start_hz, stop_hz, seconds, rate_hz = numbers(row, "f1_hz", "f2_hz", "t_s", "fs_hz")
    order, rate_s, advance, advance_samples = numbers(row, "harmonic_n", "rate_l_s", "advance_s", "advance_samples")
    sent = ExponentialSweep(start_hz, stop_hz, seconds, rate_hz)
    assert sent.rate_s == pytest.approx(rate_s, rel=1e-6)
    found_s = float(sent.advance_s(order))
    assert found_s == pytest.approx(advance, rel=1e-6)
    assert found_s * rate_hz == pytest.approx(advance_samples, abs=0.2)


def test_another_library_sweeps_alike_but_for_the_starting_phase():
    import pyfar

    # Source: pyfar, signals.exponential_sweep_time, with Farina's "-1" (2000), which Novak et al. (2015) drop. With
    # start_hz * L a whole number the two are equal.
    rate_hz, start_hz, stop_hz, whole = 48000, 50.0, 12800.0, 18
    seconds = whole / start_hz * np.log(stop_hz / start_hz)
    frames = round(seconds * rate_hz)
    seconds = frames / rate_hz
    theirs = pyfar.signals.exponential_sweep_time(
        frames, (start_hz, stop_hz), n_fade_out=0, sampling_rate=rate_hz
    ).time[0]
    sent = ExponentialSweep(start_hz, stop_hz, seconds, rate_hz)
    lead_in, _ = sent.margins
    np.testing.assert_allclose(synchronised_sweep(sent)[lead_in : lead_in + frames], theirs, atol=0.02)


def test_the_spectrum_of_an_exponential_sweep_falls_by_3_db_per_octave():
    # Source: Farina (2000): pink spectrum; by stationary phase |X| = rate / 2 * sqrt(L / f).
    rate_hz = 48000.0
    sent = ExponentialSweep(20, 20000, 2.0, rate_hz)
    samples = synchronised_sweep(sent)
    power = np.abs(np.fft.rfft(samples, 2**17)) ** 2
    frequency_hz = np.fft.rfftfreq(2**17, 1 / rate_hz)
    for low in (40, 160, 640, 2560, 10240):
        inside = (frequency_hz >= low) & (frequency_hz < 1.2 * low)
        expected = rate_hz**2 * sent.rate_s / (4 * frequency_hz[inside])
        assert 10 * np.log10(np.mean(power[inside] / expected)) == pytest.approx(0, abs=0.05)
