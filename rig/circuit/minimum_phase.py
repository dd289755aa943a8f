"""The phase that goes with a magnitude where nothing is delayed."""

import numpy as np

from rig.circuit.units import Floats

#: Points an octave of the integral; octaves beyond the ends that are looked at; and over which a slope is taken;
#: numerical.
PER_OCTAVE, BEYOND_OCTAVES, SLOPE_OCTAVES = 24, 5, 0.5


def minimum_phase(frequency_hz: Floats, log_magnitude: Floats, goes_on: bool = False) -> Floats:
    """Phase in radians of a minimum-phase response, from the slope of its magnitude.

    Parameters
    ----------
    frequency_hz : array of shape (frequencies,)
        Ascending, above 0.
    log_magnitude : array of shape (frequencies,)
        Natural logarithm of the magnitude.
    goes_on : bool
        Beyond the ends it goes on as steeply as it comes there, as an impedance does; else it stays as it is.

    Returns
    -------
    array of shape (frequencies,)

    References
    ----------
    H. W. Bode, "Network Analysis and Feedback Amplifier Design" (1945), chapter 14: the phase is the mean of the slope
    over the logarithm of frequency, weighted by ``ln coth |u / 2|``.
    """
    log = np.log(frequency_hz)
    beyond = BEYOND_OCTAVES * np.log(2)
    edges = np.arange(log[0] - beyond, log[-1] + beyond, np.log(2) / PER_OCTAVE)
    steps = np.diff(np.interp(edges, log, log_magnitude))
    if goes_on:
        inside = SLOPE_OCTAVES * np.log(2)
        low, high = (np.interp([a, a + inside], log, log_magnitude) for a in (log[0], log[-1] - inside))
        step = np.log(2) / PER_OCTAVE
        steps[edges[:-1] < log[0]] = (low[1] - low[0]) / inside * step
        steps[edges[1:] > log[-1]] = (high[1] - high[0]) / inside * step
    middles = (edges[1:] + edges[:-1]) / 2
    apart = np.abs(np.subtract.outer(log, middles)) / 2
    # The weight is infinite at no distance, but its integral over a small step is not: a quarter of one is its mean.
    weight = -np.log(np.tanh(np.maximum(apart, np.log(2) / PER_OCTAVE / (4 * np.e))))
    return np.asarray(weight @ steps / np.pi)
