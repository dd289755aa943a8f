"""A stranger as filters: what a sound card's client convolves with to be that unit with its bench around it."""

from collections.abc import Sequence

import numpy as np

from strangers.nodal import Complex, Floats
from strangers.population import Unit, card_gain

RATE_HZ = 48000.0
#: 0.68 s: a box has rung out by then.
FRAMES = 2**15
#: All inputs come so much later, so that what a filter with an end at 24 kHz rings before its time is not cut.
DELAY_FRAMES = 128
#: Above this a converter's own filter sets in.
TAPER_HZ = (21500.0, 23900.0)


def filters_of(
    made: Unit, microphone_m: Sequence[float], volts_per_pascal: float, amplifier_gain: float, sense_ohm: float
) -> dict[str, Floats]:
    """Impulse responses of a unit, each of shape (FRAMES,), later by DELAY_FRAMES.

    Parameters
    ----------
    microphone_m : (right, up, front) of the box
    volts_per_pascal : of the microphone, in full scales of its input
    amplifier_gain : from the card's output in full scales to the leads in volts
    sense_ohm : in the return lead; the source has no resistance of its own

    Returns
    -------
    dict
        "microphone": from the amplifier's input to the microphone's; "sense": from the drive to the sense resistor.
    """
    at_hz = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    pressure = made.pressure_pa("box", microphone_m, at_hz) * card_gain(made.design, made.seed)
    return {
        "microphone": impulse_response(pressure * volts_per_pascal * amplifier_gain),
        "sense": impulse_response(sense_ohm / (sense_ohm + made.impedance_ohm("box", at_hz))),
    }


def impulse_response(transfer: Complex) -> Floats:
    """Impulse response of a transfer function that is known up to half the rate, its last octave's end faded out."""
    at_hz = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    low, high = TAPER_HZ
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((at_hz - low) / (high - low), 0, 1))
    return np.fft.irfft(transfer * fade * np.exp(-2j * np.pi * at_hz * DELAY_FRAMES / RATE_HZ), FRAMES)
