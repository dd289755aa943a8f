"""Takes out of a recording what is known of a microphone's own response."""

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Complex, Floats

#: Silence behind the recording, so that what rings on does not come around to its beginning; our choice.
SETTLE_S = 0.05


def response_at(
    at_hz: ArrayLike, frequency_hz: ArrayLike, decibel: ArrayLike, degrees: ArrayLike | None = None
) -> Complex:
    """A response given at some frequencies, anywhere: between its points straight over the logarithm of frequency.

    Beyond its ends it stays as it is there. Without a phase it changes magnitudes alone.

    Parameters
    ----------
    at_hz : array_like, shape (n,)
        Frequencies wanted in Hz, 0 or more.
    frequency_hz : array_like, shape (points,)
        Ascending, above 0.
    decibel, degrees : array_like, shape (points,)
        Level and phase.

    Returns
    -------
    ndarray of complex, shape (n,)
    """
    known = np.log(np.asarray(frequency_hz, np.float64))
    wanted = np.log(np.maximum(np.asarray(at_hz, np.float64), np.exp(known[0])))
    response = 10 ** (np.interp(wanted, known, np.asarray(decibel, np.float64)) / 20) + 0j
    if degrees is not None:
        turned = np.unwrap(np.radians(np.asarray(degrees, np.float64)))
        response = response * np.exp(1j * np.interp(wanted, known, turned))
    corrected: Complex = response
    return corrected


def without_response(
    signal: ArrayLike,
    sample_rate_hz: float,
    frequency_hz: ArrayLike,
    decibel: ArrayLike,
    degrees: ArrayLike | None = None,
) -> Floats:
    """A recording as an even microphone would have made it, shape (frames,): divided by `response_at`."""
    wave = np.asarray(signal, np.float64)
    # Here, since every record loads this module, and few are corrected.
    import scipy

    size = int(scipy.fft.next_fast_len(wave.size + round(SETTLE_S * sample_rate_hz), real=True))
    response = response_at(scipy.fft.rfftfreq(size, 1 / sample_rate_hz), frequency_hz, decibel, degrees)
    even: Floats = scipy.fft.irfft(scipy.fft.rfft(wave, size) / response, size)[: wave.size]
    return even
