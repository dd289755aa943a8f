"""Recordings as a device with a clock of its own makes them: the exact value of their Fourier series between samples.

Nothing of the rig's interpolation is in it. A recording that begins and ends in silence is its own Fourier series;
a chirp-z transform gives that series at any evenly spaced times (Rabiner, Schafer and Rader, Bell Syst. Tech. J. 48,
1969).
"""

import numpy as np
from scipy import fft
from scipy.signal import CZT


def on_own_clock(row: np.ndarray, ppm: float, begins_at: float = 0.0, frames: int | None = None) -> np.ndarray:
    """What a clock `ppm` millionths faster samples, from `begins_at` samples of the row's clock on."""
    frames = row.size if frames is None else frames
    period = fft.next_fast_len(row.size + 20000, real=True)
    spectrum = fft.rfft(row, period)
    lines = np.arange(spectrum.size)
    spectrum = spectrum * np.exp(2j * np.pi * lines * begins_at / period)
    step = np.exp(2j * np.pi / period / (1 + ppm * 1e-6))
    total = CZT(spectrum.size, frames, w=step)(spectrum)
    return (2 * total.real - spectrum[0].real) / period
