"""A stranger on the simulated bench: captures, noise, card and marks are the bench's, impedance and sound are its own.

The room is the stranger's as well: its sound arrives with the reflections of its own floor and walls.
"""

from collections.abc import Sequence
from dataclasses import replace

from rig.design.kit import Kit
from rig.simulated.bench import SimulatedBench
from strangers.designs import Design
from strangers.faults import Fault, faulty
from strangers.nodal import Complex, Floats
from strangers.population import card_gain


class StrangerBench(SimulatedBench):
    """The simulated bench with a unit of foreign physics on it.

    Parameters
    ----------
    kit : Kit
        Of the design, as `kits.write_kit` loads it.
    seed : int
        The batch of drivers, the room, the card and its noise.
    faults : sequence of Fault
        Of the unit.
    """

    def __init__(self, kit: Kit, design: Design, seed: int, serial: str, faults: Sequence[Fault] = ()) -> None:
        super().__init__(kit, serial, seed=seed)
        self.stranger = faulty(design, seed, serial, faults)
        self._stranger_faults = [str(fault) for fault in faults]
        # Of the bench's own unit only the amplifier is left; the filter before it is the stranger's.
        for channel in kit.channels:
            self.unit = self.unit.with_output(channel.name, lambda output: replace(output, filter=None))
        silent = replace(self._sound.room, reflection=0.0)
        self._sound = replace(self._sound, room=silent, microphone_gain=card_gain(design, seed))

    def describe(self) -> dict[str, object]:
        """Equipment and settings for the record."""
        return {**super().describe(), "faults": self._stranger_faults}

    def _impedance(self, box: str, size: int, rate_hz: float) -> Complex:
        return self._remembered(("ohm", box), lambda f: self.stranger.impedance_ohm(box, f), size, rate_hz)

    def _direct(
        self,
        request: object,
        box: str,
        microphone_m: tuple[float, float, float],
        speed: float,
        size: int,
        rate_hz: float,
    ) -> Complex:
        def direct(frequency_hz: Floats) -> Complex:
            return self.stranger.pressure_pa(box, microphone_m, frequency_hz, speed)

        return self._remembered(("pa", box, microphone_m, speed), direct, size, rate_hz)
