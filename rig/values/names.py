"""Names that more than one room must know a verdict or a quantity by, and how what has a name is counted.

They stand here, not with their checks, so that a record is shown without loading one check.
"""

from typing import Literal

#: A part of the bench that may be in doubt. "leads": clips, sense resistor and the two electrical inputs, and with
#: "playing" all that is wired in that stage; the others are what one sign of a fault leaves in doubt.
BenchPart = Literal[
    "leads", "playing", "output level", "speaker lead", "microphone gain", "microphone place", "microphone sign"
]
#: Begins the reason of a check that a run did not come to.
NOT_DONE = "not done"
#: How the quantity of a verdict ends that is about the shift taken out of a curve before its shape was judged.
SHIFT = " shift"
#: Signs: 1 as designed, -1 reversed, 0 the drivers disagree.
DRIVER_POLARITY = "driver polarity"
CHANNEL_POLARITY = "channel polarity"
POLARITY_BETWEEN = "polarity between"
SIGNS = (DRIVER_POLARITY, CHANNEL_POLARITY, POLARITY_BETWEEN)
#: The watch over long loud playing, whose value is only a mark.
GUARD = "guard"
#: Stands between the two channels that a reading is of.
AGAINST = " against "
#: What no good unit explains of an impedance: the one limit that good builds can set.
PARTS_MISFIT = "parts misfit"
WRONG_PART = "evidence of a wrong part"
#: A level in dB SPL for 2.83 V at 1 m.
SENSITIVITY = "sensitivity"


def counted(count: int, what: str) -> str:
    """So many of something, in words."""
    return f"{count} {what}" + ("s" if count != 1 else "")
