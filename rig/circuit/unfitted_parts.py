"""What a fit to an impedance curve cannot know: the parts that it holds at the design's values."""

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
from rig.circuit.units import ComplexArray, FloatArray

#: Units that are drawn: their root mean square is known to 4 %; numerical.
UNITS = 300
STEP = 1e-4


def held_uncertainty(
    channel: Channel, driver_name: str, frequency_hz: ArrayLike, parameters: Sequence[str]
) -> dict[str, float]:
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
    dict
        By parameter; and of qts, and in a closed box of fc_hz and qtc, where what they follow from is fitted.
    """
    wanted_hz = tuple(np.asarray(frequency_hz, np.float64).tolist())
    return dict(_held(channel, driver_name, wanted_hz, tuple(parameters)))


@lru_cache(maxsize=16)
def _held(
    channel: Channel, driver_name: str, wanted_hz: tuple[float, ...], names: tuple[str, ...]
) -> tuple[tuple[str, float], ...]:
    """The same for every unit of a kit, so found once."""
    frequency = np.array(wanted_hz)
    base = impedance_ohm(channel, frequency)
    steps = STEP * np.eye(len(names))
    curves = impedance_ohm(_moved(channel, driver_name, names, 1 + steps), frequency)
    slopes = _parts_of((curves / base - 1) / STEP).T
    drawn = draw(channel, np.random.default_rng(0), UNITS)
    driver = find_driver(channel, driver_name)
    own = {name: getattr(driver, name) for name in names if name in DRIVER_PARAMETERS}
    drawn = replace(with_driver(drawn, driver_name, **own), box=channel.box)
    changes = _parts_of(impedance_ohm(drawn, frequency) / base - 1).T
    # The fit takes a change of the curve for one of its parameters, in logarithms, with a relative weight.
    moves = dict(zip(names, np.linalg.lstsq(slopes, changes, rcond=None)[0], strict=True))
    if "qms" in moves and "qes" in moves:
        share = float(qts(driver)) / float(driver.qms)
        moves["qts"] = share * moves["qms"] + (1 - share) * moves["qes"]
    if channel.box.kind == "closed":
        # A closed box's curve tells the resonance in it; the driver's own follows by the Vas that is held.
        ratio = np.asarray(find_driver(drawn, driver_name).vas_m3 / driver.vas_m3).reshape(-1)
        part = float(driver.vas_m3 / (driver.vas_m3 + box_of(channel, driver).volume_m3))
        stiffer = 0.5 * np.log1p(part * (ratio - 1))
        pairs = (("fs_hz", "fc_hz"), ("qts", "qtc"))
        moves |= {in_box: moves[free] - stiffer for free, in_box in pairs if free in moves}
    return tuple((name, float(np.sqrt(np.mean(move**2)))) for name, move in moves.items())


def _moved(channel: Channel, driver_name: str, names: tuple[str, ...], factors: FloatArray) -> Channel:
    """The channel with each parameter times a column of factors, one row a unit."""
    driver = find_driver(channel, driver_name)
    of_driver: dict[str, FloatArray] = {}
    of_box: dict[str, Any] = {}
    for name, factor in zip(names, factors.T, strict=True):
        is_box = name in BOX_PARAMETERS
        value = getattr(channel.box if is_box else driver, name) * factor[:, np.newaxis]
        (of_box if is_box else of_driver)[name] = value
    changed = with_driver(channel, driver_name, **of_driver)
    return replace(changed, box=replace(changed.box, **of_box))


def _parts_of(values: ComplexArray) -> FloatArray:
    return np.concatenate([values.real, values.imag], axis=-1)
