"""Resistance and temperature of a voice coil while noise plays, from voltage and current at the load."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Complex, Floats
from rig.signals.cross_spectra import independent_lines, independent_segments, segment_spectra

#: Copper's resistance, drawn on in a straight line, would vanish at -234.5 degC (IEEE winding-resistance method). The
#: same line as alpha = 0.00393 per kelvin at 20 degC (IEC 60028): 1 / 0.00393 - 20 = 234.45.
COPPER_K = 234.5
#: Length of a segment: a resonance that rings beyond its ends looks like noise, and is counted as such; our choice.
SEGMENT_S = 0.5
#: Frequencies of less coherence are left out: the load's current is not from the voltage there; our choice.
LEAST_COHERENCE = 0.8
_LEAST_LINES = 8
_BAND_SHARE = 0.75


def measured_impedance(
    voltage_v: ArrayLike, current_a: ArrayLike, sample_rate_hz: float, band_hz: tuple[float, float]
) -> tuple[Floats, Complex, Floats, int]:
    """Impedance from the cross-spectrum of voltage and current, with its coherence.

    It is the inverse of ``S_vi / S_vv``: the voltage is taken as clean, since what noise there is (the sense resistor's
    small voltage, the driver's distortion) is in the current, where it does not bias the result. Noise in the voltage
    makes the impedance too high by its share of the voltage's power.

    Parameters
    ----------
    voltage_v, current_a : array_like, shape (frames,)
        Voltage over the load in V, and current into it in A.
    sample_rate_hz : float
        Sample rate in Hz.
    band_hz : tuple of float
        Lowest and highest frequency in Hz.

    Returns
    -------
    frequency_hz : ndarray, shape (lines,)
        Frequencies in Hz, 1 / `SEGMENT_S` apart.
    ohm : ndarray of complex, shape (lines,)
        Impedance; NaN where there is no signal.
    coherence : ndarray, shape (lines,)
        ``|S_vi|^2 / (S_vv S_ii)``, 0 where there is no signal.
    segments : int
        Number of segments averaged.

    Raises
    ------
    ValueError
        As `segment_spectra`.
    """
    voltage, current = np.asarray(voltage_v, np.float64), np.asarray(current_a, np.float64)
    frequency, (volts, amperes) = segment_spectra(np.stack((voltage, current)), sample_rate_hz, SEGMENT_S)
    use = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    volts, amperes = volts[:, use], amperes[:, use]
    cross = np.mean(volts.conj() * amperes, axis=0)
    volts_power = np.mean(np.abs(volts) ** 2, axis=0)
    powers = volts_power * np.mean(np.abs(amperes) ** 2, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ohm = np.where(powers > 0, volts_power / cross, np.nan)
        coherence = np.where(powers > 0, np.abs(cross) ** 2 / powers, 0.0)
    return frequency[use], ohm, np.minimum(coherence, 1.0), volts.shape[0]


def band_magnitude_ohm(
    voltage_v: ArrayLike, current_a: ArrayLike, sample_rate_hz: float, band_hz: tuple[float, float]
) -> float:
    """RMS voltage over RMS current in a band, in ohm: coarse, but true of an open and of a shorted load too.

    Parameters and errors as `measured_impedance`. Infinite without any current, NaN without any signal.
    """
    pair = np.stack((np.asarray(voltage_v, np.float64), np.asarray(current_a, np.float64)))
    frequency, spectra = segment_spectra(pair, sample_rate_hz, SEGMENT_S)
    use = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    volts, amperes = np.linalg.norm(spectra[..., use], axis=(1, 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(np.float64(volts) / np.float64(amperes))


@dataclass(frozen=True)
class CoilModel:
    """What the model says of the load whose voltage and current are measured."""

    channel: str
    #: Shape (frequencies,), ascending; they cover the band.
    frequency_hz: Floats
    #: Impedance of the load with the coil at re_ohm, shape (frequencies,).
    ohm: Complex
    #: Its derivative by the coil's resistance (force factor and all else held), 1 for a bare driver.
    sensitivity: Complex
    #: Resistance of the coil in the model.
    re_ohm: float
    #: Lowest and highest frequency that is used; see `choose_band`.
    band_hz: tuple[float, float]


def coil_resistance(
    voltage_v: ArrayLike, current_a: ArrayLike, sample_rate_hz: float, coil: CoilModel
) -> tuple[float, float]:
    """Resistance of a voice coil under noise, by least squares of a model's impedance in a band.

    The change d of the resistance is fitted in ``Z(f) = model(f) + sensitivity(f) d``; each line weighs by the variance
    of its impedance, ``|Z|^2 (1 - c) / (2 c n)`` in either direction of the complex plane, for a coherence c and n
    averages (J. S. Bendat, A. G. Piersol, "Random Data", table of random errors of frequency response estimates). What
    the model is wrong by stays in the result, in a cold reading as in a hot one: take the ratio of both.

    Parameters
    ----------
    voltage_v, current_a : array_like, shape (frames,)
        Voltage over the load in V, and current into it in A.
    sample_rate_hz : float
        Sample rate in Hz.
    coil : CoilModel

    Returns
    -------
    ohm : float
        Resistance; NaN if fewer than half of the lines (or fewer than 8) are coherent: signal too weak, or no load.
    standard_uncertainty_ohm : float
        Its standard uncertainty from the scatter of noise alone.

    Raises
    ------
    ValueError
        If the model does not cover the band, or as `measured_impedance`.
    """
    model_at, band_hz = np.asarray(coil.frequency_hz, np.float64), coil.band_hz
    if not (model_at[0] <= band_hz[0] < band_hz[1] <= model_at[-1]):
        raise ValueError(f"the model covers {model_at[0]} Hz to {model_at[-1]} Hz, the band is {band_hz} Hz")
    frequency, ohm, coherence, segments = measured_impedance(voltage_v, current_a, sample_rate_hz, band_hz)
    use = coherence >= LEAST_COHERENCE
    if np.count_nonzero(use) < max(_LEAST_LINES, use.size / 2):
        return math.nan, math.nan
    frequency, ohm, coherence = frequency[use], ohm[use], coherence[use]
    slope = _between(frequency, model_at, np.asarray(coil.sensitivity, np.complex128))
    off = ohm - _between(frequency, model_at, np.asarray(coil.ohm, np.complex128))
    # A signal without noise would weigh without end.
    incoherent = np.maximum(_smooth(1 - coherence), 1e-12) * segments / (segments - 1)
    averages = independent_segments(segments)
    variance = np.abs(ohm) ** 2 * incoherent / (2 * (1 - incoherent) * averages)
    information = float(np.sum(np.abs(slope) ** 2 / variance))
    change = float(np.sum((slope.conj() * off).real / variance)) / information
    return coil.re_ohm + change, math.sqrt(independent_lines(segments) / information)


def _between(at_hz: Floats, frequency_hz: Floats, values: Complex) -> Complex:
    grid, at = np.log(frequency_hz), np.log(at_hz)
    return np.asarray(np.interp(at, grid, values.real) + 1j * np.interp(at, grid, values.imag))


def _smooth(values: Floats) -> Floats:
    """Mean over 9 lines: weights that follow each line's own scatter would favour the lines that err together."""
    ones = np.ones(min(9, values.size))
    return np.asarray(np.convolve(values, ones, "same") / np.convolve(np.ones(values.size), ones, "same"))


def coil_temperature(
    resistance_ohm: float,
    cold_ohm: float,
    cold_celsius: float,
    *,
    resistance_uncertainty_ohm: float = 0.0,
    cold_uncertainty_ohm: float = 0.0,
    cold_uncertainty_k: float = 0.0,
    k: float = COPPER_K,
) -> tuple[float, float]:
    """Temperature of a copper winding from its resistance, ``T2 = R2 / R1 (k + T1) - k``.

    The resistance method of IEC 60034-1 for windings, with copper's linear law (IEC 60028); independent uncertainties
    add as the root of the sum of their squares (JCGM 100:2008, 5.1.2).

    Parameters
    ----------
    resistance_ohm : float
        Resistance hot, in ohm.
    cold_ohm : float
        Resistance cold, measured in the same way, in ohm.
    cold_celsius : float
        Temperature of the winding when cold, in degC.
    resistance_uncertainty_ohm, cold_uncertainty_ohm, cold_uncertainty_k : float
        Standard uncertainties of these three.
    k : float
        `COPPER_K` for copper; for any metal ``1 / alpha20 - 20``.

    Returns
    -------
    celsius : float
        Temperature in degC; NaN where a value given is.
    standard_uncertainty_k : float
        Its standard uncertainty in kelvin.

    Raises
    ------
    ValueError
        If the cold resistance is not above 0, or the cold temperature not above -k.
    """
    if cold_ohm <= 0 or cold_celsius <= -k:
        raise ValueError(
            f"a cold coil needs more than 0 ohm and {-k} degC, found {cold_ohm} ohm at {cold_celsius} degC"
        )
    ratio, above = resistance_ohm / cold_ohm, k + cold_celsius
    parts = (
        resistance_uncertainty_ohm / cold_ohm * above,
        cold_uncertainty_ohm * ratio / cold_ohm * above,
        cold_uncertainty_k * ratio,
    )
    return ratio * above - k, math.hypot(*parts)


def choose_band(model_hz: ArrayLike, model_ohm: ArrayLike, sensitivity: ArrayLike) -> tuple[float, float]:
    """The band that tells a coil's resistance best: around the impedance minimum above the resonance.

    There the resistance makes most of the impedance, ``re(sensitivity / Z)``, and what suspension and box add is
    little. Of all stretches above the first resonance where this share is at least three quarters of its greatest
    value there, the widest in octaves is taken; a vented box's narrow minimum between its peaks is none.

    Parameters
    ----------
    model_hz : array_like, shape (frequencies,)
        Ascending frequencies in Hz.
    model_ohm, sensitivity : array_like of complex, shape (frequencies,)
        As in `CoilModel`.

    Returns
    -------
    tuple of float
        Lowest and highest frequency in Hz.

    Raises
    ------
    ValueError
        If the coil's resistance makes no positive share of the impedance anywhere.
    """
    frequency = np.asarray(model_hz, np.float64)
    share = (np.asarray(sensitivity, np.complex128) / np.asarray(model_ohm, np.complex128)).real
    if frequency.size < 8 or not np.max(share) > 0:
        raise ValueError("the model's impedance does not depend on the coil's resistance")
    dips = np.flatnonzero((share[1:-1] < share[:-2]) & (share[1:-1] <= share[2:])) + 1
    start = int(dips[0]) if dips.size else 0
    enough = np.concatenate(([False], share[start:] >= _BAND_SHARE * np.max(share[start:]), [False]))
    ends = np.flatnonzero(enough[1:] != enough[:-1]).reshape(-1, 2) + start
    widest = max(ends, key=lambda pair: frequency[pair[1] - 1] / frequency[pair[0]])
    return float(frequency[widest[0]]), float(frequency[widest[1] - 1])
