"""The checks of the rig: one file each. A workspace's own `checks/` folder adds to this list."""

from typing import cast

from checks import (
    distortion,
    handover,
    heat,
    hum_and_noise,
    impedance,
    lasting_change,
    leads,
    leak,
    near_field,
    off_axis,
    parts,
    ping,
    polarity,
    response,
    rub_and_buzz,
)
from rig.verdict.check import Check

#: In the order in which a newcomer would read them.
ALL: list[Check] = [
    cast(Check, module)
    for module in (
        leads,
        impedance,
        parts,
        ping,
        response,
        off_axis,
        near_field,
        handover,
        polarity,
        distortion,
        rub_and_buzz,
        leak,
        hum_and_noise,
        heat,
        lasting_change,
    )
]
