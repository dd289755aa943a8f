"""What inputs hear while nothing plays: level, peak, clipping, hum, whether there is life in them. Pure."""

from dataclasses import dataclass

import numpy as np

from rig.signals.levels import REFERENCE_PRESSURE_PA, db
from rig.signals.quiet import mains_hum
from rig.values.readings import Floats

#: A peak from here on is an input that is overdriven, or about to be; our choice.
CLIPPED = 0.98
#: A mean beyond this is a fault of the input; our choice.
OFFSET = 0.02


@dataclass(frozen=True)
class InputLevel:
    """What one input hears, in dB of full scale: 0 is a sine that just fits (AES17, from memory)."""

    level_db: float
    peak_db: float
    is_clipped: bool
    #: What is wrong with the input itself; empty: nothing that can be seen here.
    trouble: str


@dataclass(frozen=True)
class InputHum:
    """Mains hum at one input; no frequency: none stands out."""

    mains_hz: float | None
    level_db: float


def input_level(samples: Floats) -> InputLevel:
    """Level and peak of an input's samples, shape (frames,), full scale 1.0."""
    if not np.all(np.isfinite(samples)):
        return InputLevel(-np.inf, -np.inf, is_clipped=False, trouble=input_fault(np.nan, np.nan))
    mean, rms, peak = float(np.mean(samples)), float(np.std(samples)), float(np.max(np.abs(samples)))
    level_db = float(db(rms * np.sqrt(2)))
    return InputLevel(level_db, float(db(peak)), peak >= CLIPPED, input_fault(mean, rms))


def input_fault(mean: float, rms: float) -> str:
    """What is wrong with an input, by the mean and RMS of its samples; empty: nothing."""
    if not (np.isfinite(mean) and np.isfinite(rms)):
        return "gives values that are no numbers; unplug the card and plug it in again"
    if rms == 0:
        return "gives nothing at all, not even noise: it is off, muted, or is not there"
    if abs(mean) > OFFSET:
        return f"a constant {mean:+.2f} of full scale: its phantom power or cable is at fault"
    return ""


def input_hum(samples: Floats, sample_rate_hz: float) -> InputHum:
    """Mains hum in an input's samples, shape (frames,): half a second or more; two tell it from a note nearby."""
    if not np.all(np.isfinite(samples)):
        # Its level says what is wrong.
        return InputHum(None, -np.inf)
    hum = mains_hum(samples, sample_rate_hz)
    if not np.isfinite(hum.mains_hz):
        return InputHum(None, -np.inf)
    # `mains_hum` gives levels over the reference pressure, whatever the unit of what it was given.
    rms = REFERENCE_PRESSURE_PA * 10 ** (hum.level_db / 20)
    return InputHum(hum.mains_hz, float(db(rms * np.sqrt(2))))
