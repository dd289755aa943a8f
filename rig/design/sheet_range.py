"""How far a design may be off its drivers' data sheets, before a good build has taught what it is.

A kit that says of a driver `from_sheet = true` knows it from its sheet alone: the numbers of some other batch, gaps
filled by what such drivers usually have (`rig.design.driver_priors`). Designs are drawn that the sheets allow, and a
reading that lies outside its limit around the design by no more than these lie apart proves nothing yet.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np

from rig.circuit.builds_model import OF_BOX
from rig.circuit.channel import Channel
from rig.circuit.population import Parameter
from rig.circuit.spread import moved
from rig.circuit.units import Floats
from rig.design.kit import Kit
from rig.design.speaker import ChannelSpec
from rig.values.readings import Curve, Reading

#: Designs drawn: the furthest of so many lie about three standard deviations away; numerical.
DESIGNS = 200


Read = TypeVar("Read", Reading, Curve)


def sheet_designs(kit: Kit, name: str) -> Channel | None:
    """A channel as its sheets allow it to be, its parameters of shape (designs, 1); None: it is known better."""
    spec = kit.channel(name)
    is_learnt = kit.learnt is not None and kit.learnt.of(name) is not None
    if is_learnt or not any(driver.from_sheet for driver in spec.drivers):
        return None
    return _drawn(spec.model(), tuple(_of_sheets(spec)))


def _of_sheets(spec: ChannelSpec) -> Iterator[Parameter]:
    """What may be off: what the sheets say of drivers, and the box that was worked out by them."""
    for driver in spec.drivers:
        if driver.from_sheet:
            fields = ("re_ohm", "fs_hz", "qms", "qes", "vas_m3", "le_h", "le_exponent", "rolloff_hz")
            known = driver.priors()
            yield from (Parameter("driver", driver.name, field, known[field].sigma) for field in fields)
    if spec.box.kind != "none":
        yield from (Parameter("box", "", field, sigma) for field, sigma in OF_BOX.items())


@lru_cache(maxsize=8)
def _drawn(design: Channel, among: tuple[Parameter, ...]) -> Channel:
    return moved(design, among, np.random.default_rng(1).standard_normal((DESIGNS, len(among))))


def sheet_level_db(kit: Kit) -> float:
    """How far levels may be off what the kit's model has because sheets are, two standard deviations in dB; often 0.

    References
    ----------
    R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 20 (1972): at a voltage the level goes with
    fs^3 Vas / (Qes Re).
    """
    found = [0.0]
    for spec in kit.channels:
        designs = sheet_designs(kit, spec.name)
        for driver in designs.drivers if designs else ():
            power = driver.fs_hz**3 * driver.vas_m3 / (driver.qes * driver.re_ohm)
            found.append(2 * float(np.std(10 * np.log10(power))))
    return max(found)


def with_design(read: Read, kit: Kit, channel: str, value: Callable[[Channel], Floats], position: str = "") -> Read:
    """A number or curve with what the kit's model has for it, and with the least and most that sheets allow.

    `value` gives, of a channel, shape () or (n,); of one whose parameters are of shape (designs, 1), shape (designs,),
    (designs, 1) or (designs, n). What the model only guesses at stays without.
    """
    if not kit.is_modelled(channel):
        return read
    found: dict[str, Any] = {"design": value(kit.model(channel, position))}
    designs = sheet_designs(kit, channel)
    if designs is not None:
        values = np.asarray(value(designs))
        found |= {"design_low": np.min(values, axis=0), "design_high": np.max(values, axis=0)}
    if isinstance(read, Reading):
        found = {name: float(np.squeeze(number)) for name, number in found.items()}
    return replace(read, **found)
