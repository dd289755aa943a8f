"""What a fit to an impedance curve cannot know: the parts that it holds at the design's values, errors of the curve."""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from rig.circuit.channel import Channel, box_of, find_driver, impedance_ohm, with_driver
from rig.circuit.driver import qts
from rig.circuit.fit import BOX_PARAMETERS, DRIVER_PARAMETERS
from rig.circuit.tolerance import draw
from rig.circuit.units import Complex, Floats

#: Units that are drawn: their root mean square is known to 4 %; numerical.
UNITS = 300
#: Of drawn units this part leaves no more over than is taken to be explained; common practice, no source.
EXPLAINED = 0.95
STEP = 1e-4
#: A driver's own quantities, and what is read of them in a closed box.
IN_BOX = {"fs_hz": "fc_hz", "qts": "qtc"}


def held_uncertainty(
    channel: Channel, driver_name: str, frequency_hz: ArrayLike, parameters: Sequence[str]
) -> tuple[dict[str, float], float]:
    """Relative standard uncertainty of fitted parameters from the tolerances of all that `fit_impedance` holds fixed.

    Units are drawn whose network and other drivers lie within their tolerances while what is fitted is as designed;
    the change of each one's curve goes through the fit, linear about the design, into the parameters (GUM,
    JCGM 100:2008, 5.1.3; the draws in place of a sum over the parts: JCGM 101:2008, 5.9).

    Parameters
    ----------
    channel : Channel
        The design, with one number a parameter.
    driver_name : str
    frequency_hz : array of shape (frequencies,)
    parameters : sequence of str
        Those that are fitted, among `fit.DRIVER_PARAMETERS` and `fit.BOX_PARAMETERS`.

    Returns
    -------
    uncertainty : dict
        By parameter; and of qts, and in a closed box of fc_hz and qtc, where what they follow from is fitted.
    left : float
        Root mean square of |model - measured| / |measured| that the same tolerances leave over in a fit, at most: what
        is left differs from unit to unit, and `EXPLAINED` of all leave no more.
    """
    wanted_hz = tuple(np.asarray(frequency_hz, np.float64).tolist())
    uncertainty, left = _held(channel, driver_name, wanted_hz, tuple(parameters))
    return dict(uncertainty), left


def moves_of_fit(
    channel: Channel, driver_name: str, frequency_hz: ArrayLike, parameters: Sequence[str], changes: ArrayLike
) -> tuple[dict[str, Floats], Floats]:
    """What changes of an impedance curve do to the parameters that a fit finds, linear about a channel.

    A change that the network or the other drivers would not make is laid on whichever parameter makes one most like it:
    behind a coil a resistance in series moves the inductance found.

    Parameters
    ----------
    channel : Channel
        With one number a parameter.
    driver_name : str
    frequency_hz : array of shape (frequencies,)
    parameters : sequence of str
        Those that are fitted.
    changes : complex array of shape (curves, frequencies)
        Relative changes of the curve.

    Returns
    -------
    moves : dict
        Change of the logarithm of each parameter, shape (curves,); of qts too, and in a closed box of fc_hz and qtc.
    left : ndarray, shape (curves,)
        Root mean square of what is left of each change.
    """
    frequency, names = np.asarray(frequency_hz, np.float64), tuple(parameters)
    base = impedance_ohm(channel, frequency)
    curves = impedance_ohm(_moved(channel, driver_name, names, 1 + STEP * np.eye(len(names))), frequency)
    slopes, wanted = _parts_of((curves / base - 1) / STEP).T, _parts_of(np.asarray(changes, np.complex128)).T
    # The fit takes a change of the curve for one of its parameters, in logarithms, with a relative weight.
    found = np.linalg.lstsq(slopes, wanted, rcond=None)[0]
    moves = dict(zip(names, found, strict=True))
    driver = find_driver(channel, driver_name)
    if "qms" in moves and "qes" in moves:
        share = float(qts(driver)) / float(driver.qms)
        moves["qts"] = share * moves["qms"] + (1 - share) * moves["qes"]
    if box_of(channel, driver).kind == "closed":
        moves |= {in_box: moves[free] for free, in_box in IN_BOX.items() if free in moves}
    return moves, np.sqrt(np.sum((wanted - slopes @ found) ** 2, axis=0) / frequency.size)


@lru_cache(maxsize=16)
def _held(
    channel: Channel, driver_name: str, wanted_hz: tuple[float, ...], names: tuple[str, ...]
) -> tuple[tuple[tuple[str, float], ...], float]:
    """The same for every unit of a kit, so found once."""
    frequency = np.array(wanted_hz)
    drawn = draw(channel, np.random.default_rng(0), UNITS)
    driver = find_driver(channel, driver_name)
    own = {name: getattr(driver, name) for name in names if name in DRIVER_PARAMETERS}
    drawn = replace(with_driver(drawn, driver_name, **own), box=channel.box)
    changes = impedance_ohm(drawn, frequency) / impedance_ohm(channel, frequency) - 1
    moves, left = moves_of_fit(channel, driver_name, frequency, names, changes)
    if channel.box.kind == "closed":
        # A closed box's curve tells the resonance in it; the driver's own follows by the Vas that is held.
        ratio = np.asarray(find_driver(drawn, driver_name).vas_m3 / driver.vas_m3).reshape(-1)
        part = float(driver.vas_m3 / (driver.vas_m3 + box_of(channel, driver).volume_m3))
        stiffer = 0.5 * np.log1p(part * (ratio - 1))
        moves |= {in_box: moves[in_box] - stiffer for in_box in IN_BOX.values() if in_box in moves}
    whole = tuple((name, float(np.sqrt(np.mean(move**2)))) for name, move in moves.items())
    return whole, float(np.quantile(left, EXPLAINED))


def _moved(channel: Channel, driver_name: str, names: tuple[str, ...], factors: Floats) -> Channel:
    """The channel with each parameter times a column of factors, one row a unit."""
    driver = find_driver(channel, driver_name)
    of_driver: dict[str, Floats] = {}
    of_box: dict[str, Any] = {}
    for name, factor in zip(names, factors.T, strict=True):
        is_box = name in BOX_PARAMETERS
        value = getattr(channel.box if is_box else driver, name) * factor[:, np.newaxis]
        (of_box if is_box else of_driver)[name] = value
    changed = with_driver(channel, driver_name, **of_driver)
    return replace(changed, box=replace(changed.box, **of_box))


def _parts_of(values: Complex) -> Floats:
    return np.concatenate([values.real, values.imag], axis=-1)
