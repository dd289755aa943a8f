"""What the limits say of readings, and of a check as a whole."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rig.files.plain import Floats, Number, YesNo
from rig.values.readings import CheckReadings


@dataclass(frozen=True)
class Mask:
    """Lower and upper limit over frequency, shape (n,); -inf or +inf where a side is open."""

    frequency_hz: Floats
    lower: Floats
    upper: Floats
    #: The curve the mask was drawn around, for figures; None for a mask from a file.
    centre: Floats | None = None
    #: The centre was measured elsewhere, so that nothing of this bench cancels against it.
    elsewhere: YesNo = False


Outcome = Literal["pass", "fail", "void"]


@dataclass(frozen=True)
class BareVerdict:
    """What one limit says of one reading, in numbers and words."""

    quantity: str
    subject: str
    outcome: Outcome
    #: The reading: for a curve, its value where the margin is the smallest part of the window (`limits.worst_point`).
    value: Number
    unit: str
    #: Distance to the nearest limit, in `unit`; negative is outside; NaN when void.
    margin: Number
    #: Where on a curve that is; NaN for numbers.
    at_hz: Number
    #: The limit in words.
    limit: str
    #: Why it is void, or what is wrong, in words; empty on pass.
    reason: str
    #: Standard uncertainty of the value; NaN where it is not known.
    uncertainty: Number = float("nan")
    #: Probability that the true value conforms; for a curve the smallest over its points; NaN where it is not known.
    conformity: Number = float("nan")
    #: The value in words, where the check gave any.
    said: str = ""
    #: Void for want of quiet or of signal: another capture may tell.
    may_pass: YesNo = False
    #: The shift that was taken out of the curve before.
    shift_db: Number = 0.0
    #: The limits where the value is; infinite where a side is open; NaN: void, or not said (records once did not).
    lower: Number = float("nan")
    upper: Number = float("nan")
    #: What the uncertainty is made of, by name; empty where the check does not tell.
    parts: Mapping[str, Number] = field(default_factory=dict)


@dataclass(frozen=True)
class Verdict(BareVerdict):
    """What one limit says of one reading, with all that figures of it need."""

    #: The mask that the curve was held against.
    mask: Mask | None = None


@dataclass(frozen=True)
class CheckResult:
    """What a check read, and what the limits say of it."""

    name: str
    title: str
    outcome: Outcome
    #: Why it is void as a whole; empty when its verdicts tell.
    reason: str
    read: CheckReadings
    verdicts: tuple[Verdict, ...]
    #: What its quantities mean, for a builder: the `TERMS` of the check.
    terms: Mapping[str, str] = field(default_factory=dict)
    #: Void as a whole for what its captures hold: another capture may tell.
    may_pass: YesNo = False
