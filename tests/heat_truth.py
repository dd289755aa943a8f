"""Where the temperatures of a simulated unit would end, in closed form."""

import numpy as np

from rig.signals.arrays import Floats
from rig.simulated.heat_drive import Drive
from rig.simulated.heat_network import COLD_CELSIUS, ThermalUnit, _settled, watt_at
from rig.simulated.heat_unit import HeatedUnit


def steady_celsius(heated: HeatedUnit, drive: Drive, level_v: float, ambient_celsius: float) -> dict[str, float]:
    """Temperature of every place after an endless programme, in a room that stays as it is."""
    coils, thermal = heated._coil_w(drive, level_v), heated.thermal
    # The amplifier's loss follows from the warm coils, and does not warm them.
    warm = steady_state(thermal, heated._watt(coils, 0.0), ambient_celsius)
    chip_w = heated._chip_w(heated._output_w(drive, level_v, warm))
    steady = steady_state(thermal, heated._watt(coils, chip_w), ambient_celsius)
    return dict(zip(thermal.places, map(float, steady), strict=True))


def steady_state(thermal: ThermalUnit, watt_cold: Floats, ambient_celsius: float = COLD_CELSIUS) -> Floats:
    """Temperatures of all places in the end, shape (n,); power as in `step`."""
    celsius = np.full(len(thermal.places), ambient_celsius)
    for _ in range(60):
        celsius = _settled(thermal, watt_at(thermal, celsius, watt_cold), ambient_celsius)
    return celsius
