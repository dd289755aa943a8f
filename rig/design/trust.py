"""Which calibrations there are, how old they may become, and what a check may rest on."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from rig.values.names import BenchPart

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

#: What every check rests on, also those of a workspace's own.
EVERY: tuple[CalibrationKind, ...] = ("daily",)


#: What is left out of a level by comparing two boxes, or by aligning a curve.
GAINS: tuple[BenchPart, ...] = ("output level", "microphone gain")


@dataclass(frozen=True)
class RestsOn:
    """What the readings of a check rest on: its `RESTS_ON`."""

    #: Without these its readings mean nothing; `EVERY` besides.
    calibrations: tuple[CalibrationKind, ...]
    #: Part of the bench that its readings rest on -> those of its quantities that do not.
    bench: Mapping[BenchPart, tuple[str, ...]] = field(default_factory=dict)


def doubt(rests_on: RestsOn | None, doubts: Mapping[str, str]) -> str:
    """Why a check cannot be read with a calibration of these doubts; empty when it can.

    Parameters
    ----------
    rests_on : RestsOn or None
        What the check states; None: it states nothing, and needs all that its captures' calibration has doubts about.
    doubts : mapping
        Kind of calibration -> words, of the stage that the captures are from.
    """
    wanted = KINDS if rests_on is None else (*rests_on.calibrations, *EVERY)
    return "; ".join(doubts[kind] for kind in wanted if kind in doubts)


def is_spoilt(rests_on: RestsOn | None, quantity: str, part: BenchPart, is_shape: bool = False) -> bool:
    """Whether a verdict says nothing while a part of the bench is in doubt.

    Parameters
    ----------
    rests_on : RestsOn or None
        What the check states; None: it states nothing, and rests on all the bench.
    quantity : str
        What was read.
    part : BenchPart
        What is in doubt.
    is_shape : bool
        The level has been taken out of what was judged.
    """
    if rests_on is None:
        return True
    return part in rests_on.bench and quantity not in rests_on.bench[part] and not (is_shape and part in GAINS)
