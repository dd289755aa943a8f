"""The voltage divider that impedance is measured with: sense resistor, leads, stray conductance, unequal inputs.

What hangs at the clips is a load Z with a stray admittance Y across it, behind leads of impedance L, in series with the
sense resistor R. Two inputs record the voltage over all of it and the voltage across R ("return": R is in the return
lead) or across the leads and the load ("source"); g is the ratio of their gains:

    W = L + Z / (1 + Y Z)        return: r = g R / (W + R)        source: r = g W / (W + R)

In either wiring Z is a linear-fractional function (A r + B) / (C r + D) of the measured ratio r, as in the calibration
of a one-port bridge by short, open and load. Three known loads fix its three complex numbers, more are fitted. An error
of R itself is taken up by g, L and Y together, so that R need not be known better than its nominal value.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from rig.signals.arrays import Complex, Floats

Wiring = Literal["return", "source"]

#: Where the errors of a calibration are reported as a polynomial, in multiples of the sense resistor; our choice.
PROBES = (0.0, 1.0, 5.0)


@dataclass(frozen=True)
class Divider:
    """A divider as it is known; the numbers over frequency have shape (n,) or are one for all."""

    sense_ohm: float
    sense_in: Wiring
    gain: Complex
    lead_ohm: Complex
    stray_siemens: Complex


@dataclass(frozen=True)
class Standard:
    """A known load: its impedance (infinite: nothing at the clips) and how well it is known."""

    name: str
    ohm: float
    #: Standard uncertainty in ohm; of the open clips in siemens.
    uncertainty: float


def divider_ratio(divider: Divider, load_ohm: ArrayLike) -> Complex:
    """Ratio of the two inputs with a load at the clips; an infinite load stands for open clips."""
    a, b, c, d = _coefficients(divider)
    load = np.asarray(load_ohm, np.complex128)
    is_open = np.isinf(load)
    finite = np.where(is_open, 0, load)
    ratio: Complex = np.where(is_open, -d / c, (b - d * finite) / (c * finite - a))
    return ratio


def divider_impedance(divider: Divider, ratio: ArrayLike) -> Complex:
    """The load at the clips from the ratio of the two inputs; not finite where nothing flows."""
    a, b, c, d = _coefficients(divider)
    r = np.asarray(ratio, np.complex128)
    with np.errstate(divide="ignore", invalid="ignore"):
        load: Complex = (a * r + b) / (c * r + d)
    return load


def divider_slope(divider: Divider, ratio: ArrayLike) -> Complex:
    """Change of the load found with the ratio measured, dZ / dr."""
    a, b, c, d = _coefficients(divider)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope: Complex = (a * d - b * c) / (c * np.asarray(ratio, np.complex128) + d) ** 2
    return slope


def _coefficients(divider: Divider) -> tuple[Complex, Complex, Complex, Complex]:
    r, lead, stray, gain = divider.sense_ohm, divider.lead_ohm, divider.stray_siemens, divider.gain
    if divider.sense_in == "return":
        return -(r + lead), r * gain, 1 + stray * (r + lead), -stray * r * gain
    return r + lead, -lead * gain, -1 - stray * (r + lead), gain * (1 + stray * lead)


def fit_divider(
    ratios: ArrayLike,
    standards: Sequence[Standard],
    sense_ohm: float,
    sense_in: Wiring,
    noise: ArrayLike = 0.0,
) -> Divider:
    """The divider that explains best what was measured on known loads.

    Weighted homogeneous least squares at each frequency: ``A r + B - Z (C r + D) = 0`` for each load Z, each row
    divided by what its load's uncertainty and the noise leave of it.

    Parameters
    ----------
    ratios : array_like of complex, shape (standards, frequencies)
        Ratio of the two inputs on each load.
    standards : sequence of Standard
        Three or more different ones.
    sense_ohm : float
        Nominal value of the sense resistor.
    sense_in : 'return' or 'source'
    noise : array_like, broadcastable to (standards, frequencies)
        Standard uncertainty of the ratios.

    Raises
    ------
    ValueError
        If there are fewer than three different loads, or the ratios do not match or are not finite.

    References
    ----------
    Open-short-load calibration of a one-port: Rytting, Network analyzer error models and calibration methods (1998);
    GUM (JCGM 100:2008) for the weights.
    """
    measured = np.asarray(ratios, np.complex128)
    if len({one.ohm for one in standards}) < 3:
        raise ValueError(f"three different loads are needed, found {', '.join(one.name for one in standards)}")
    if measured.ndim != 2 or measured.shape[0] != len(standards) or not np.all(np.isfinite(measured)):
        raise ValueError(f"finite ratios of shape ({len(standards)}, frequencies) are needed, found {measured.shape}")
    rows = np.empty((measured.shape[1], len(standards), 4), np.complex128)
    noises = np.broadcast_to(np.asarray(noise, np.float64), measured.shape)
    for n, (one, r, u_r) in enumerate(zip(standards, measured, noises, strict=True)):
        # As a fraction, in multiples of R, so that open clips are a load like another.
        is_open = np.isinf(one.ohm)
        top, bottom = (1.0, 0.0) if is_open else (one.ohm / sense_ohm, 1.0)
        u = one.uncertainty * sense_ohm if is_open else one.uncertainty / sense_ohm
        u_row = np.hypot(u if is_open else u / (1 + top), (bottom + top) * u_r)
        weight = 1 / np.maximum(u_row, 1e-9)
        row = np.stack([bottom * r, np.full(r.size, bottom), -top * r, np.full(r.size, -top)], axis=-1)
        rows[:, n] = row * np.asarray(weight)[..., np.newaxis]
    found = np.linalg.svd(rows)[2][:, 3].conj()
    a, b, c, d = (found * [sense_ohm, sense_ohm, 1, 1]).T
    return _from_coefficients((a, b, c, d), sense_ohm, sense_in)


def _from_coefficients(coefficients: tuple[Complex, Complex, Complex, Complex], r: float, sense_in: Wiring) -> Divider:
    """The reverse of `_coefficients`; these come with a common factor k."""
    a, b, c, d = coefficients
    if sense_in == "return":
        stray = -d / b
        k = c + stray * a
        return Divider(r, sense_in, b / (r * k), -a / k - r, stray)
    # k = -C - Y A, g k = D + Y B and A = R k + L k give a quadratic equation for Y; the smaller root is the stray one.
    square, linear, rest = r * a * b, r * (a * d + b * c), a * d + r * c * d - b * c
    root = np.sqrt(linear**2 - 4 * square * rest)
    root = np.where(np.real(root * np.conj(linear)) < 0, -root, root)
    stray = -2 * rest / (linear + root)
    k, gain_k = -c - stray * a, d + stray * b
    return Divider(r, sense_in, gain_k / k, -b / gain_k, stray)


def load_errors(divider: Divider, standards: Sequence[Standard]) -> tuple[tuple[float, float, float], ...]:
    """What the standards' uncertainties make of a load Z, one polynomial ``p0 + p1 Z + p2 Z**2`` for each standard.

    To first order the error of a linear-fractional calibration is a polynomial of second degree in Z. It is found by
    fitting again with each standard off by its uncertainty (GUM, 5.1.3 note 2), at one frequency.

    Parameters
    ----------
    divider : Divider
        At one frequency, shape (1,).
    standards : sequence of Standard
        Those that it was fitted to.

    Returns
    -------
    tuple of (p0 in ohm, p1, p2 in 1/ohm)
        Standard uncertainties; their squares at a Z add up.
    """
    ratios = np.array([divider_ratio(divider, one.ohm) for one in standards])
    probes = np.array(PROBES) * divider.sense_ohm
    at_probes = np.concatenate([divider_ratio(divider, probe) for probe in probes])
    polynomials = []
    for n, one in enumerate(standards):
        # What is measured on a load that is not what it is said to be.
        is_exact = one.uncertainty == 0
        off = 1 / one.uncertainty if np.isinf(one.ohm) and not is_exact else one.ohm + one.uncertainty
        moved = ratios.copy()
        moved[n] = divider_ratio(divider, off)
        other = fit_divider(moved, standards, divider.sense_ohm, divider.sense_in)
        change = np.real(divider_impedance(other, at_probes) - probes)
        p2, p1, p0 = np.polyfit(probes, change, 2)
        polynomials.append((float(p0), float(p1), float(p2)))
    return tuple(polynomials)


def load_uncertainty(polynomials: Sequence[tuple[float, float, float]], load_ohm: ArrayLike) -> Floats:
    """Root of the sum of squares of `load_errors` at a load; shape of the load."""
    total: Floats = np.hypot(*load_uncertainties(polynomials, load_ohm))
    return total


def load_uncertainties(polynomials: Sequence[tuple[float, float, float]], load_ohm: ArrayLike) -> tuple[Floats, Floats]:
    """Along the impedance and across it: of its magnitude, and of its phase as an arc, both in ohm.

    The errors are real, those of resistances. One that scales all impedances alike turns none of them, and what is in
    series or across turns a load only as far as it is no resistance itself.
    """
    load = np.asarray(load_ohm, np.complex128)
    unit = np.exp(1j * np.angle(load))
    errors = [(p0 + p1 * load + p2 * load**2) / unit for p0, p1, p2 in polynomials]
    zero = np.zeros(load.shape)
    along = np.sqrt(sum((error.real**2 for error in errors), start=zero))
    return along, np.sqrt(sum((error.imag**2 for error in errors), start=zero))


def one_load_errors(
    load_ohm: float, load_u_ohm: float, sense_ohm: float, sense_u_ohm: float, lead_u_ohm: float, sense_in: Wiring
) -> tuple[tuple[float, float, float], ...]:
    """As `load_errors`, for inputs that were compared on one known load with R from its marking and leads unknown.

    In closed form: with R in the return lead ``Z + R = (Z0 + R) r0 / r``, in the source lead
    ``1/Z + 1/R = (1/Z0 + 1/R) r0 / r`` with r0 measured on Z0; both differentiated. Leads of resistance L look like an
    error of R in the former; in the latter they are in Z itself and in Z0.
    """
    whole = load_ohm + sense_ohm
    if sense_in == "return":
        by_load = (sense_ohm / whole, 1 / whole, 0.0)
        by_sense = (-load_ohm / whole, 1 / whole, 0.0)
        by_lead = by_sense
    else:
        by_load = (0.0, sense_ohm / (load_ohm * whole), 1 / (load_ohm * whole))
        by_sense = (0.0, load_ohm / (sense_ohm * whole), -1 / (sense_ohm * whole))
        by_lead = (1.0, -by_load[1], -by_load[2])
    pairs = ((by_load, load_u_ohm), (by_sense, sense_u_ohm), (by_lead, lead_u_ohm))
    return tuple((p0 * u, p1 * u, p2 * u) for (p0, p1, p2), u in pairs)
