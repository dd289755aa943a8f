"""The simulated equipment: what a sound card, a microphone and a few cables do to a measurement.

The calibration that goes with a capture is what the bench believes of itself. Faults of the bench change the equipment
after that, so that belief and truth part, as they do on a real bench.
"""

from dataclasses import dataclass

import numpy as np

from rig.signals.arrays import Floats, Singles
from rig.simulated.chance import generator
from rig.simulated.room import Room, room_of
from rig.values.captures import Calibration, KnownLoad

#: Gains of the two inputs over what the calibration says lie within so many dB, evenly, from bench to bench; made up.
LOOPBACK_WITHIN_DB, SENSE_WITHIN_DB = 0.05, 0.15
#: Volts at full scale of each input.
INPUT_VOLTS = {"microphone": 0.05, "loopback": 2.0, "drive": 0.5, "sense": 0.5}


@dataclass(frozen=True)
class Equipment:
    """Everything between a request and a capture that is not the unit."""

    room: Room
    sample_rate_hz: float = 48000.0
    output_volts: float = 2.0
    #: Gains of the inputs over what the calibration says, as factors.
    loopback_gain: float = 1.0
    sense_gain: float = 1.0
    #: Of the second electrical input behind the first.
    sense_delay_s: float = 0.0
    #: RMS noise of each converter, relative to full scale.
    converter_noise: float = 1e-5
    #: Way through the card, from frame written to frame read; drawn anew whenever the stream is opened.
    latency_samples: tuple[float, float] = (500.0, 5000.0)
    microphone_v_per_pa: float = 0.01
    microphone_sign: int = 1
    sense_ohm: float = 10.0
    sense_in: str = "return"
    #: Of the source, which drives no better than a headphone output.
    source_ohm: float = 0.5
    #: Of the clips and the cable, which end up in every impedance.
    lead_ohm: float = 0.03
    air_celsius: float = 20.0
    #: The microphone is a device of its own, its clock this much off the playing one, in millionths; None: it is not.
    microphone_ppm: float | None = None
    # What may be wrong; nothing is, unless a fault of the bench says so.
    #: Samples lost (positive) or zeros put in (negative) in the middle of the stimulus.
    lost_samples: int = 0
    #: Recording clock over playing clock, minus one, in millionths.
    clock_ppm: float = 0.0
    #: The inputs are turned up until the peaks exceed full scale by so much; None: they are not.
    overload_db: float | None = None
    microphone_gain: float = 1.0
    #: The microphone stands further from the box than the jig's stop.
    microphone_shift_m: float = 0.0
    #: At places aside of the axis it stands at so much larger an angle; those places, and those close by, are taken in
    #: the wrong order.
    microphone_turn_deg: float = 0.0
    places_exchanged: bool = False
    #: The sense resistor is still in the lead while the unit plays.
    resistor_left_in: bool = False
    #: The clips of the leads touch nothing.
    clips_off: bool = False
    #: The cables of the two inputs are exchanged.
    inputs_exchanged: bool = False
    #: Mains hum in every input, its peak relative to full scale.
    hum: float = 0.0
    #: The same in the microphone's input only.
    microphone_hum: float = 0.0
    #: Somebody knocks against the jig in the middle of the sweep: peak at the microphone.
    knock_pa: float = 0.0
    output_muted: bool = False
    #: Gains over what the calibration says: of the card's output, and of its first electrical input.
    output_gain: float = 1.0
    drive_gain: float = 1.0
    #: The cables of the first two outputs are exchanged.
    outputs_exchanged: bool = False
    #: Another program plays as well: RMS volts at the card's output.
    other_sound_v: float = 0.0
    #: What the operating system does to the recording; zero, none: nothing.
    automatic_gain_db: float = 0.0
    suppressed_db: float = 0.0
    band_hz: float | None = None
    #: The rate that the converter really runs at; None: the one it states.
    actual_rate_hz: float | None = None
    unplugged: bool = False
    flags: tuple[str, ...] = ()

    def calibration(self, known_load: KnownLoad | None) -> Calibration:
        """What this equipment is believed to be."""
        return Calibration(
            input_volts=dict(INPUT_VOLTS),
            output_volts=self.output_volts,
            microphone_v_per_pa=self.microphone_v_per_pa,
            microphone_sign=self.microphone_sign,
            sense_ohm=self.sense_ohm,
            sense_in=self.sense_in,
            known_load=known_load,
            air_celsius=self.air_celsius,
            # Output and microphone are exactly what they are believed to be, unless a fault says otherwise.
            input_uncertainty={"loopback": LOOPBACK_WITHIN_DB * np.log(10) / 20 / np.sqrt(3)},
            output_uncertainty=0.0,
            microphone_uncertainty=0.0,
        )


def equipment_of(seed: int, ambient_db: float, sense_in: str = "return") -> Equipment:
    """The equipment of a bench: its inputs apart by a part of a decibel, fixed by the seed."""
    random = generator("equipment", seed)

    def gain(most_db: float) -> float:
        return float(10 ** (random.uniform(-most_db, most_db) / 20))

    return Equipment(
        room=room_of(seed, ambient_db),
        loopback_gain=gain(LOOPBACK_WITHIN_DB),
        sense_gain=gain(SENSE_WITHIN_DB),
        sense_delay_s=float(random.uniform(-1.0, 1.0) * 1e-6),
        sense_in=sense_in,
    )


def converted(volts: Floats, full_scale_v: float | Floats) -> Singles:
    """What a 24-bit converter makes of a voltage: clipped at full scale, rounded, as float32 in -1 to 1.

    Parameters
    ----------
    volts : array of any shape
    full_scale_v : float, or array that broadcasts to `volts`
    """
    # A converter's zero has no sign.
    steps = np.rint(volts * (2**23 / full_scale_v)) + 0.0
    return (np.clip(steps, -(2**23), 2**23 - 1) / 2**23).astype(np.float32)
