"""Are two groups the same within a margin? Two one-sided tests, beside the usual question whether they differ."""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Both tests, and that of a difference, may be wrong so often; common practice, no source.
RISK = 0.05


@dataclass(frozen=True)
class Comparison:
    """The second group against the first."""

    #: Mean of the second less mean of the first, its standard error, and the degrees of freedom of that.
    difference: float
    standard_error: float
    degrees: float
    #: Units in both, where each was measured in both: then they are compared with themselves.
    pairs: int = 0

    def interval(self, confidence: float) -> tuple[float, float]:
        """The interval of the difference."""
        reach = float(scipy.stats.t.ppf((1 + confidence) / 2, self.degrees)) * self.standard_error
        return self.difference - reach, self.difference + reach

    def difference_p(self) -> float:
        """Probability of so large a difference where there is none, two-sided."""
        return 2 * self._beyond(abs(self.difference))

    def equivalence_p(self, margin: float) -> float:
        """Probability of so small a difference where the true one is the margin or more: the larger of two tests.

        References
        ----------
        Schuirmann, A comparison of the two one-sided tests procedure and the power approach for assessing the
        equivalence of average bioavailability, Journal of Pharmacokinetics and Biopharmaceutics 15 (1987).
        """
        return max(self._beyond(margin + self.difference), self._beyond(margin - self.difference))

    def _beyond(self, by: float) -> float:
        if self.standard_error == 0:
            return 0.5 if by == 0 else float(by < 0)
        return float(scipy.stats.t.sf(by / self.standard_error, self.degrees))


def of_groups(first: Floats, second: Floats) -> Comparison:
    """Two groups of two or more units each, whose spreads may differ (Welch, Biometrika 34, 1947); shape (n,) each."""
    parts = np.var(first, ddof=1) / first.size, np.var(second, ddof=1) / second.size
    whole = parts[0] + parts[1]
    degrees = whole**2 / (parts[0] ** 2 / (first.size - 1) + parts[1] ** 2 / (second.size - 1)) if whole else math.inf
    return Comparison(float(np.mean(second) - np.mean(first)), math.sqrt(whole), float(degrees))


def of_pairs(first: Floats, second: Floats) -> Comparison:
    """The same units in both groups, in the same order; shape (n,) each, two or more."""
    difference = second - first
    error = float(np.std(difference, ddof=1)) / math.sqrt(difference.size)
    return Comparison(float(np.mean(difference)), error, difference.size - 1.0, difference.size)
