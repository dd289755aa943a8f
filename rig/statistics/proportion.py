"""Shares of a number of units: how well a few units tell the share of all."""

import scipy


def clopper_pearson(count: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of a share: it holds the true one with at least this confidence, whatever that is.

    Parameters
    ----------
    count, of
        So many of so many, with 0 <= count <= of; of nothing the interval is 0 to 1.

    References
    ----------
    Clopper, Pearson, The use of confidence or fiducial limits illustrated in the case of the binomial, Biometrika 26
    (1934).
    """
    tail = (1 - confidence) / 2
    lower = float(scipy.stats.beta.ppf(tail, count, of - count + 1)) if count else 0.0
    upper = float(scipy.stats.beta.ppf(1 - tail, count + 1, of - count)) if count < of else 1.0
    return lower, upper
