"""The simulated unit under test: one copy of a kit, drawn from its serial number, with whatever is wrong with it.

A unit is its boxes (the elements that each is made of) and its amplifier (which output feeds which box, how loud, which
way round, behind which filter). Faults change one or the other; sound and current follow from both.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rig.circuit.channel import ElectronicFilter, Tone
from rig.circuit.radiation import Position
from rig.design.kit import Kit
from rig.design.speaker import PORT, ChannelSpec
from rig.signals.arrays import Complex, Floats
from rig.simulated.chance import generator
from rig.simulated.elements import Factor, Mouth, Speaker, designed, drawn, speaker_of
from rig.simulated.noises import Noise
from rig.simulated.physics import driven, filter_gain, pressure_pa, tone_gain


@dataclass(frozen=True)
class Output:
    """One output of the unit's amplifier and the lead it feeds."""

    #: The channel of the kit that this output plays.
    name: str
    #: The box that its lead goes to.
    box: str
    #: Volts at the lead over volts at the sound card; negative when the lead is turned round.
    gain: float
    filter: ElectronicFilter | None = None
    tone: tuple[Tone, ...] = ()
    #: What the amplifier gives at the lead with nothing playing, RMS: mains hum, and hiss up to 20 kHz.
    hum_v: float = 0.0
    hiss_v: float = 0.0
    #: It comes so much later than the others.
    late_s: float = 0.0


@dataclass(frozen=True)
class Unit:
    """One copy of a kit."""

    boxes: tuple[Speaker, ...]
    outputs: tuple[Output, ...]
    #: What its boxes do besides.
    noises: tuple[Noise, ...] = ()

    def box(self, name: str) -> Speaker:
        """The box of this name (KeyError if there is none)."""
        return {box.name: box for box in self.boxes}[name]

    def output(self, name: str) -> Output:
        """The amplifier's output of this name (KeyError if there is none)."""
        return {output.name: output for output in self.outputs}[name]

    def with_box(self, name: str, change: Callable[[Speaker], Speaker]) -> "Unit":
        """The unit with one box changed."""
        return replace(self, boxes=tuple(change(box) if box.name == name else box for box in self.boxes))

    def with_output(self, name: str, change: Callable[[Output], Output]) -> "Unit":
        """The unit with one output of the amplifier changed."""
        outputs = tuple(change(output) if output.name == name else output for output in self.outputs)
        return replace(self, outputs=outputs)


def nominal_unit(kit: Kit) -> Unit:
    """The unit as designed, every part at its nominal value."""
    # Never as builds taught it: what is measured is not to be made of what judges it.
    models = [channel.model() for channel in kit.channels]
    return Unit(
        boxes=tuple(_box(channel, designed) for channel in kit.channels),
        outputs=tuple(Output(model.name, model.name, kit.amplifier.gain, model.filter, model.tone) for model in models),
    )


def unit_of(kit: Kit, serial: str) -> Unit:
    """The unit of this serial number: each part and driver drawn from within its tolerance.

    The same kit name and serial give the same unit, on every bench.
    """
    return replace(
        nominal_unit(kit),
        boxes=tuple(_box(c, drawn(generator(kit.name, serial, c.name))) for c in kit.channels),
    )


def _box(channel: ChannelSpec, factor: Factor) -> Speaker:
    port, speaker = channel.surfaces().get(PORT), speaker_of(channel.model(), factor)
    mouth = Mouth(port.area_m2, (port.right_m, port.up_m, -port.behind_m)) if port else None
    return replace(speaker, mouth=mouth)


def lead_impedance_ohm(unit: Unit, at: str, frequency_hz: Floats) -> Complex:
    """Impedance at the bare leads of a box, shape (n,); the amplifier is disconnected and does not show."""
    return driven(unit.box(at), frequency_hz).lead_ohm


def lead_gain(output: Output, frequency_hz: Floats) -> Complex:
    """Volts at the lead over volts at the sound card, shape (n,)."""
    toned = np.prod([np.ones(frequency_hz.size), *(tone_gain(tone, frequency_hz) for tone in output.tone)], axis=0)
    late = np.exp(-2j * np.pi * frequency_hz * output.late_s)
    return np.asarray(output.gain * filter_gain(output.filter, frequency_hz) * toned * late)


def box_pressure_pa(
    unit: Unit, box: str, microphone_m: Position, frequency_hz: Floats, speed_of_sound: float
) -> Complex:
    """Direct sound at the microphone for one volt at the leads of a box, shape (n,), in Pa/V.

    Raises
    ------
    ValueError
        If the microphone stands behind that box's baffle.
    """
    return pressure_pa(unit.box(box), microphone_m, frequency_hz, speed_of_sound)
