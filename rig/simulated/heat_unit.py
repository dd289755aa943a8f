"""A simulated unit that warms up on its bench, from the time it is switched on."""

from collections.abc import Mapping, Sequence

import numpy as np

from rig.design.fault_names import Fault
from rig.design.kit import Kit
from rig.signals.arrays import Floats
from rig.signals.programme import music_like
from rig.simulated.chance import generator
from rig.simulated.changes import unit_with
from rig.simulated.heat_drive import Drive, drive_of
from rig.simulated.heat_network import COLD_CELSIUS, copper_ratio, step, thermal_unit
from rig.simulated.unit import Unit, unit_of

#: Dissipation of a class-D output: idle, and as a part of what it gives; made up.
IDLE_W, LOSS = 0.15, 0.3
#: The designer's heat sink is chosen for music-like noise of so many volts; made up.
DESIGN_V = 3.5
#: Before the first programme the amplifier has been on for so long; made up.
IDLE_BEFORE_S = (120.0, 600.0)
#: Ambient is held for so long, while nothing plays; made up.
IDLE_STEP_S = 60.0


class HeatedUnit:
    """One unit on a simulated bench. Its temperatures, and what has burnt out, live on from programme to programme.

    Parameters
    ----------
    kit : Kit
    serial : str
    faults : sequence of Fault
        Those of heat, and those of the unit that change what its coils get.
    seed : int
        The bench: its room.
    """

    def __init__(self, kit: Kit, serial: str, faults: Sequence[Fault] = (), seed: int = 0) -> None:
        self.kit = kit
        self.serial = serial
        self.faults = tuple(faults)
        self.seed = seed
        whole = unit_of(kit, serial)
        design = drive_of(whole, music_like(), [channel.name for channel in kit.channels], kit.amplifier.gain)
        self._unit = unit_with(faults, whole)
        self.thermal = thermal_unit(kit, serial, faults, self._chip_w(sum(design.lead_w.values()) * DESIGN_V**2))
        random = generator("air of the room", seed)
        self._air_celsius = COLD_CELSIUS + float(random.uniform(-1, 2))
        warming = sum(fault.amount for fault in faults if fault.kind == "warming")
        self._k_per_hour = float(random.uniform(-0.2, 0.3)) + warming
        # In kelvin, per hour, and where they begin.
        self._waves = np.stack([np.full(3, 0.12), 3600 / random.uniform(1500, 9000, 3), random.uniform(0, 1, 3)])
        #: Drivers that have burnt out: (channel, driver).
        self.opened: tuple[tuple[str, str], ...] = ()
        #: Since it was switched on, and how much of that it has played.
        self.seconds = self.played_s = 0.0
        self.celsius = np.full(len(self.thermal.places), self.ambient_celsius())
        self.idle(float(generator("switched on", kit.name, serial, seed).uniform(*IDLE_BEFORE_S)))

    @property
    def unit(self) -> Unit:
        """The unit with what has burnt out in it."""
        unit = self._unit
        for channel, driver in self.opened:
            unit = unit.with_box(channel, lambda box, name=driver: box.with_coil(name, state="open"))  # type: ignore[misc]
        return unit

    def open(self, channel: str, driver: str) -> None:
        """Burn out a driver, for good."""
        self.opened = (*self.opened, (channel, driver))

    def ambient_celsius(self) -> float:
        """Air of the room now: it wanders by a few tenths of a degree, and drifts."""
        hours = self.seconds / 3600
        waves = self._waves[0] * np.sin(2 * np.pi * (hours * self._waves[1] + self._waves[2]))
        return self._air_celsius + float(waves.sum()) + self._k_per_hour * hours

    def at(self, place: str) -> float:
        """Temperature of a place in degrees Celsius; ValueError if there is no such place."""
        return self.ambient_celsius() if place == "ambient" else float(self.celsius[self.thermal.place(place)])

    def cold_ohm(self, channel: str) -> float:
        """Resistance of a channel's main coil at 20 degrees."""
        return self._unit.box(channel).coil(self.thermal.main[channel]).re_ohm

    def resistance_ratios(self) -> dict[tuple[str, str], float]:
        """Resistance of each coil over that at 20 degrees, by channel and driver."""
        ratios = copper_ratio(self.celsius[self.thermal.coil_nodes])
        coils = self.thermal.coils
        return {(coil.channel, coil.driver): float(ratio) for coil, ratio in zip(coils, ratios, strict=True)}

    def idle(self, seconds: float, is_on: bool = True) -> None:
        """Let time pass with nothing playing; switched off, not even the amplifier warms."""
        while seconds > 0:
            piece_s = min(seconds, IDLE_STEP_S)
            self._step({}, self._chip_w(0.0) if is_on else 0.0, piece_s)
            seconds -= piece_s

    def play(self, drive: Drive, level_v: float, seconds: float) -> float:
        """Let a programme play for a while; returns what the amplifier takes from its supply, in watts."""
        output_w = self._output_w(drive, level_v, self.celsius)
        self._step(self._coil_w(drive, level_v), self._chip_w(output_w), seconds)
        self.played_s += seconds
        return output_w + self._chip_w(output_w)

    def _output_w(self, drive: Drive, level_v: float, celsius: Floats) -> float:
        """Power at all leads: as if every coil were as warm as all are in the mean."""
        mean_ratio = float(copper_ratio(celsius[self.thermal.coil_nodes]).mean())
        return sum(drive.lead_w.values()) * level_v**2 / mean_ratio

    def _coil_w(self, drive: Drive, level_v: float) -> Mapping[tuple[str, str], float]:
        return {coil: watt * level_v**2 for coil, watt in drive.coil_w.items()}

    def _chip_w(self, output_w: float) -> float:
        return IDLE_W * len(self.kit.channels) + LOSS * output_w

    def _watt(self, coil_w: Mapping[tuple[str, str], float], chip_w: float) -> Floats:
        watt = np.zeros(len(self.thermal.places))
        watt[self.thermal.places.index("chip")] = chip_w
        for coil in self.thermal.coils:
            watt[coil.node] = coil_w.get((coil.channel, coil.driver), 0.0)
        return watt

    def _step(self, coil_w: Mapping[tuple[str, str], float], chip_w: float, seconds: float) -> None:
        self.celsius = step(self.thermal, self.celsius, self._watt(coil_w, chip_w), seconds, self.ambient_celsius())
        self.seconds += seconds
