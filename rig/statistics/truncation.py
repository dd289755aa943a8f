"""Units that passed are no sample of all units: what their limits cut off is put back."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: From fewer drawn units that pass no moments are taken: then limits leave so little that a sample says nothing;
#: numerical.
FEWEST = 200


def restored(passed: Floats, drawn: Floats, lower: Floats, upper: Floats) -> Floats:
    """Curves that lie within limits, moved to where they would lie if nothing had been cut off.

    At each point the mean and the standard deviation of the cut population become those of the whole one; both are
    found from drawn units, for a unit is cut off by its whole curve. Found again from what is returned, until nothing
    changes, the population is that of the greatest likelihood of the truncated normal distribution, whose sufficient
    statistics are mean and square (A. C. Cohen, "Simplified estimators for the normal distribution when samples are
    singly censored or truncated", Technometrics 1 (1959)).

    Parameters
    ----------
    passed : shape (units, n)
    drawn : shape (draws, n)
        Units of the whole population.
    lower, upper : shape (n,)
        Limits; infinite where there is none.

    Returns
    -------
    ndarray, shape (units, n)
        As they came where hardly any drawn unit would pass.
    """
    kept = drawn[np.all((drawn >= lower) & (drawn <= upper), axis=1)]
    if len(kept) < FEWEST:
        return passed
    times = np.std(drawn, axis=0) / np.std(kept, axis=0)
    return np.asarray(np.mean(drawn, axis=0) + (passed - np.mean(kept, axis=0)) * times)
