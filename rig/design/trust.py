"""Which calibrations there are, how old they may become, and which check rests on which of them and of the bench."""

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


#: A part of the bench that may be in doubt. "leads": clips, sense resistor and the two electrical inputs, and with
#: "playing" all that is wired in that stage; the others are what one sign of a fault leaves in doubt.
BenchPart = Literal[
    "leads", "playing", "output level", "speaker lead", "microphone gain", "microphone place", "microphone sign"
]
#: What is left out of a level by comparing two boxes, or by aligning a curve.
GAINS: tuple[BenchPart, ...] = ("output level", "microphone gain")
#: Part of the bench -> the project's checks whose readings rest on it -> those of their quantities that do not. A
#: lasting change compares two sweeps of one bench, and rests on no level and no place.
RESTS_ON: Mapping[BenchPart, Mapping[str, tuple[str, ...]]] = {
    "leads": {"leads": (), "impedance": (), "parts": (), "leak": ("evidence of blowing air",)},
    "playing": {
        "ping": (),
        "response": (),
        "polarity": (),
        "distortion": (),
        "rub_and_buzz": (),
        "hum_and_noise": (),
        "heat": (),
        "leak": ("box tuning", "box losses QL"),
    },
    "output level": {
        "ping": ("louder than the other boxes",),
        "response": ("match", "mean match"),
        "polarity": ("driver polarity", "channel polarity", "polarity between", "confidence"),
        "distortion": (),
        "rub_and_buzz": (),
        "heat": (),
    },
    "speaker lead": {
        "ping": (),
        "response": (),
        "polarity": ("driver polarity", "channel polarity", "polarity between", "confidence"),
        "distortion": (),
        "rub_and_buzz": (),
        "hum_and_noise": (),
        "heat": (),
        "leak": ("box tuning", "box losses QL"),
    },
    "microphone gain": {
        "ping": ("louder than the other boxes", "ping over noise"),
        "response": ("match", "mean match"),
        "polarity": ("driver polarity", "channel polarity", "polarity between", "confidence"),
        "rub_and_buzz": ("evidence of impulses", "impulsive distortion", "crest factor", "phase coherence"),
        "hum_and_noise": (),
    },
    "microphone place": {
        "ping": (),
        "response": (),
        "polarity": ("driver polarity", "channel polarity", "polarity between", "confidence"),
        "distortion": (),
        "rub_and_buzz": (),
        "hum_and_noise": (),
    },
    "microphone sign": {"polarity": ("band level", "polarity between", "confidence")},
}


def rests_on(check: str, quantity: str, part: BenchPart, is_shape: bool = False) -> bool:
    """Whether a verdict says nothing while a part of the bench is in doubt.

    Parameters
    ----------
    check : str
        Its NAME. A check that is not in the tables, a workspace's own, rests on all the bench.
    quantity : str
        What was read.
    part : BenchPart
        What is in doubt.
    is_shape : bool
        The level has been taken out of what was judged.
    """
    if check not in NEEDS:
        return True
    return check in RESTS_ON[part] and quantity not in RESTS_ON[part][check] and not (is_shape and part in GAINS)
