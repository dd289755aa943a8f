"""The values that travel through the house: captures from the bench, readings out of the checks."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.files.plain import Bools, Number, Singles, YesNo
from rig.files.plain import Floats as Floats


@dataclass(frozen=True)
class Reading:
    """A number with its unit and its standard uncertainty."""

    #: What was read: "sensitivity", "fs", "polarity", ...
    quantity: str
    #: Of what: a channel, "left woofer", "left against right".
    subject: str
    value: Number
    unit: str
    #: Standard uncertainty (k = 1), in the same unit; NaN when it is not known.
    uncertainty: Number = float("nan")
    #: Why the number cannot be trusted; not empty: the verdict is void.
    trouble: str = ""
    #: The value in words, where a number alone says little ("reversed").
    said: str = ""
    #: The truth is at most this: below an upper limit that passes, above it nothing is proved.
    at_most: YesNo = False
    #: What the uncertainty is made of, by name (`rig.design.uncertainty_budget`); empty: it was not taken apart.
    parts: Mapping[str, Number] = field(default_factory=dict)
    #: What it is of good units at most, by what builds have taught of the design; NaN: nobody knows.
    good_at_most: Number = float("nan")
    #: What the kit's model says; NaN when there is no model for it. And the least and most that it may say by what
    #: data sheets may be off; NaN where the drivers are known better than from their sheets.
    design: Number = float("nan")
    design_low: Number = float("nan")
    design_high: Number = float("nan")


@dataclass(frozen=True)
class Curve:
    """A quantity over frequency. All arrays have shape (n,)."""

    quantity: str
    subject: str
    frequency_hz: Floats
    value: Floats
    unit: str
    #: True where the measurement can be trusted; elsewhere the points are drawn but never judged.
    valid: Bools
    #: Standard uncertainty, NaN where not known.
    uncertainty: Floats | None = None
    #: True where noise hides the value, but the truth is at most what is drawn: below an upper limit that passes, above
    #: it nothing is proved. Not valid there. None: nowhere.
    at_most: Bools | None = None
    #: False: the level hangs on an uncalibrated gain; only its shape, or a difference to a reference, says anything.
    absolute: YesNo = True
    #: What the kit's model says, on the same frequencies; None when there is no model for it.
    design: Floats | None = None
    #: The least and most that it may say by what data sheets may be off; None: the drivers are known better.
    design_low: Floats | None = None
    design_high: Floats | None = None
    #: Of a level aside of the axis, that on the axis, on the same frequencies: it is drawn behind this one.
    on_axis: Floats | None = None
    trouble: str = ""
    #: Words for the certificate: smoothing, gate, distance.
    method: str = ""
    #: As of a `Reading`, each of shape (n,).
    parts: Mapping[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Sound:
    """Something a person should be able to listen to, such as what is left of a sweep when the music is taken out."""

    quantity: str
    subject: str
    #: Shape (frames,), in pascal or volts; written at a level that can be heard.
    samples: Singles
    sample_rate_hz: float


@dataclass(frozen=True, eq=False)
class Course:
    """A quantity over the time of a programme. All arrays have shape (n,)."""

    quantity: str
    subject: str
    seconds: Floats
    #: NaN where there was nothing.
    value: Floats
    unit: str
    #: What the fit says, at the same times; None when nothing could be fitted.
    fit: Floats | None = None


@dataclass(frozen=True)
class CheckReadings:
    """All that one check read."""

    readings: tuple[Reading, ...] = ()
    curves: tuple[Curve, ...] = ()
    sounds: tuple[Sound, ...] = ()
    courses: tuple[Course, ...] = ()
    #: Remarks for the record that judge nothing.
    remarks: tuple[str, ...] = field(default=())
