"""The checks of the rig: one file each. A workspace's own `checks/` folder adds to this list."""

from typing import cast

from checks import hum_and_noise, impedance, leads, ping, polarity, response
from rig.check import Check

#: In the order in which a newcomer would read them.
ALL: list[Check] = [cast(Check, module) for module in (leads, impedance, ping, response, polarity, hum_and_noise)]
