"""Driver and box parameters from an impedance curve."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from rig.circuit.channel import Channel, box_of, find_driver, impedance_ohm, with_driver
from rig.circuit.driver import qts
from rig.circuit.units import Complex, Floats, Value

_Model: TypeAlias = Callable[[Floats], Complex]

DRIVER_PARAMETERS = ("re_ohm", "fs_hz", "qms", "qes", "le_h", "le_exponent", "vas_m3")
BOX_PARAMETERS = ("tuning_hz", "leakage_q")

#: The search around the channel's own values: the start is looked for within a factor of two, the fit may go
#: further; numerical.
START_FACTOR = 2.0
BOUND_FACTOR = 8.0
START_CANDIDATES = 600
#: One start alone lost 2 of 50 two-way woofers whose parameters were off by up to a factor of three; three lost none;
#: numerical.
STARTS = 3
#: A search that leaves no more than this (relative root mean square) has found the box, and needs no other start: of
#: 240 from one start 16 were lost and left 0.03 and more (tests/circuit/test_fit_impedance.py); numerical.
EXPLAINED = 0.01
#: A curve of a box takes about 7 steps from each start, one that is no box's never comes to an end; numerical.
MOST_STEPS = 100
#: Of a derivative, as part of a value; numerical.
STEP = 1e-5
#: Just short of 1, so that rounding cannot carry it over what a driver allows; numerical.
EXPONENT_RANGE = (0.2, 1 - 1e-9)


@dataclass(frozen=True)
class Fit:
    """Result of a fit.

    Attributes
    ----------
    values : fitted parameters by name, and those that follow: qts; in a closed box fc_hz and qtc
    standard_uncertainty : by the same names
    residual_rms_relative : root mean square of |model - measured| / |measured|
    converged : False if the search did not end, or ended at the edge of what is allowed
    channel : the channel with the fitted values in it
    """

    values: dict[str, float]
    standard_uncertainty: dict[str, float]
    residual_rms_relative: float
    converged: bool
    channel: Channel


def fit_impedance(
    channel: Channel,
    frequency_hz: ArrayLike,
    measured_ohm: ArrayLike,
    driver_name: str,
    parameters: Sequence[str] | None = None,
) -> Fit:
    """Fit the small-signal parameters of one driver, and its box, to a complex impedance curve.

    Least squares over the logarithms of the parameters, within a factor of 8 of the channel's own values. The
    start is the best of many candidates within a factor of 2 of the channel's values, judged by the curve
    itself.

    Parameters
    ----------
    channel : Channel
        The design, with one number a parameter. What is not fitted is taken from it: the network, the other
        drivers, the box volume, and for a driver in a closed box Vas, since a closed box's curve shows the
        two only as one.
    frequency_hz : array of shape (frequencies,), above 0
    measured_ohm : complex array of shape (frequencies,)
    driver_name : str
    parameters : sequence of str or None
        Among `DRIVER_PARAMETERS` and `BOX_PARAMETERS`. None is `default_parameters`.

    Returns
    -------
    Fit
        The standard uncertainties are those of the covariance matrix, for the same relative uncertainty everywhere,
        taken from the residual. They do not hold what is held fixed to be wrong.

    Raises
    ------
    KeyError
        If there is no such driver.
    ValueError
        If the arrays do not match or are not finite, a start is not above 0, or there are fewer frequencies than
        parameters.

    References
    ----------
    R. H. Small, JAES 20 (1972) and JAES 21 (1973), for the circuit; JCGM 102:2011, annex, for the covariance
    of a least-squares fit.
    """
    names = tuple(parameters) if parameters is not None else default_parameters(channel, driver_name)
    start = _start_values(channel, driver_name, names)
    frequency, measured, weight = _checked(frequency_hz, measured_ohm, len(names))

    def model(logs: Floats) -> Complex:
        return _curves(channel, driver_name, names, logs, frequency)

    bounds = _bounds(names, start)
    starts = _starts(channel, driver_name, names, tuple(frequency.tolist()))
    found = _search(model, starts, measured, weight, bounds)
    covariance = _covariance(found)

    def quantities(logs: Floats) -> dict[str, float]:
        return _quantities(channel, driver_name, names, start * np.exp(logs))

    fitted = _with_values(channel, driver_name, names, [float(value) for value in start * np.exp(found.x)])
    relative = np.abs(impedance_ohm(fitted, frequency) / measured - 1)
    at_edge = np.any(found.active_mask[[name != "le_exponent" for name in names]])
    return Fit(
        quantities(found.x),
        _standard_uncertainties(quantities, found.x, covariance),
        float(np.sqrt(np.mean(relative**2))),
        bool(found.success and not at_edge),
        fitted,
    )


def default_parameters(channel: Channel, driver_name: str) -> tuple[str, ...]:
    """What a curve can show of a driver: the inductance if the design has one, the tuning and Vas in a vented box."""
    driver = find_driver(channel, driver_name)
    names = ["re_ohm", "fs_hz", "qms", "qes"]
    if np.all(np.asarray(driver.le_h) > 0):
        names += ["le_h", "le_exponent"]
    box = box_of(channel, driver)
    if box.kind == "vented":
        names += ["vas_m3", "tuning_hz"]
        if np.all(np.isfinite(box.leakage_q)):
            names.append("leakage_q")
    return tuple(names)


def _checked(frequency_hz: ArrayLike, measured_ohm: ArrayLike, parameters: int) -> tuple[Floats, Complex, Floats]:
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    measured = np.asarray(measured_ohm, dtype=np.complex128)
    if frequency.ndim != 1 or measured.shape != frequency.shape:
        raise ValueError(
            f"fit: frequency has shape {frequency.shape}, impedance {measured.shape}; allowed are two equal lists"
        )
    if frequency.size < parameters:
        raise ValueError(f"fit: {frequency.size} frequencies; allowed are {parameters} or more, one a parameter")
    if not (np.all(np.isfinite(frequency)) and np.all(frequency > 0)):
        raise ValueError("fit: found a frequency that is not finite or not above 0 Hz")
    if not np.all(np.isfinite(measured)) or np.any(measured == 0):
        raise ValueError("fit: found an impedance that is zero or not finite")
    return frequency, measured, 1 / np.abs(measured)


def _start_values(channel: Channel, driver_name: str, names: tuple[str, ...]) -> Floats:
    driver = find_driver(channel, driver_name)
    start = []
    for name in names:
        value = np.asarray(getattr(driver if name in DRIVER_PARAMETERS else channel.box, name))
        if value.ndim != 0 or not np.isfinite(value) or not value > 0:
            raise ValueError(
                f"fit: the channel's {name} is {value}; allowed to start from is one finite number above 0"
            )
        start.append(float(value))
    return np.asarray(start)


def _with_values(channel: Channel, driver_name: str, names: Sequence[str], values: Sequence[Value]) -> Channel:
    pairs = dict(zip(names, values, strict=True))
    of_box: dict[str, Any] = {name: value for name, value in pairs.items() if name in BOX_PARAMETERS}
    of_driver: dict[str, Any] = {name: value for name, value in pairs.items() if name in DRIVER_PARAMETERS}
    changed = with_driver(channel, driver_name, **of_driver)
    return replace(changed, box=replace(changed.box, **of_box))


def _curves(channel: Channel, driver_name: str, names: tuple[str, ...], logs: Floats, frequency_hz: Floats) -> Complex:
    """Impedances with parameters moved by logarithms of shape (units, parameters), in one evaluation."""
    start = _start_values(channel, driver_name, names)
    values = start[:, np.newaxis, np.newaxis] * np.exp(logs.T[:, :, np.newaxis])
    return impedance_ohm(_with_values(channel, driver_name, names, list(values)), frequency_hz)


@lru_cache(maxsize=8)
def _starts(
    channel: Channel, driver_name: str, names: tuple[str, ...], frequency_hz: tuple[float, ...]
) -> tuple[Floats, NDArray[np.complex64]]:
    """Candidate starts of the search, and the logarithms of their impedances; the same for all units of a design."""
    bounds = _bounds(names, _start_values(channel, driver_name, names))
    candidates = np.vstack([np.zeros(len(names)), _candidates(names, *bounds)])
    curves = _curves(channel, driver_name, names, candidates, np.array(frequency_hz))
    return candidates, np.log(curves).astype(np.complex64)


def _search(
    model: _Model,
    starts: tuple[Floats, NDArray[np.complex64]],
    measured: Complex,
    weight: Floats,
    bounds: tuple[Floats, Floats],
) -> Any:
    """The best least-squares result from the best few of the candidate starts.

    `model` takes logarithms of shape (units, parameters), so that all steps of a Jacobian are one evaluation.
    """

    def with_slopes(logs: Floats) -> tuple[Floats, Floats]:
        steps = STEP * np.vstack([np.eye(logs.size), -np.eye(logs.size)])
        # A parameter at its edge must not be stepped over it.
        moved = np.clip(logs + steps, low, high)
        curve, up, down = np.split(model(np.vstack([logs, moved])), [1, 1 + logs.size])
        width = np.diagonal(moved[: logs.size] - moved[logs.size :])
        slopes = _parts_of((up - down) / width[:, np.newaxis] * weight).T
        return _parts_of((curve[0] - measured) * weight), slopes

    residual, jacobian = residual_and_slopes(with_slopes)
    (low, high), (candidates, curves) = bounds, starts
    # Ratios judge a start: differences would be ruled by the height of the peaks, that is by their position
    # alone. The phase of an impedance lies within a quarter turn, so that of a ratio is whole.
    ratio = curves - np.log(measured).astype(np.complex64)
    misfit = np.mean(ratio.real**2 + ratio.imag**2, axis=1)
    best: Any = None
    for i in np.argsort(misfit)[:STARTS]:
        begun = np.clip(candidates[i], low + 1e-9, high - 1e-9)
        found = scipy.optimize.least_squares(residual, begun, jacobian, (low, high), xtol=1e-10, max_nfev=MOST_STEPS)
        best = found if best is None or found.cost < best.cost else best
        left = _complex_of(best.fun) / (weight * np.abs(measured))
        if np.mean(np.abs(left) ** 2) < EXPLAINED**2:
            break
    return best


def _complex_of(parts: Floats) -> Complex:
    real, imaginary = np.split(parts, 2)
    return np.asarray(real + 1j * imaginary)


def residual_and_slopes(
    both: Callable[[Floats], tuple[Floats, Floats]],
) -> tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]]:
    """For `scipy.optimize.least_squares` what a function gives of one place, evaluated there once.

    Slopes are asked for nearly wherever the residual was, and of a model they take hardly longer than it alone.
    """
    last: dict[bytes, Floats] = {}

    def residual(at: Floats) -> Floats:
        value, slope = both(at)
        last.clear()
        last[at.tobytes()] = slope
        return value

    def slopes(at: Floats) -> Floats:
        return last[at.tobytes()] if at.tobytes() in last else both(at)[1]

    return residual, slopes


def _parts_of(values: Complex) -> Floats:
    return np.concatenate([values.real, values.imag], axis=-1)


def _bounds(names: tuple[str, ...], start: Floats) -> tuple[Floats, Floats]:
    high = np.full(len(names), np.log(BOUND_FACTOR))
    low = -high
    if "le_exponent" in names:
        i = names.index("le_exponent")
        low[i], high[i] = np.log(np.asarray(EXPONENT_RANGE) / start[i])
    return low, high


def _candidates(names: tuple[str, ...], low: Floats, high: Floats) -> Floats:
    """Starts spread evenly over a factor of two each way; the same ones every time, so that a fit repeats."""
    spread = np.full(len(names), np.log(START_FACTOR))
    even = np.random.default_rng(0).uniform(-1, 1, (START_CANDIDATES, len(names)))
    return np.asarray(np.clip(even * spread, low, high))


def _covariance(found: Any) -> Floats:
    """Covariance of the fitted logarithms; infinite where the curve does not determine them."""
    freedom = found.fun.size - found.x.size
    scale = 2 * found.cost / freedom if freedom else np.inf
    information = found.jac.T @ found.jac
    if np.linalg.cond(information) > 1e14:
        return np.full_like(information, np.inf)
    return np.asarray(np.linalg.inv(information) * scale)


def _quantities(channel: Channel, driver_name: str, names: tuple[str, ...], values: Floats) -> dict[str, float]:
    """The fitted parameters by name, and what follows from them."""
    numbers = [float(value) for value in values]
    fitted = _with_values(channel, driver_name, names, numbers)
    whole = driver_quantities(fitted, driver_name)
    follow = {name: float(whole[name]) for name in ("qts", "fc_hz", "qtc") if name in whole}
    return dict(zip(names, numbers, strict=True)) | follow


def driver_quantities(channel: Channel, driver_name: str) -> dict[str, Value]:
    """What a fit of a driver may tell, by its names, as a channel has it; each a float or of shape (units, 1)."""
    driver = find_driver(channel, driver_name)
    box = box_of(channel, driver)
    fields = ("re_ohm", "fs_hz", "qms", "qes", "vas_m3", "le_h", "le_exponent")
    found: dict[str, Value] = {name: getattr(driver, name) for name in fields} | {"qts": qts(driver)}
    if box.kind == "vented":
        found |= {"tuning_hz": box.tuning_hz, "leakage_q": box.leakage_q}
    if box.kind == "closed":
        stiffer = np.sqrt(1 + driver.vas_m3 / box.volume_m3)
        found |= {"fc_hz": driver.fs_hz * stiffer, "qtc": found["qts"] * stiffer}
    return found


def _standard_uncertainties(
    quantities: Callable[[Floats], dict[str, float]], logs: Floats, covariance: Floats
) -> dict[str, float]:
    """By the law of propagation of uncertainty, with the gradient of each quantity in the logarithms."""
    if not np.all(np.isfinite(covariance)):
        return dict.fromkeys(quantities(logs), np.inf)
    there = quantities(logs)
    # Steps go down, since the exponent of the inductance may stand at its upper edge.
    shifted = [quantities(logs - step) for step in STEP * np.eye(logs.size)]
    gradients = {name: np.array([(there[name] - at[name]) / STEP for at in shifted]) for name in there}
    return {name: float(np.sqrt(gradient @ covariance @ gradient)) for name, gradient in gradients.items()}
