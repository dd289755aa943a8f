"""How long a room sounds on."""

import numpy as np
from numpy.typing import ArrayLike

#: The noise of an impulse response is read from so long at its end; our choice.
NOISE_S = 0.05
#: Noise must lie so far below the level that is asked for; our choice.
CLEAR_DB = 6.0


def decayed_s(impulse_response: ArrayLike, sample_rate_hz: float, arrival_s: float, by_db: float) -> float:
    """Time after the arrival from which on all that still comes is so much weaker than all that came, in seconds.

    Backward integration of the squared response (Schroeder, J. Acoust. Soc. Am. 37, 1965; from memory), of its
    slope rather than itself: the end of a sweep is high in frequency. What its last twentieth of a second holds is
    taken for noise.

    Parameters
    ----------
    impulse_response : array_like, shape (frames,)
    arrival_s : float
        Of the sound, from the first frame.
    by_db : float
        How much weaker, above 0.

    Returns
    -------
    float
        NaN where nothing arrives, or noise hides what is asked for.
    """
    response = np.asarray(impulse_response, np.float64)
    last = response.size - round(NOISE_S * sample_rate_hz)
    if not np.isfinite(arrival_s) or round(arrival_s * sample_rate_hz) >= last:
        return float("nan")
    square = np.diff(response) ** 2
    noise = float(np.mean(square[last:]))
    # From just before the onset, which is dated by its middle.
    heard = square[max(0, round((arrival_s - 0.001) * sample_rate_hz)) : last]
    total = float(np.sum(heard)) - noise * heard.size
    allowed = total * 10 ** (-by_db / 10)
    # An integral of noise scatters by the root of the number of its values (chi-squared, two standard deviations).
    if not total > 0 or 2 * noise * np.sqrt(2 * heard.size) > allowed * 10 ** (-CLEAR_DB / 10):
        return float("nan")
    left = np.cumsum((heard - noise)[::-1])[::-1]
    return float(np.flatnonzero(left > allowed)[-1] + 1) / sample_rate_hz
