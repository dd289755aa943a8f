"""What a check can ask the bench for: frozen values, so that equal requests of several checks merge into one.

A sweep is asked for in full; how it is laid out in time (silence, marks, sweep, marks, tail) is the business of
`rig.signals.stimulus`, which bench and checks share.
"""

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from rig.files.plain import Number
from rig.signals.noise_shape import Noise
from rig.signals.silences import Spacing

if TYPE_CHECKING:
    from rig.signals.stimulus import Layout

Stage = Literal["leads", "playing", "soak", "after"]

#: Safety order: the bare leads first, the loud and long stage last; then the bare leads once more.
STAGE_ORDER: tuple[Stage, ...] = ("leads", "playing", "soak", "after")
#: Stages with the clips at the bare leads.
AT_LEADS: tuple[Stage, ...] = ("leads", "after")
#: When in the soak, in this order: a sweep before the programme is not the same sweep after it.
Moment = Literal["before", "", "hot", "rest", "cooled"]
MOMENTS: tuple[Moment, ...] = ("before", "", "hot", "rest", "cooled")


@dataclass(frozen=True)
class Marks:
    """Two short soft marks about a silence, which prove that all of it was recorded: see `rig.signals.stimulus`."""

    #: RMS volts of the sweep that they would stand about.
    level_v: Number
    low_hz: Number
    high_hz: Number


@dataclass(frozen=True)
class Sweep:
    """One synchronised exponential sweep played on one channel, with the silence before it recorded as well.

    A sweep of no volts at all is how silence is asked for: the same length of time, and nothing sounds but its marks.
    """

    #: The wiring of the bench that the sweep needs.
    stage: Stage
    #: The channel that plays.
    channel: str
    #: The channel whose box the microphone (playing) or the clips (leads) are at.
    at: str
    #: RMS volts: at the speaker leads when playing, at the source (before the sense resistor) on the leads.
    level_v: Number
    #: Voltage gain between the sound card's output and the place where `level_v` holds (the amplifier's).
    path_gain: Number
    start_hz: Number
    stop_hz: Number
    seconds: Number
    #: Name of the microphone position in the kit; empty on the leads.
    position: str = ""
    moment: Moment = ""
    #: About a silence. Records once had silences without: the same request, whose capture proves less.
    marks: Marks | None = field(default=None, compare=False, repr=False)
    #: Tells its capture from those of the run's other requests and of other runs: see `rig.signals.stimulus`. Of the
    #: playing, not of what is asked for: checks ask without, and so did runs once.
    code: int = field(default=0, compare=False, repr=False)
    #: Of the playing too. None: the longer silences that all had once, and all have that no run plays.
    spacing: Spacing | None = field(default=None, compare=False, repr=False)

    @property
    def peak_v(self) -> float:
        """Peak of a stimulus of peak 1, at the place where `level_v` holds."""
        return math.sqrt(2) * (self.marks.level_v if self.marks else self.level_v)

    @property
    def limits_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency of what sounds: of the sweep, or of the marks about a silence."""
        return (self.marks.low_hz, self.marks.high_hz) if self.marks else (self.start_hz, self.stop_hz)

    def layout(self, sample_rate_hz: float) -> "Layout":
        """How it is laid out in time.

        Raises
        ------
        ValueError
            If the limits, the length or the code are none that a sweep can have at this rate.
        """
        from rig.signals.stimulus import layout

        has_sweep = self.marks is None
        return layout(*self.limits_hz, self.seconds, sample_rate_hz, has_sweep, self.code, spacing=self.spacing)

    @property
    def alone(self) -> "Sweep":
        """The same with nothing right before it; its layout does not change."""
        return replace(self, spacing=replace(self.spacing, joined=False)) if self.spacing else self

    @property
    def is_silence(self) -> bool:
        """Whether nothing sounds."""
        return self.level_v == 0

    def __str__(self) -> str:
        place = f" at {self.at}" if self.at != self.channel else ""
        where = f", {self.position}" if self.position else ""
        where += f", {self.moment}" if self.moment else ""
        if self.is_silence:
            return f"silence at {self.at}{where}, {self.seconds:g} s"
        return (
            f"{self.channel}{place}{where}: {self.start_hz:g} Hz to {self.stop_hz:g} Hz "
            f"in {self.seconds:g} s, {self.level_v:g} V"
        )


@dataclass(frozen=True)
class RoleGuard:
    """What an instrument's reading must keep to while the programme plays; None: not watched."""

    #: Role of the instrument in bench.toml ("heat sink"), and its unit.
    role: str
    unit: str
    upper: Number | None = None
    lower: Number | None = None
    #: Above the ambient reading, in kelvin.
    rise_k: Number | None = None
    #: Over the last minute, in kelvin a minute.
    rate_k_per_min: Number | None = None

    @property
    def column(self) -> str:
        """Name of its column in a log."""
        return f"{self.unit}.{self.role}"


@dataclass(frozen=True)
class Guard:
    """When the programme is ended before its time. A value at its bound is still allowed."""

    roles: tuple[RoleGuard, ...]
    #: A guarded role or the ambient may be without a reading for so long.
    missing_s: Number
    #: Ambient may move so far from where it was at the start.
    ambient_drift_k: Number
    #: Loss of a channel's gain from its leads to the microphone in any band, against the first minute.
    level_loss_db: Number
    #: Coil resistance (where it is measured) may go to these multiples of the cold one: below is shorted, above open.
    coil_ratio: tuple[Number, Number]


@dataclass(frozen=True)
class Programme:
    """Shaped noise on several channels together, for hours; at no volts it is rest, in which instruments are read on.

    It begins with `COLD_S` at a tenth of its level, at which coils are measured cold, and then a ramp.
    """

    stage: Stage
    #: Channels that play, each noise of its own.
    channels: tuple[str, ...]
    #: The channel whose box the microphone is at, and the microphone's position.
    at: str
    position: str
    #: RMS volts at the leads, where a channel's own filter passes.
    level_v: Number
    path_gain: Number
    noise: Noise
    #: Whole length, cold start and ramp included.
    seconds: Number
    ramp_s: Number
    #: One row of the log every so many seconds.
    every_s: Number
    guard: Guard
    #: From when on it may end before its time, once the steady state is known beyond doubt; None: never.
    early_end_after_s: Number | None = None
    moment: Moment = ""

    @property
    def is_rest(self) -> bool:
        """Whether nothing sounds."""
        return self.level_v == 0

    def __str__(self) -> str:
        if self.is_rest:
            return f"rest, {self.seconds:g} s, instruments are read on"
        return f"programme on {', '.join(self.channels)}, {self.level_v:g} V, {self.seconds:g} s"


#: A programme's cold start: so long, at so small a part of its level, so that coils stay cold while they are measured;
#: our choice.
COLD_S = 20.0
COLD_PART = 0.1
#: A quiet sweep lasts so long; our choice.
QUIET_S = 0.3

Request = Sweep | Programme
