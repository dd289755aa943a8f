"""Which calibrations there are, how old they may become, and which check rests on which."""

from collections.abc import Mapping
from typing import Literal, get_args

CalibrationKind = Literal["sense", "microphone", "output", "input", "loopback", "daily"]
KINDS: tuple[CalibrationKind, ...] = get_args(CalibrationKind)

#: Days after which a calibration is held to be too old, where nobody says otherwise.
AGES_DAYS: Mapping[CalibrationKind, float] = {
    "sense": 90.0,
    "microphone": 365.0,
    "output": 365.0,
    "input": 365.0,
    "loopback": 30.0,
    "daily": 1.0,
}

#: Check -> the calibrations without which its readings mean nothing. Impedance needs the two inputs compared on known
#: loads; a level in pascal for a volt needs the microphone and the volts at the leads, which the loopback's input
#: measures where there is one and the output's calibration tells where there is none; harmonics must be told from the
#: sound card's own. What only compares one sweep with another (polarity, lasting change of the level) needs none.
NEEDS: Mapping[str, tuple[CalibrationKind, ...]] = {
    "leads": ("sense",),
    "impedance": ("sense",),
    "parts": ("sense",),
    "leak": ("sense",),
    "lasting_change": ("sense",),
    "ping": ("microphone", "output", "input"),
    "response": ("microphone", "output", "input", "loopback"),
    "distortion": ("loopback", "output"),
    "rub_and_buzz": ("microphone", "output"),
    "hum_and_noise": ("microphone",),
    "heat": ("output",),
    "polarity": (),
}
#: What every check rests on, also those of a workspace's own.
EVERY: tuple[CalibrationKind, ...] = ("daily",)


def doubt(check: str, doubts: Mapping[str, str]) -> str:
    """Why a check cannot be read with a calibration of these doubts; empty when it can.

    Parameters
    ----------
    check : str
        Its NAME. A check that is not in the table needs all that its captures' calibration has doubts about.
    doubts : mapping
        Kind of calibration -> words, of the stage that the captures are from.
    """
    needed = NEEDS.get(check)
    wanted = KINDS if needed is None else (*needed, *EVERY)
    return "; ".join(doubts[kind] for kind in wanted if kind in doubts)
