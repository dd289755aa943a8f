"""A smooth complex factor over frequency: what a lumped model leaves out of a driver, and how well that is known.

The pattern is Kennedy and O'Hagan, "Bayesian calibration of computer models", J. R. Stat. Soc. B 63 (2001): reality is
the model at its best parameters times a factor whose logarithm is a Gaussian process over the logarithm of frequency.
"""

from dataclasses import dataclass

import numpy as np

from rig.circuit.units import Complex, Floats, Value

#: Over so many octaves a factor keeps its value: about the width of a cone's resonance of Q 4; our choice.
SMOOTH_OCTAVES = 0.35
#: What the model leaves out lies elsewhere in each unit, as its resonances do: so far (standard deviation of the
#: logarithm of frequency; common practice, no source).
ELSEWHERE = 0.03


@dataclass(frozen=True, eq=False)
class Factor:
    """A factor over frequency. Arrays have shape (n,); beyond the ends of `frequency_hz` it stays as it is there."""

    #: Ascending, in Hz.
    frequency_hz: Floats
    #: Natural logarithm of the factor: nepers, and radians.
    log: Complex
    #: Standard deviation of both parts of it over good units, what is not known of their mean included.
    sigma: Complex
    #: It lies so many times higher in frequency than that; of several units an array of shape (units, 1).
    higher: Value = 1.0

    def at(self, frequency_hz: Floats) -> Complex:
        """The factor at some frequencies in Hz."""
        return np.exp(_between(frequency_hz / self.higher, self.frequency_hz, self.log))

    def sigma_at(self, frequency_hz: Floats) -> Complex:
        """Standard deviation of both parts of its logarithm at some frequencies in Hz."""
        return _between(frequency_hz, self.frequency_hz, self.sigma)

    def elsewhere_at(self, frequency_hz: Floats) -> Floats:
        """What it does to the logarithm's magnitude that it lies elsewhere in each unit: standard deviation."""
        slope = np.abs(np.gradient(self.log, np.log(self.frequency_hz)))
        return np.asarray(ELSEWHERE * np.interp(np.log(frequency_hz), np.log(self.frequency_hz), slope))


def _between(frequency_hz: Floats, known_hz: Floats, values: Complex) -> Complex:
    at, known = np.log(np.maximum(frequency_hz, known_hz[0])), np.log(known_hz)
    return np.asarray(np.interp(at, known, values.real) + 1j * np.interp(at, known, values.imag))


def smooth_correlation(one_hz: Floats, other_hz: Floats) -> Floats:
    """Correlation of a factor's logarithm between frequencies, shape (ones, others): squared exponential."""
    apart = np.subtract.outer(np.log2(one_hz), np.log2(other_hz)) / SMOOTH_OCTAVES
    return np.asarray(np.exp(-0.5 * apart**2))
