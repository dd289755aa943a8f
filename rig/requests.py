"""What a check can ask the bench for: frozen values, so that equal requests of several checks merge into one.

A sweep is asked for in full; how it is laid out in time (silence, marks, sweep, marks, tail) is the business of
`rig.signals.stimulus`, which bench and checks share.
"""

from dataclasses import dataclass
from typing import Literal

Stage = Literal["leads", "playing", "soak"]

#: Safety order: the bare leads first, the loud and long stage last.
STAGE_ORDER: tuple[Stage, ...] = ("leads", "playing", "soak")


@dataclass(frozen=True)
class Sweep:
    """One synchronised exponential sweep played on one channel, with the silence before it recorded as well.

    A sweep of no volts at all is how silence is asked for: the same length of time, and nothing sounds.
    """

    #: The wiring of the bench that the sweep needs.
    stage: Stage
    #: The channel that plays.
    channel: str
    #: The channel whose box the microphone (playing) or the clips (leads) are at.
    at: str
    #: RMS volts: at the speaker leads when playing, at the source (before the sense resistor) on the leads.
    level_v: float
    #: Voltage gain between the sound card's output and the place where `level_v` holds (the amplifier's).
    path_gain: float
    start_hz: float
    stop_hz: float
    seconds: float
    #: Name of the microphone position in the kit; empty on the leads.
    position: str = ""

    @property
    def is_silence(self) -> bool:
        """Whether nothing sounds."""
        return self.level_v == 0

    def __str__(self) -> str:
        place = f" at {self.at}" if self.at != self.channel else ""
        where = f", {self.position}" if self.position else ""
        if self.is_silence:
            return f"silence at {self.at}{where}, {self.seconds:g} s"
        return (
            f"{self.channel}{place}{where}: {self.start_hz:g} Hz to {self.stop_hz:g} Hz "
            f"in {self.seconds:g} s, {self.level_v:g} V"
        )


Request = Sweep
